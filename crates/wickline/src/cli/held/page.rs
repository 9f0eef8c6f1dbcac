//! Held reports for people: the list, urgent first; one whole, print and readings beside each other.

use serde_json::json;
use wickline_normalize::Reason;
use wickline_normalize::readings::Reading;

use crate::acts::comparing::{Difference, beside, texts};
use crate::cli::output::{Output, Tone, class, plain, short_time, span};
use crate::cli::{Answer, Desk, Exit, Failure, id};
use crate::clock::{self, SiteClock};
use crate::sheet::todo::remedy_words;
use crate::store::lists::reports::{AskedHeld, Item, Kept};
use crate::store::state::State;
use crate::store::trail::Row;

/// Characters of a printed line beside which its reading stands.
const WIDEST: usize = 44;

/// A page of the list, with what to do first at its end.
pub fn list(items: &[Item], all: i64, asked: AskedHeld, clock: &SiteClock, out: &Output) {
    let now = clock::now_us();
    let rows: Vec<_> = items
        .iter()
        .map(|i| {
            let taken = i.taken_at.as_deref().or(i.heard_at.as_deref());
            vec![
                plain(&i.id),
                plain(short_time(taken)),
                plain(age(i, clock, now)),
                urgency(i),
                plain(i.specimen.as_deref().filter(|s| !s.is_empty()).unwrap_or("-")),
                plain(&i.analyzer),
                plain(i.number.as_deref().unwrap_or("-")),
                (i.reasons().join(", "), Tone::Bad),
                plain(i.detail.as_deref().unwrap_or("")),
            ]
        })
        .collect();
    let head = ["id", "date", "age", "class", "specimen", "analyzer", "number", "reason", "detail"];
    out.table(&head, &rows);
    let shown = i64::try_from(items.len()).unwrap_or(0);
    match items.last().filter(|_| shown == asked.limit && shown < all) {
        Some(last) => out.line(&format!(
            "{shown} of {all} shown; `wickline held --after {}` has the next",
            last.id
        )),
        None if shown < all => out.line(&format!("{shown} of {all} shown, to the last")),
        None => {}
    }
    if let Some(first) = items.first() {
        out.line(&format!(
            "`wickline held show {}` shows the first whole, and what lets it go",
            first.id
        ));
    }
}

/// Its class, and that it is urgent by its order alone.
fn urgency(item: &Item) -> (String, Tone) {
    match item.urgent && item.class != "stat" {
        true => ("URGENT by order".into(), Tone::Bad),
        false => class(&item.class),
    }
}

/// How long ago it was heard.
fn age(item: &Item, clock: &SiteClock, now: i64) -> String {
    let heard = item.heard_at.as_deref().and_then(clock::moment_of).and_then(|m| clock.us(m));
    heard.map_or_else(|| "-".to_owned(), |at| span((now - at).max(0) / 1_000_000))
}

/// `held show`
pub async fn show(desk: &Desk, text: &str, out: &Output) -> Answer {
    let n = id(text)?;
    let Some(kept) = desk.ledger.report(n, desk.clock()).await? else {
        return Err(Failure::wrong(format!(
            "there is no report {text}; `wickline held` lists them"
        )));
    };
    let (earlier, rows) = compared(desk, n, &kept).await?.unzip();
    let corrected: Vec<Row> = desk.ledger.history(n, &[]).await?;
    let corrected: Vec<Row> = corrected.into_iter().filter(|r| r.verb == "correct").collect();
    let lines: Vec<&str> = kept.print.lines.iter().map(|l| l.text.expose()).collect();
    let words = texts(&kept.readings);
    if out.json {
        let mut value = serde_json::to_value(&kept.item).unwrap_or_default();
        value["lines"] = json!(lines);
        value["readings"] = json!(kept.readings);
        let word = |(name, text): &(String, String)| json!({"analyte": name, "text": text});
        value["in_words"] = words.iter().map(word).collect();
        if let (Some(earlier), Some(rows)) = (&earlier, &rows) {
            value["beside"] = json!({"id": earlier.to_string(), "readings": rows});
        }
        value["corrected"] = json!(corrected);
        out.document(&value)?;
    } else {
        head(&kept.item, out);
        side_by_side(&lines, &kept.readings, &words, out);
        foot(&kept.item, out);
        for row in &corrected {
            let [was, became] = [&row.was, &row.became].map(|t| t.as_deref().unwrap_or("-"));
            out.line(&format!("corrected by {}: {was} -> {became}", row.who));
        }
        if let (Some(earlier), Some(rows)) = (earlier, rows) {
            before_and_after(earlier, &kept.item, &rows, out);
        }
    }
    Ok(if kept.item.state == State::Held { Exit::NotClean } else { Exit::Done })
}

/// What a held report is to be decided against, or what one corrected: both versions of every analyte.
async fn compared(
    desk: &Desk,
    n: i64,
    kept: &Kept,
) -> Result<Option<(i64, Vec<Difference>)>, Failure> {
    if let Some(earlier) = kept.item.corrects.as_deref().map(id).transpose()? {
        let before = desk.ledger.report(earlier, desk.clock()).await?;
        return Ok(before.map(|b| (earlier, beside(&texts(&b.readings), &texts(&kept.readings)))));
    }
    match kept.item.state {
        State::Held => Ok(desk.ledger.side_by_side(n).await?),
        _ => Ok(None),
    }
}

fn head(item: &Item, out: &Output) {
    let dash = |text: &Option<String>| text.clone().unwrap_or_else(|| "-".into());
    out.pieces(&[
        plain(format!("report {}   {} number {}   ", item.id, item.analyzer, dash(&item.number))),
        class(&item.class),
        plain(format!("   specimen {}   {}", dash(&item.specimen), item.state)),
    ]);
    out.line(&format!("taken {}   heard {}", dash(&item.taken_at), dash(&item.heard_at)));
}

/// Each printed line, and beside the first line of a reading what was read there.
fn side_by_side(lines: &[&str], readings: &[Reading], words: &[(String, String)], out: &Output) {
    let longest = lines.iter().map(|l| l.chars().count()).max().unwrap_or(0).min(WIDEST);
    for (number, line) in lines.iter().enumerate() {
        let here = readings.iter().zip(words).filter(|(r, _)| r.lines.first() == Some(&number));
        let here: Vec<String> =
            here.map(|(_, (name, text))| format!("{name} {text}").trim_end().to_owned()).collect();
        let text = format!("{:>4} | {line}", number + 1);
        if here.is_empty() {
            out.line(&text);
        } else {
            let fill = (longest + 7).saturating_sub(text.chars().count());
            out.line(&format!("{text}{} | {}", " ".repeat(fill), here.join("; ")));
        }
    }
}

fn foot(item: &Item, out: &Output) {
    for hold in &item.holds {
        let line = hold.line.map_or(String::new(), |l| format!(" (line {})", l + 1));
        let cleared = if hold.cleared { " [cleared]" } else { "" };
        out.line(&format!("{}{line}{cleared}: {}", hold.reason, hold.detail));
        if let (Ok(reason), false) = (hold.reason.parse::<Reason>(), hold.cleared) {
            out.line(&format!("      what lets it go: {}", remedy_words(reason, &item.id)));
        }
    }
    if let Some(earlier) = &item.corrects {
        out.line(&format!("corrects report {earlier}"));
    }
    for delivery in &item.deliveries {
        let amends = delivery.amends.as_deref().map_or(String::new(), |a| format!(" ({a})"));
        out.line(&format!(
            "{} {} {}{amends}",
            delivery.receiver, delivery.control_id, delivery.state
        ));
    }
}

/// Two versions: what went out, and what is held or took its place.
fn before_and_after(earlier: i64, own: &Item, rows: &[Difference], out: &Output) {
    let table: Vec<_> = rows
        .iter()
        .map(|row| {
            let tone = if row.before == row.after { Tone::Plain } else { Tone::Bad };
            vec![(row.what.clone(), tone), (row.before.clone(), tone), (row.after.clone(), tone)]
        })
        .collect();
    let (was, after) =
        if own.state == State::Held { ("sent", "held") } else { ("before", "after") };
    let before = format!("report {earlier}, {was}");
    out.table(&["analyte", &before, &format!("report {}, {after}", own.id)], &table);
}
