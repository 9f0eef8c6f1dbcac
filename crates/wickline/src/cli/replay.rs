//! `replay`: old tape read again with today's dialects and strips, compared with what was read then.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use clap::Args;
use serde::Serialize;
use serde_json::json;
use tokio::sync::watch;

use super::output::{Output, Tone};
use super::{Answer, Exit, Failure, bench};
use crate::acts::comparing::{Difference, differences};
use crate::address::Address;
use crate::pipeline::event::Events;
use crate::pipeline::kept_lease::KeptLease;
use crate::pipeline::reading::Reading;
use crate::pulse::Beat;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::tape::Tape;

/// Bytes of tape compared at a time.
const STRETCH: i64 = 4 << 20;

/// `wickline --config mended.toml replay --into scratch.db`
#[derive(Debug, Args)]
pub struct Options {
    /// A new ledger file for what is read now; nothing is sent from it
    #[arg(long, value_name = "FILE")]
    into: PathBuf,
    /// Only this analyzer [default: every one]
    #[arg(long, value_name = "ID")]
    analyzer: Option<String>,
}

/// One report that two readings saw differently.
#[derive(Debug, Serialize)]
struct Changed {
    analyzer: String,
    /// Offset of its first byte on the line's tape.
    place: i64,
    number: Option<String>,
    /// `changed`, `only-before` or `only-now`.
    how: &'static str,
    differences: Vec<Difference>,
}

#[derive(Default)]
struct Comparison {
    same: u64,
    changed: Vec<Changed>,
}

pub async fn replay(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let bench = Arc::new(bench(config)?);
    if options.into.exists() {
        let why = "there is such a file already: a replay goes into a new one";
        return Err(Failure::wrong(format!("{}: {why}", options.into.display())));
    }
    if options.analyzer.as_ref().is_some_and(|id| bench.analyzer(id).is_none()) {
        return Err(Failure::wrong("no such analyzer is configured"));
    }
    let before = Ledger::look(bench.ledger.clone()).await?;
    let tape = Tape::look(&bench.tape).await?;
    let now = Ledger::open(Address::Sqlite(std::path::absolute(&options.into)?)).await?;
    for target in &bench.targets {
        // Should anybody run a daemon on it: it sends nothing.
        now.receiver_known(&target.id, true).await?;
    }
    let mut comparison = Comparison::default();
    let wanted = |id: &str| options.analyzer.as_ref().is_none_or(|only| only == id);
    for analyzer in bench.analyzers.iter().filter(|a| wanted(&a.id)) {
        read_all(&bench, &tape, &now, &analyzer.id).await?;
        comparison.add(&tape.id, &analyzer.id, &before, &now).await?;
    }
    before.close().await?;
    now.close().await?;
    tape.db().close().await?;
    comparison.show(out)
}

/// Reads one analyzer's tape from its beginning to its end.
async fn read_all(
    bench: &Arc<Bench>,
    tape: &Tape,
    ledger: &Ledger,
    analyzer: &str,
) -> Result<(), StoreError> {
    let Some(analyzer) = bench.analyzer(analyzer) else { return Ok(()) };
    let (_stop, stopping) = watch::channel(false);
    let reading = Reading {
        tape: tape.clone(),
        ledger: ledger.clone(),
        bench: bench.clone(),
        analyzer: analyzer.clone(),
        events: Events::default(),
        wakes: Vec::new(),
        between: None,
        said: Default::default(),
        lease: KeptLease::alone(),
        away: false,
        owed: true,
        beat: Beat::of("a replay"),
        stop: stopping,
    };
    reading.to_the_end().await
}

impl Comparison {
    async fn add(
        &mut self,
        tape: &str,
        analyzer: &str,
        before: &Ledger,
        now: &Ledger,
    ) -> Result<(), StoreError> {
        let last =
            before.last_place(tape, analyzer).await?.max(now.last_place(tape, analyzer).await?);
        let Some(last) = last else { return Ok(()) };
        let mut from = 0;
        while from <= last {
            let to = from + STRETCH;
            let mut pairs = BTreeMap::new();
            for (key, seen) in before.seen_between(tape, analyzer, from, to).await? {
                pairs.entry(key).or_insert((None, None)).0 = Some(seen);
            }
            for (key, seen) in now.seen_between(tape, analyzer, from, to).await? {
                pairs.entry(key).or_insert((None, None)).1 = Some(seen);
            }
            for ((place, _), (old, new)) in pairs {
                let number = old.as_ref().or(new.as_ref()).and_then(|seen| seen.number.clone());
                let how = match (&old, &new) {
                    (Some(_), None) => "only-before",
                    (None, Some(_)) => "only-now",
                    _ => "changed",
                };
                let found = differences(&old.unwrap_or_default(), &new.unwrap_or_default());
                if found.is_empty() {
                    self.same += 1;
                    continue;
                }
                let analyzer = analyzer.to_owned();
                self.changed.push(Changed { analyzer, place, number, how, differences: found });
            }
            from = to;
        }
        Ok(())
    }

    fn show(&self, out: &Output) -> Answer {
        if out.json {
            out.document(&json!({
                "items": self.changed,
                "totals": {"same": self.same, "different": self.changed.len()},
            }))?;
        }
        for one in &self.changed {
            out.line(&format!(
                "{} number {} at {}: {}",
                one.analyzer,
                one.number.as_deref().unwrap_or("-"),
                one.place,
                one.how
            ));
            for difference in &one.differences {
                let Difference { what, before, after } = difference;
                out.line(&format!("    {what}: {before} -> {after}"));
            }
        }
        let (text, tone) = match (self.same, self.changed.len()) {
            (0, 0) => ("no report is on this tape".to_owned(), Tone::Plain),
            (same, 0) => (format!("{same} report(s), every one as it was read then"), Tone::Good),
            (same, different) => (
                format!("{different} report(s) differ, {same} do not; nothing was sent"),
                Tone::Bad,
            ),
        };
        out.pieces(&[(text, tone)]);
        Ok(if self.changed.is_empty() { Exit::Done } else { Exit::NotClean })
    }
}
