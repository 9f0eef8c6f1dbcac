//! `day`: every number of a day with its place on the way, what is outstanding and what to do; its
//! missing numbers explained, and the day closed, by a person.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use serde_json::json;

use super::output::{Output, Tone, plain, state};
use super::status::elsewhere;
use super::{Answer, As, Desk, Exit, Failure, Why};
use crate::acts::closing::{Closing, Confirmed};
use crate::acts::explaining::Explanation;
use crate::clock;
use crate::sheet::now::About;
use crate::sheet::sums::PARTS;
use crate::sheet::todo::{goes_by_itself, todo};
use crate::sheet::{Line, Sheet, time_on};
use crate::store::lists::reports::Item;

/// `wickline day` for today, `wickline day 2026-03-14` for another
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Options {
    /// Local date, YYYY-MM-DD [default: today]
    date: Option<String>,
    /// One analyzer alone
    #[arg(long, value_name = "ID")]
    analyzer: Option<String>,
    /// Write the sheet to FILE instead, for A4 paper; it holds specimen ids
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    #[command(subcommand)]
    act: Option<Act>,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// Say why a number never came: `day explain 41-44 --reason "paper jam, strips run again"`
    Explain {
        /// Numbers as the sheet has them, ranges of them, or ids of the sheet
        #[arg(required = true, value_name = "NUMBER")]
        numbers: Vec<String>,
        #[command(flatten)]
        why: Why,
        /// Needed where two analyzers miss the same number
        #[arg(long, value_name = "ID")]
        analyzer: Option<String>,
        /// Local date, YYYY-MM-DD [default: today]
        #[arg(long)]
        date: Option<String>,
        #[command(flatten)]
        who: As,
    },
    /// Close a day once nothing is outstanding: `day close 2026-03-14 --last bench-1=57 --last bench-2=none`
    Close {
        /// Local date, YYYY-MM-DD
        date: String,
        /// The last number that an analyzer itself shows, one for each mark; `none` if it shows none
        #[arg(long, value_name = "ID=NUMBER")]
        last: Vec<String>,
        #[command(flatten)]
        who: As,
    },
}

pub async fn day(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let desk = Desk::open(config).await?;
    match options.act {
        None => {
            let date = date_of(&desk, options.date.as_deref())?;
            sheet(&desk, &date, options.analyzer.as_deref(), options.html.as_deref(), out).await
        }
        Some(Act::Explain { numbers, why, analyzer, date, who }) => {
            let day = date_of(&desk, date.as_deref())?;
            let reason = desk.reason(&why, out)?;
            let what = Explanation { day, analyzer, numbers, reason };
            let ids = desk.ledger.day_explain(&desk.actor(&who)?, desk.clock(), &what).await?;
            explained(&ids, out)?;
            Ok(Exit::Done)
        }
        Some(Act::Close { date, last, who }) => {
            let date = date_of(&desk, Some(&date))?;
            close(&desk, &date, &last, &who, out).await
        }
    }
}

fn date_of(desk: &Desk, text: Option<&str>) -> Result<String, Failure> {
    let today = desk.clock().day(clock::now_us());
    let Some(text) = text else { return Ok(today) };
    text.parse::<jiff::civil::Date>()
        .map(|d| d.to_string())
        .map_err(|_| Failure::wrong(format!("`{text}` is not a date; write YYYY-MM-DD")))
}

async fn sheet(
    desk: &Desk,
    date: &str,
    analyzer: Option<&str>,
    html: Option<&Path>,
    out: &Output,
) -> Answer {
    let sheet = Sheet::read(&desk.ledger, &desk.bench, date, analyzer).await?;
    if let Some(id) =
        analyzer.filter(|a| sheet.lines.is_empty() && desk.bench.analyzer(a).is_none())
    {
        let known: Vec<&str> = desk.bench.analyzers.iter().map(|a| a.id.as_str()).collect();
        let known = known.join(", ");
        return Err(Failure::wrong(format!("there is no analyzer {id}; configured: {known}")));
    }
    match html {
        Some(path) => paper(desk, &sheet, path, out).await?,
        None => {
            show(&sheet, out)?;
            elsewhere(desk, &[About::Held, About::Refused, About::Missing], Some(date), out)
                .await?;
        }
    }
    if let Some(fault) = sheet.faults.first() {
        let text = format!(
            "the day sheet of {date} does not add up: {fault}. Do not rely on it; keep a copy of the \
             ledger and look for what changed it"
        );
        return Err(Failure { exit: Exit::Unsafe, text });
    }
    Ok(if sheet.open().next().is_some() { Exit::NotClean } else { Exit::Done })
}

async fn paper(desk: &Desk, sheet: &Sheet, path: &Path, out: &Output) -> Result<(), Failure> {
    let head = desk.ledger.trail_head().await?;
    // Long enough to know it again by `trail verify --known`, short enough to be copied by hand.
    let seal = format!("{}:{}", head.n, head.hash.get(..16).unwrap_or(&head.hash));
    let text =
        sheet.html(&desk.bench, Some(&seal)).map_err(|e| Failure::unreachable(e.to_string()))?;
    std::fs::write(path, text)
        .map_err(|e| Failure::unreachable(format!("{}: {e}", path.display())))?;
    if out.json {
        out.document(sheet)?;
    }
    let path = path.display();
    out.line(&format!(
        "day sheet of {} on {path}; it holds specimen ids: keep it as you keep reports",
        sheet.date
    ));
    Ok(())
}

/// Prints a day sheet.
pub fn show(sheet: &Sheet, out: &Output) -> std::io::Result<()> {
    if out.json {
        return out.document(sheet);
    }
    let of = sheet.analyzer.as_ref().map_or(String::new(), |a| format!(", {a} alone"));
    out.line(&format!("{}   day sheet of {}{of}", sheet.site, sheet.date));
    if sheet.lines.is_empty() {
        out.line("nothing was heard on this day");
    } else {
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
            "reason",
        ];
        let rows: Vec<_> = sheet.lines.iter().map(|line| row(&sheet.date, line)).collect();
        out.table(&head, &rows);
        sums(sheet, out);
    }
    outstanding(sheet, out);
    closing(sheet, out);
    out.line(
        "A carrier, not a medical device: review results as your laboratory's procedures say.",
    );
    Ok(())
}

fn row(date: &str, line: &Line) -> Vec<(String, Tone)> {
    let item = &line.item;
    let reason = match (&item.reason, &item.repeat_of) {
        (_, Some(_)) => line.detail(),
        // Why a person decided so stands beside it; what is open is told below.
        (None, _) if !item.is_open() => line.detail(),
        (Some(reason), _) if item.state == "explained" => format!("{reason}: {}", line.detail()),
        (reason, _) => reason.clone().unwrap_or_default(),
    };
    vec![
        plain(if line.is_heard() { item.id.as_str() } else { "-" }),
        plain(&item.analyzer),
        plain(item.number.as_deref().unwrap_or("-")),
        plain(line.class()),
        plain(item.specimen.as_deref().unwrap_or("-")),
        plain(time_on(date, item.taken_at.as_deref())),
        plain(time_on(date, item.heard_at.as_deref())),
        state(&item.state),
        plain(line.way()),
        plain(reason),
    ]
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
    let open: Vec<&Item> = sheet.open().map(|l| &l.item).collect();
    if open.is_empty() {
        out.line("nothing is outstanding");
        return;
    }
    out.line(&format!("{} outstanding, and what to do:", open.len()));
    tell_all(&open, &sheet.date, out);
}

/// What each needs; those that go on by themselves are counted.
fn tell_all(items: &[&Item], date: &str, out: &Output) {
    let (moving, acts): (Vec<&Item>, Vec<&Item>) =
        items.iter().partition(|item| goes_by_itself(item));
    for item in acts {
        tell(item, todo(item, date).as_deref(), out);
    }
    if !moving.is_empty() {
        let count = moving.len();
        out.line(&format!(
            "  {count} waiting: nothing but time, they go by themselves; `wickline queue` shows when"
        ));
    }
}

fn tell(item: &Item, todo: Option<&str>, out: &Output) {
    let name = item.number.clone().unwrap_or_else(|| format!("report {}", item.id));
    let detail = item.detail.as_ref().map_or(String::new(), |d| format!(": {d}"));
    out.line(&format!("  {} {name}   {}{detail}", item.analyzer, item.state));
    if let Some(todo) = todo {
        out.line(&format!("      {todo}"));
    }
}

fn closing(sheet: &Sheet, out: &Output) {
    let Some(closed) = &sheet.closed else {
        out.line("not closed");
        return;
    };
    out.line(&format!("closed by {} at {}; last: {}", closed.who, closed.at, sheet.last()));
    for line in sheet.after() {
        let text =
            format!("after closing: {} {}, {}", line.item.analyzer, line.name(), line.item.state);
        out.pieces(&[(text, Tone::Bad)]);
    }
}

fn explained(ids: &[String], out: &Output) -> std::io::Result<()> {
    if out.json {
        let items: Vec<_> = ids.iter().map(|id| json!({"id": id, "state": "explained"})).collect();
        return out.document(&json!({ "items": items }));
    }
    for id in ids {
        out.line(&format!("{id} is now explained"));
    }
    Ok(())
}

/// `bench-1=57`, or `bench-1=none`.
fn confirmed(text: &str) -> Result<Confirmed, Failure> {
    let parts = text.split_once('=').map(|(a, n)| (a.trim(), n.trim()));
    let Some((analyzer, number)) = parts.filter(|(a, n)| !a.is_empty() && !n.is_empty()) else {
        return Err(Failure::wrong(format!(
            "--last `{text}`: write the analyzer and the number that it shows, such as bench-1=57, or \
             bench-1=none"
        )));
    };
    let last = (number != "none").then(|| number.to_owned());
    Ok(Confirmed { analyzer: analyzer.to_owned(), last })
}

async fn close(desk: &Desk, date: &str, last: &[String], who: &As, out: &Output) -> Answer {
    if date > desk.clock().day(clock::now_us()).as_str() {
        return Err(Failure::wrong(format!("{date} has not begun: close it when it is over")));
    }
    let confirmed = last.iter().map(|t| confirmed(t)).collect::<Result<Vec<_>, _>>()?;
    let actor = desk.actor(who)?;
    let mut answer = json!({"date": date, "closed": false, "missing": {}, "items": []});
    let closing = desk.ledger.day_close(&desk.bench, &actor, date, &confirmed).await?;
    let exit = match closing {
        Closing::Closed { again } => {
            answer["closed"] = json!(true);
            let before = if again { " again; it was closed before" } else { "" };
            out.line(&format!("{date} is closed by {}{before}", actor.name));
            Exit::Done
        }
        Closing::Entered(missing) => {
            for (analyzer, numbers) in &missing {
                let numbers = numbers.join(" ");
                out.line(&format!("{analyzer} gave these out and they did not come: {numbers}"));
            }
            answer["missing"] = json!(missing.into_iter().collect::<BTreeMap<_, _>>());
            out.line(&format!(
                "{date} is not closed: they are on its sheet as missing now; have them sent again or \
                 explain them, then close it"
            ));
            Exit::NotClean
        }
        Closing::Outstanding(items) => {
            out.line(&format!("{date} is not closed, {} outstanding:", items.len()));
            tell_all(&items.iter().collect::<Vec<_>>(), date, out);
            let lines = items.into_iter().map(|item| Line { todo: todo(&item, date), item });
            answer["items"] = json!(lines.collect::<Vec<_>>());
            Exit::NotClean
        }
    };
    if out.json {
        out.document(&answer)?;
    }
    Ok(exit)
}
