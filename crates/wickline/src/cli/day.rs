//! `day`: every number of a day with its place on the way, and what is outstanding.

use std::path::PathBuf;

use clap::Args;
use serde_json::json;

use super::output::{Output, Tone, plain, state};
use super::{Answer, Desk, Exit, Failure};
use crate::clock;
use crate::store::ledger::state::State;
use crate::store::ledger::views::{Item, totals};

/// `wickline day` for today, `wickline day 2026-03-14` for another
#[derive(Debug, Args)]
pub struct Options {
    /// Local date, YYYY-MM-DD [default: today]
    date: Option<String>,
}

pub async fn day(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let desk = Desk::open(config).await?;
    let date = match options.date {
        None => desk.clock().day(clock::now_us()),
        Some(text) => text
            .parse::<jiff::civil::Date>()
            .map(|d| d.to_string())
            .map_err(|_| Failure::wrong(format!("`{text}` is not a date; write YYYY-MM-DD")))?,
    };
    let items = desk.ledger.day(&date, desk.clock()).await?;
    show(&desk.bench.site_name, &date, &items, out)?;
    Ok(if outstanding(&items).next().is_some() { Exit::NotClean } else { Exit::Done })
}

fn outstanding(items: &[Item]) -> impl Iterator<Item = &Item> {
    items.iter().filter(|i| !State::of(&i.state).is_done())
}

/// Prints a day sheet.
pub fn show(site: &str, date: &str, items: &[Item], out: &Output) -> std::io::Result<()> {
    let sums = totals(items.iter().map(|i| i.state.as_str()));
    if out.json {
        return out.document(&json!({"date": date, "items": items, "totals": sums}));
    }
    out.line(&format!("{site}   day sheet of {date}"));
    if items.is_empty() {
        out.line("nothing was heard on this day");
        return Ok(());
    }
    let rows: Vec<_> = items.iter().map(row).collect();
    out.table(
        &["id", "analyzer", "number", "class", "specimen", "heard", "state", "reason", "detail"],
        &rows,
    );
    let sums: Vec<String> =
        sums.iter().filter(|(_, n)| **n > 0).map(|(state, n)| format!("{n} {state}")).collect();
    out.line(&format!("in all: {}", sums.join(", ")));
    let open = outstanding(items).count();
    out.line(&if open == 0 {
        "nothing is outstanding".to_owned()
    } else {
        format!("{open} outstanding: see `wickline held` and `wickline queue`")
    });
    out.line(
        "A carrier, not a medical device: review results as your laboratory's procedures say.",
    );
    Ok(())
}

fn row(item: &Item) -> Vec<(String, Tone)> {
    let class = match &item.level {
        Some(level) => format!("{} {level}", item.class),
        None => item.class.clone(),
    };
    let heard = item.heard_at.as_deref().and_then(|t| t.get(11..19)).unwrap_or("-");
    let id = if item.heard_at.is_some() { item.id.as_str() } else { "-" };
    let detail = match &item.repeat_of {
        Some(of) => format!("same as report {of}"),
        None => item.detail.clone().unwrap_or_default(),
    };
    vec![
        plain(id),
        plain(&item.analyzer),
        plain(item.number.as_deref().unwrap_or("-")),
        plain(class),
        plain(item.specimen.as_deref().unwrap_or("-")),
        plain(heard),
        state(&item.state),
        plain(item.reason.as_deref().unwrap_or("")),
        plain(detail),
    ]
}
