//! The queue in one look: for each receiver what waits, since when, how fast it moves or why not.

use std::time::Duration;

use serde::Serialize;
use serde_json::json;

use super::super::output::{Output, class, plain, short_time, span, state};
use super::super::{Answer, Desk, Exit, Failure};
use crate::cli::status::elsewhere;
use crate::clock;
use crate::daemon;
use crate::sheet::now::About;
use crate::store::lists::queue::{Asked, QueueItem};
use crate::store::lists::reports::totals;
use crate::store::rows::queue::lease_name;

/// One receiver's queue, as people and programs see it.
#[derive(Debug, Serialize)]
struct Board {
    id: String,
    configured: bool,
    paused: bool,
    /// Why the daemon paused it. None: a person did, or the configuration.
    paused_for: Option<String>,
    stopped: bool,
    late: bool,
    waiting: i64,
    kept_back: i64,
    refused: i64,
    set_aside: i64,
    oldest_at: Option<String>,
    oldest_s: i64,
    answered_last_minute: i64,
    /// Seconds until nothing waits, at the rate of the last minute.
    empty_in_s: Option<i64>,
    accepted_today: i64,
    first_control_id: Option<String>,
    last_control_id: Option<String>,
    /// Which daemon delivers, where several share the ledger.
    deliverer: Option<String>,
    /// No daemon works on this ledger, as far as that can be seen from here.
    no_daemon: bool,
    /// Why nothing moves, in the words of the queue's head.
    reason: Option<String>,
    detail: Option<String>,
    next_attempt_at: Option<String>,
}

async fn boards(desk: &Desk) -> Result<Vec<Board>, Failure> {
    let (ledger, clock) = (&desk.ledger, desk.clock());
    let now = clock::now_us();
    let leases = ledger.leases().await?;
    let no_daemon = daemon::is_locked_for(&desk.bench.ledger) == Some(false);
    let mut ids: Vec<String> = desk.bench.targets.iter().map(|t| t.id.clone()).collect();
    for id in ledger.receivers().await? {
        let counts = ledger.waiting(&id).await?;
        if !ids.contains(&id) && counts.waiting + counts.kept_back + counts.refused > 0 {
            ids.push(id);
        }
    }
    let mut boards = Vec::new();
    for id in ids {
        let counts = ledger.waiting(&id).await?;
        let gate = ledger.gate(&id).await?;
        let rate = ledger.answered_lately(&id).await?;
        let today = ledger.accepted_on(&id, &clock.day(now), clock).await?;
        let head = ledger.queue(&Asked::head(&id), clock).await?.pop();
        let target = desk.bench.targets.iter().find(|t| t.id == id);
        boards.push(Board {
            configured: target.is_some(),
            paused: gate.paused,
            paused_for: gate.detail.clone().filter(|_| gate.paused && !gate.stopped),
            stopped: gate.stopped,
            late: target.is_some_and(|t| t.is_late(counts.waiting, counts.oldest_s(now))),
            waiting: counts.waiting,
            kept_back: counts.kept_back,
            refused: counts.refused,
            set_aside: counts.set_aside,
            oldest_at: counts.oldest_at.map(|at| clock.rfc3339(at)),
            oldest_s: counts.oldest_s(now),
            answered_last_minute: rate,
            no_daemon,
            empty_in_s: (rate > 0 && !gate.paused && !gate.stopped && !no_daemon)
                .then(|| (counts.waiting * 60 + rate - 1) / rate),
            accepted_today: today.accepted,
            first_control_id: today.first_control_id,
            last_control_id: today.last_control_id,
            deliverer: leases
                .iter()
                .find(|(name, _)| *name == lease_name(&id))
                .map(|l| l.1.clone()),
            reason: head.as_ref().and_then(|h| h.reason.clone()),
            detail: gate.detail.or_else(|| head.as_ref().and_then(|h| h.detail.clone())),
            next_attempt_at: head.and_then(|h| h.next_attempt_at),
            id,
        });
    }
    Ok(boards)
}

/// `queue`: every receiver's board, then a page of messages.
pub async fn list(desk: &Desk, asked: &Asked, out: &Output) -> Answer {
    let boards = boards(desk).await?;
    let items = desk.ledger.queue(asked, desk.clock()).await?;
    let sum = |of: fn(&Board) -> i64| boards.iter().map(of).sum::<i64>();
    if out.json {
        let mut sums = totals(std::iter::empty());
        let open = [
            ("waiting", sum(|b| b.waiting + b.kept_back)),
            ("refused", sum(|b| b.refused)),
            ("set-aside", sum(|b| b.set_aside)),
        ];
        let ever = desk.ledger.messages_ever().await?;
        let accepted = ever - open.iter().map(|(_, n)| n).sum::<i64>();
        for (state, count) in open.into_iter().chain([("accepted", accepted)]) {
            sums.insert(state, u64::try_from(count).unwrap_or(0));
        }
        out.document(&json!({"items": items, "totals": sums, "receivers": boards}))?;
    } else {
        boards.iter().for_each(|board| print_board(board, out));
        let all = sum(|b| b.waiting + b.kept_back + b.refused);
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
        let mut boards = boards(desk).await?;
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
