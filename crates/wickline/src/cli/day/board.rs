//! The day sheet at a terminal: as many columns as fit a hundred characters, or all of them.

use super::super::output::{Output, Tone, plain, state};
use crate::sheet::barriers::Barriers;
use crate::sheet::sums::PARTS;
use crate::sheet::todo::{Todo, only_waits};
use crate::sheet::{Line, Sheet, time_on, waits};
use crate::store::state::State;

/// Characters of a line.
const WIDTH: usize = 100;
/// Of an id, a number or a specimen id at most, where not every column is asked for.
const LONGEST: usize = 20;
/// Between two columns.
const GAP: usize = 2;

/// Prints a day sheet.
pub fn show(sheet: &Sheet, wide: bool, out: &Output) -> std::io::Result<()> {
    if out.json {
        return out.document(sheet);
    }
    let of = sheet.analyzer.as_ref().map_or(String::new(), |a| format!(", {a} alone"));
    out.line(&format!("{}   day sheet of {}{of}", sheet.site, sheet.date));
    for notice in &sheet.notices {
        out.pieces(&[(format!("{notice}. See `wickline ledger notices`"), Tone::Bad)]);
    }
    sheet.replaced.iter().for_each(|text| out.line(&text.to_string()));
    sheet.turned_away.iter().for_each(|text| out.line(&text.to_string()));
    sheet.questions.iter().for_each(|text| out.line(&text.to_string()));
    if sheet.lines.is_empty() {
        out.line("nothing was heard on this day");
    } else {
        if wide {
            all_columns(sheet, out)
        } else {
            tables(sheet, out)
        }
        sums(sheet, out);
    }
    sheet.unheard.iter().for_each(|order| out.line(&order.to_string()));
    sheet.review.iter().chain(&sheet.care).for_each(|text| out.line(&text.to_string()));
    outstanding(sheet, out);
    closing(sheet, out);
    for day in &sheet.earlier {
        let text = format!("still open on {day}: wickline day {}", day.day);
        out.pieces(&[(text, Tone::Bad)]);
    }
    out.line(
        "A carrier, not a medical device: review results as your laboratory's procedures say.",
    );
    Ok(())
}

/// A table for each analyzer.
fn tables(sheet: &Sheet, out: &Output) {
    let mut rest = sheet.lines.as_slice();
    while let Some(first) = rest.first() {
        let analyzer = &first.item.analyzer;
        let own = rest.iter().take_while(|l| l.item.analyzer == *analyzer).count();
        let (lines, after) = rest.split_at(own);
        rest = after;
        out.line(analyzer);
        let head = ["id", "number", "class", "specimen", "taken", "state", "about"];
        let mut rows: Vec<Vec<(String, Tone)>> =
            lines.iter().map(|line| row(&sheet.date, line)).collect();
        let widest = |column: usize| {
            let cells = rows.iter().filter_map(|row| row.get(column));
            let cells = cells.map(|(text, _)| text.chars().count());
            cells.chain(head.get(column).map(|h| h.len())).max().unwrap_or(0)
        };
        let used: usize = (0..head.len() - 1).map(|column| widest(column) + GAP).sum();
        let room = WIDTH.saturating_sub(used);
        for row in &mut rows {
            if let Some((text, _)) = row.last_mut() {
                *text = cut(text, room);
            }
        }
        out.table(&head, &rows);
    }
}

fn row(date: &str, line: &Line) -> Vec<(String, Tone)> {
    let item = &line.item;
    let short = |text: Option<&str>| plain(cut(text.unwrap_or("-"), LONGEST));
    vec![
        plain(if line.is_heard() { item.id.as_str() } else { "-" }),
        short(item.number.as_deref()),
        plain(line.class()),
        short(item.specimen.as_deref()),
        plain(time_on(date, item.taken_at.as_deref().map(minutes))),
        state(item.state.text()),
        plain(about(line)),
    ]
}

/// A time without its offset: it stands beside times of the same place.
fn minutes(time: &str) -> &str {
    time.get(..19).unwrap_or(time)
}

/// A text in so many characters, its end left out.
fn cut(text: &str, room: usize) -> String {
    if text.chars().count() <= room {
        return text.to_owned();
    }
    let kept: String = text.chars().take(room.saturating_sub(1)).collect();
    kept + "\u{2026}"
}

/// What there is to say of a line beside its state.
fn about(line: &Line) -> String {
    let mut said: Vec<String> = line.notes.iter().map(ToString::to_string).collect();
    let reason = reason(line);
    if !reason.is_empty() {
        said.push(reason);
    }
    if line.item.deliveries.len() > 1 {
        said.push(line.way());
    }
    said.join("; ")
}

fn reason(line: &Line) -> String {
    let item = &line.item;
    match (&item.reason, &item.repeat_of) {
        (_, Some(_)) => line.detail(),
        (Some(reason), _) if item.state == State::Explained => {
            format!("{reason}: {}", line.detail())
        }
        // Why a person decided so stands beside it; what is open is told below.
        (None, _) if !item.is_open() => line.detail(),
        (reason, _) => reason.clone().unwrap_or_default(),
    }
}

fn all_columns(sheet: &Sheet, out: &Output) {
    let head = [
        "id",
        "analyzer",
        "number",
        "class",
        "specimen",
        "taken",
        "heard",
        "state",
        "at receivers",
        "notes",
        "reason",
    ];
    let row = |line: &Line| {
        let item = &line.item;
        vec![
            plain(if line.is_heard() { item.id.as_str() } else { "-" }),
            plain(&item.analyzer),
            plain(item.number.as_deref().unwrap_or("-")),
            plain(line.class()),
            plain(item.specimen.as_deref().unwrap_or("-")),
            plain(time_on(&sheet.date, item.taken_at.as_deref())),
            plain(time_on(&sheet.date, item.heard_at.as_deref())),
            state(item.state.text()),
            plain(line.way()),
            plain(line.noted().to_string()),
            plain(reason(line)),
        ]
    };
    out.table(&head, &sheet.lines.iter().map(row).collect::<Vec<_>>());
}

/// The sums of each receiver, with the check.
fn sums(sheet: &Sheet, out: &Output) {
    let named = sheet.totals.iter().filter(|(_, n)| **n > 0);
    let named: Vec<String> = named.map(|(state, n)| format!("{n} {state}")).collect();
    out.line(&format!("in all: {}", named.join(", ")));
    let mut head = vec!["receiver", "heard", "="];
    head.extend(PARTS.iter().map(|s| s.text()));
    let rows: Vec<Vec<_>> = sheet
        .receivers
        .iter()
        .map(|(receiver, counts)| {
            let of = |state: &str| counts.get(state).copied().unwrap_or(0);
            let heard = of("heard");
            let adds_up = heard == PARTS.iter().map(|s| of(s.text())).sum::<u64>();
            let sign = if adds_up { plain("=") } else { ("DIFFERS".into(), Tone::Bad) };
            let mut cells = vec![plain(receiver), plain(heard.to_string()), sign];
            cells.extend(PARTS.iter().map(|s| plain(of(s.text()).to_string())));
            cells
        })
        .collect();
    if !rows.is_empty() {
        out.table(&head, &rows);
    }
    for fault in &sheet.faults {
        out.pieces(&[(format!("THIS SHEET DOES NOT ADD UP: {fault}"), Tone::Bad)]);
    }
}

fn outstanding(sheet: &Sheet, out: &Output) {
    let open: Vec<&Line> = sheet.open().collect();
    if open.is_empty() {
        out.line("nothing is outstanding on this day");
        return;
    }
    out.line(&format!("{} outstanding, and what to do:", sheet.outstanding));
    tell_all(&open, &sheet.barriers, out);
}

/// What each needs; those that only wait for their receivers are counted.
pub(super) fn tell_all(lines: &[&Line], barriers: &Barriers, out: &Output) {
    for line in lines.iter().filter(|l| !only_waits(&l.item)) {
        let item = &line.item;
        let (analyzer, name, state) = (&item.analyzer, line.name(), &item.state);
        let detail = item.detail.as_ref().map_or(String::new(), |d| format!(": {d}"));
        tell(out, &format!("{analyzer} {name}   {state}{detail}"), 2);
        if let Some(Todo { words, command }) = &line.todo {
            let ends = if command.is_some() { ":" } else { "" };
            tell(out, &format!("{words}{ends}"), 6);
            // A command stands alone, so that it can be copied whole.
            command.iter().for_each(|command| out.line(&format!("      {command}")));
        }
    }
    for one in waits(lines.iter().map(|l| &l.item), barriers) {
        let ends = if one.command.is_some() { ":" } else { "" };
        tell(out, &format!("{} waiting: {}{ends}", one.count, one.words), 2);
        one.command.iter().for_each(|command| out.line(&format!("      {command}")));
    }
}

/// A text in lines that fit, set in by so much. A command between backticks stays whole.
fn tell(out: &Output, text: &str, indent: usize) {
    let mut line = String::new();
    let mut inside = false;
    let ends = |c: char| {
        inside ^= c == '`';
        c == ' ' && !inside
    };
    for word in text.split(ends) {
        let long = line.chars().count() + 1 + word.chars().count() + indent > WIDTH;
        if long && !line.trim().is_empty() {
            out.line(&format!("{:indent$}{}", "", line.trim_end()));
            line = "  ".to_owned();
        } else if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    out.line(&format!("{:indent$}{line}", ""));
}

fn closing(sheet: &Sheet, out: &Output) {
    let Some(closed) = &sheet.closed else {
        out.line("not closed");
        return;
    };
    tell(out, &format!("closed by {} at {}; last: {}", closed.who, closed.at, sheet.last()), 0);
    for line in sheet.after() {
        let text =
            format!("after closing: {} {}, {}", line.item.analyzer, line.name(), line.item.state);
        out.pieces(&[(text, Tone::Bad)]);
    }
}
