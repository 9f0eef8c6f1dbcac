//! `purge`: what the laboratory need not keep any longer goes, after a look at what that is.

use std::path::PathBuf;

use clap::Args;
use serde_json::{Value, json};

use super::output::{Output, plain};
use super::person::{asked, can_ask};
use super::{Answer, As, Desk, Exit, Failure, Why, bench};
use crate::acts::purge::{Goes, Kept, Line, counts};
use crate::clock;
use crate::settings::bench::Bench;
use crate::store::ledger::Ledger;
use crate::store::tape::Tape;
use crate::texts::Said;

const DAY: i64 = 86_400_000_000;

/// `wickline purge` shows what would go; `wickline purge --yes` does it
#[derive(Debug, Args)]
pub struct Options {
    /// What was last touched longer ago, such as 800d [default: store.keep_days]
    #[arg(long, value_name = "DAYS", value_parser = days)]
    older_than: Option<u64>,
    /// Do it without asking, for a timer; without it and without a terminal it only shows what would go
    #[arg(long)]
    yes: bool,
    #[command(flatten)]
    why: Why,
    #[command(flatten)]
    who: As,
}

/// `400d`.
fn days(text: &str) -> Result<u64, String> {
    let number = text.strip_suffix('d').and_then(|n| n.parse().ok());
    number.filter(|n| (1..=36_500).contains(n)).ok_or("a number of days from 1d to 36500d".into())
}

/// How long things are kept, and the policy by which that is so.
struct Policy {
    days: (u64, u64),
    /// It is the configuration's.
    configured: bool,
}

impl Policy {
    fn of(options: &Options, bench: &Bench) -> Result<Self, Failure> {
        match (options.older_than, bench.keep_days) {
            (None, None) => Err(Failure::wrong(
                "nothing says how long things are kept, so nothing is purged: store.keep_days in the \
                 configuration does, or --older-than",
            )),
            (None, Some(days)) => Ok(Self { days, configured: true }),
            (Some(asked), Some((least, _))) if asked < least => Err(Failure::wrong(format!(
                "the configuration keeps {least} days (store.keep_days): {asked} are too few"
            ))),
            (Some(asked), policy) => {
                let controls = policy.map_or(asked, |(_, controls)| controls.max(asked));
                Ok(Self { days: (asked, controls), configured: false })
            }
        }
    }

    fn kept(&self, bench: &Bench) -> Kept {
        let since = |days: u64| {
            let at = clock::now_us() - i64::try_from(days).unwrap_or(i64::MAX / DAY) * DAY;
            // Whole days of the laboratory.
            bench.clock.day_span(&bench.clock.day(at)).map_or(at, |(from, _)| from)
        };
        Kept { since: since(self.days.0), controls_since: since(self.days.1) }
    }
}

pub async fn purge(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let bench = bench(config.clone())?;
    let policy = match Policy::of(&options, &bench) {
        Ok(policy) => policy,
        Err(failure) => return unpurged(config, &options, failure).await,
    };
    let kept = policy.kept(&bench);
    let ledger = Ledger::look(bench.ledger.clone()).await?;
    let tape = Tape::look(&bench.tape).await?;
    let plan = ledger.purge_plan(&bench, &tape, kept).await;
    let barred = ledger.purge_barred().await;
    tape.db().close().await?;
    ledger.close().await?;
    let (plan, barred) = (plan?, barred?);
    let many: usize = plan.iter().map(|line| line.goes.len()).sum();
    if !out.json {
        show(&plan, many, &policy, out);
    }
    let may = many > 0 && barred.is_none();
    let goes = options.yes || (may && can_ask(out) && agreed(many)?);
    if !goes {
        if out.json {
            let mut shown = document(&plan, many, None);
            shown["barred"] = json!(barred);
            out.document(&shown)?;
        }
        out.line(&looked(many, barred.as_ref()));
        return Ok(Exit::Done);
    }
    let desk = Desk::open(config).await?;
    let actor = desk.actor(&options.who)?;
    let reason = match policy.configured {
        true => format!("kept {} days (control material {})", policy.days.0, policy.days.1),
        false => desk.reason(&options.why, out)?,
    };
    let tape = Tape::existing(&desk.bench.tape).await?;
    let done = desk.ledger.purge(&desk.bench, &tape, &actor, kept, &reason).await;
    let closed = (tape.db().close().await, desk.ledger.close().await);
    let done = done?;
    closed.0.and(closed.1)?;
    if out.json {
        out.document(&document(&plan, done.reports, Some(done.bytes)))?;
    }
    out.line(&format!("{} reports are purged, and {} bytes of the tape", done.reports, done.bytes));
    Ok(Exit::Done)
}

/// By the policy alone, and there is none that can be gone by: a timer that asks so each week is told of in `status`.
async fn unpurged(config: Option<PathBuf>, options: &Options, failure: Failure) -> Answer {
    if options.yes && options.older_than.is_none() {
        let desk = Desk::open(config).await?;
        let noted = desk.ledger.purge_failed(&desk.actor(&options.who)?, &failure.text).await;
        desk.ledger.close().await.and(noted)?;
    }
    Err(failure)
}

/// How a look ends.
fn looked(many: usize, barred: Option<&Said>) -> String {
    match (barred, many) {
        (Some(why), _) => format!("Nothing was purged, and nothing may be: {why}"),
        (None, 0) => "Nothing was purged: there is nothing to purge".to_owned(),
        (None, _) => "Nothing was purged. `wickline purge --yes` does it, with the same --older-than where one was \
                      given"
            .to_owned(),
    }
}

fn agreed(many: usize) -> Result<bool, Failure> {
    let typed = asked(&format!("type {many} to purge so many reports for ever"))?;
    Ok(typed.trim() == many.to_string())
}

fn all(plan: &[Line]) -> impl Iterator<Item = &Goes> + Clone {
    plan.iter().flat_map(|line| &line.goes)
}

fn show(plan: &[Line], many: usize, policy: &Policy, out: &Output) {
    let (days, controls) = policy.days;
    let since = format!("last touched more than {days} days ago (control material {controls})");
    let rows: Vec<_> = counts(all(plan))
        .iter()
        .map(|((class, outcome), n)| vec![plain(n.to_string()), plain(*class), plain(*outcome)])
        .collect();
    if many > 0 {
        out.line(&format!("{since}:"));
        out.table(&["reports", "class", "outcome"], &rows);
        let days = || all(plan).map(|g| g.day.as_str());
        let (first, last) = (days().min().unwrap_or(""), days().max().unwrap_or(""));
        out.line(&format!(
            "of {first} to {last}, with their messages, holds and bytes on the tape"
        ));
    } else {
        out.line(&format!("no report that was {since} may go"));
    }
    for line in plan {
        let name = &line.analyzer;
        match &line.stopped {
            Some((n, why)) if line.goes.is_empty() => {
                out.line(&format!("{name}: all stays, for {}", why.words(*n)));
            }
            Some((n, why)) => out.line(&format!("{name}: stops before {}", why.words(*n))),
            None if line.goes.is_empty() => {
                out.line(&format!("{name}: nothing was read of it yet"))
            }
            None => out.line(&format!("{name}: all that was read of it may go")),
        }
        if line.controls > 0 {
            let many = line.controls;
            out.line(&format!(
                "{name}: {many} runs of control material are kept without their bytes"
            ));
        }
        if line.to.is_none() && !line.goes.is_empty() {
            let tape = &line.tape;
            out.line(&format!(
                "{name}: heard onto tape {tape}, which is not this one: delete that file too"
            ));
        }
    }
}

fn document(plan: &[Line], reports: usize, bytes: Option<u64>) -> Value {
    let items = counts(all(plan));
    let items: Vec<_> = items
        .iter()
        .map(|((class, outcome), n)| json!({"class": class, "outcome": outcome, "reports": n}))
        .collect();
    let lines = plan.iter().map(|line| {
        let stopped = line.stopped.as_ref();
        json!({
            "analyzer": line.analyzer, "tape": line.tape, "to": line.to.map(|to| to.to_string()),
            "reports": line.goes.len(), "controls_kept": line.controls,
            "stops_before": stopped.map(|(n, _)| n.to_string()),
            "why": stopped.map(|(n, why)| why.words(*n)),
        })
    });
    let days = || all(plan).map(|g| g.day.as_str());
    json!({
        "purged": bytes.is_some(), "reports": reports, "bytes": bytes, "first_day": days().min(),
        "last_day": days().max(), "items": items, "lines": lines.collect::<Vec<_>>(),
    })
}
