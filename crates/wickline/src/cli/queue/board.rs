//! The queue in one look: for each receiver what waits, since when, how fast it moves or why not.

use std::time::Duration;

use serde_json::json;

use super::super::output::{Output, class, plain, short_time, span, state};
use super::super::{Answer, Desk, Exit, Failure};
use crate::cli::status::elsewhere;
use crate::clock;
use crate::sheet::now::About;
use crate::store::lists::queue::{Asked, QueueItem};
use crate::views::queue::{Board, boards, document};

/// `queue`: every receiver's board, then a page of messages.
pub async fn list(desk: &Desk, asked: &Asked, out: &Output) -> Answer {
    let boards = boards(&desk.ledger, &desk.bench).await?;
    let items = desk.ledger.queue(asked, desk.clock()).await?;
    if out.json {
        out.document(&document(&desk.ledger, &boards, &items).await?)?;
    } else {
        boards.iter().for_each(|board| print_board(board, out));
        let all = boards.iter().map(|b| b.waiting + b.kept_back + b.refused).sum();
        print_items(&items, all, asked, out);
    }
    elsewhere(desk, &[About::Receiver, About::Refused], None, out).await?;
    Ok(clean(&boards))
}

fn clean(boards: &[Board]) -> Exit {
    let dirty =
        |b: &Board| b.refused > 0 || b.stopped || (!b.configured && b.waiting + b.kept_back > 0);
    if boards.iter().any(dirty) { Exit::NotClean } else { Exit::Done }
}

/// `queue --follow`: the boards again and again until nothing waits.
pub async fn follow(desk: &Desk, asked: &Asked, out: &Output) -> Answer {
    loop {
        let mut boards = boards(&desk.ledger, &desk.bench).await?;
        boards.retain(|b| asked.receiver.as_ref().is_none_or(|id| *id == b.id));
        if out.json {
            out.document(&json!({ "receivers": boards }))?;
        } else {
            boards.iter().for_each(|board| print_board(board, out));
        }
        if boards.iter().all(|b| b.waiting == 0) {
            return Ok(clean(&boards));
        }
        tokio::time::sleep(Duration::from_secs(1)).await;
    }
}

fn print_board(board: &Board, out: &Output) {
    let mut parts = vec![format!("{} wait", board.waiting)];
    if let Some(at) = &board.oldest_at {
        parts[0] += &format!(", the oldest for {} (since {at})", span(board.oldest_s));
    }
    for (count, what) in [(board.kept_back, "kept back"), (board.refused, "refused")] {
        if count > 0 {
            parts.push(format!("{count} {what}"));
        }
    }
    parts.push(format!("{} accepted today", board.accepted_today));
    if board.late {
        parts.push("late".into());
    }
    out.line(&format!("{}: {}", board.id, parts.join("; ")));
    out.line(&format!("    {}", moving(board)));
}

/// Whether it moves, how fast, or why not.
fn moving(board: &Board) -> String {
    let why = |text: &Option<String>| text.clone().unwrap_or_else(|| "by a person".into());
    if !board.configured {
        return "not configured here: configure it again, or set them aside".into();
    }
    if board.stopped {
        return format!("stopped: {}; `wickline queue resume {}`", why(&board.detail), board.id);
    }
    if board.paused {
        let why = board.paused_for.as_ref().map(|why| format!(": {why}")).unwrap_or_default();
        return format!("paused{why}; `wickline queue resume {}` lets it go on", board.id);
    }
    if board.waiting == 0 {
        return "nothing waits".into();
    }
    if board.no_daemon {
        return "nothing goes: no daemon runs; `systemctl status wickline`".into();
    }
    let rate = board.answered_last_minute;
    match (&board.reason, board.empty_in_s) {
        (Some(reason), _) => {
            let next = board.next_attempt_at.as_deref().unwrap_or("soon");
            format!("not moving, {reason}: {}; next try {next}", why(&board.detail))
        }
        (None, Some(seconds)) => {
            format!("{rate} answered in the last minute: empty in about {}", span(seconds))
        }
        (None, None) => "nothing was answered in the last minute; is the daemon running?".into(),
    }
}

fn print_items(items: &[QueueItem], all: i64, asked: &Asked, out: &Output) {
    if items.is_empty() {
        out.line("nothing to show: every message was accepted or set aside");
        return;
    }
    let rows: Vec<_> = items
        .iter()
        .map(|i| {
            vec![
                plain(&i.message),
                plain(i.specimen.as_deref().unwrap_or("-")),
                class(&i.class),
                plain(&i.analyzer),
                plain(i.number.as_deref().unwrap_or("-")),
                plain(short_time(i.taken_at.as_deref())),
                state(i.state.shown(i.on_hold)),
                plain(i.attempts.to_string()),
                plain(short_time(i.next_attempt_at.as_deref())),
                plain(i.detail.as_deref().or(i.reason.as_deref()).unwrap_or("")),
            ]
        })
        .collect();
    out.table(
        &[
            "id", "specimen", "class", "analyzer", "number", "taken", "state", "tries", "next try",
            "why",
        ],
        &rows,
    );
    let shown = i64::try_from(items.len()).unwrap_or(0);
    if shown == asked.limit && all > shown {
        let last = items.last().map_or("", |i| i.control_id.as_str());
        out.line(&format!("{shown} shown; `wickline queue --after {last}` has the next"));
    }
}

/// `queue counts`: for comparing with what the receiver counts.
pub async fn counts(desk: &Desk, day: Option<&str>, out: &Output) -> Answer {
    let clock = desk.clock();
    let day = day.map_or_else(|| clock.day(clock::now_us()), str::to_owned);
    if clock.day_span(&day).is_none() {
        return Err(Failure::wrong(format!("`{day}` is not a date; write YYYY-MM-DD")));
    }
    let mut counts = Vec::new();
    for receiver in desk.ledger.receivers().await? {
        counts.push(desk.ledger.accepted_on(&receiver, &day, clock).await?);
    }
    let open = desk.ledger.open_by_analyzer().await?;
    if out.json {
        out.document(&json!({"day": day, "items": counts, "open": open}))?;
        return Ok(Exit::Done);
    }
    let dash = |text: &Option<String>| plain(text.as_deref().unwrap_or("-"));
    let rows: Vec<_> = counts
        .iter()
        .map(|c| {
            vec![
                plain(&c.receiver),
                plain(c.accepted.to_string()),
                dash(&c.first_control_id),
                dash(&c.last_control_id),
            ]
        })
        .collect();
    out.line(&format!("accepted on {day}, by the time of the acknowledgment"));
    out.table(&["receiver", "accepted", "first control id", "last control id"], &rows);
    if open.is_empty() {
        out.line("nothing waits and nothing is refused");
        return Ok(Exit::Done);
    }
    let rows: Vec<_> = open
        .iter()
        .map(|o| {
            let messages = plain(o.messages.to_string());
            vec![plain(&o.receiver), plain(&o.analyzer), state(&o.state), messages]
        })
        .collect();
    out.table(&["receiver", "analyzer", "state", "messages"], &rows);
    Ok(Exit::Done)
}
