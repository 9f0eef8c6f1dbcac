//! Runs of control material: what each amounts to, and what a passing run lets go.

use std::collections::BTreeMap;

use wickline_normalize::controls::{Lots as RunLots, Ran, Run, assess, standing};
use wickline_normalize::judge::{StripLot, expired};
use wickline_normalize::readings::Reading;
use wickline_normalize::{Report, Strip};

use super::facts::whole;
use super::judging::ControlRun;
use super::strip_lots::{Lots, lots};
use crate::clock::SiteClock;
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::db::Conn;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::rows::control_run;
use crate::store::rows::report::ReportRow;

/// Held reports looked at in one transaction.
const GROUP: i64 = 100;

/// Why a run that a person named says nothing of how the analyzer stands.
const NOT_RUN: &str = "the analyzer did not run it as a control: a person said that it is one";

/// Holds readings against the targets of an analyzer.
pub(crate) fn assessed(
    analyzer: &Analyzer,
    strip: &Strip,
    readings: &[Reading],
    level: Option<&str>,
    control_lot: Option<&str>,
    strip_lot: Option<&str>,
    day: &str,
) -> Run {
    let lots = RunLots { control: control_lot, strip: strip_lot };
    assess(readings, strip, &analyzer.controls.plan, level, lots, day)
}

/// The runs of every level that must pass, by strip, the oldest first: those that say how an instrument
/// stood at any time from this one on.
pub(crate) async fn runs(
    conn: &mut Conn,
    clock: &SiteClock,
    analyzer: &Analyzer,
    instrument: i64,
    from: i64,
) -> Result<Vec<(String, Ran)>, StoreError> {
    let mut runs = Vec::new();
    for level in analyzer.controls.plan.levels() {
        for row in control_run::of_level(conn, (&analyzer.id, instrument), level, from).await? {
            let (at, verdict, strip_lot) = (clock.moment(row.at), row.verdict, row.strip_lot);
            runs.push((row.strip, Ran { level: level.clone(), at, verdict, strip_lot }));
        }
    }
    Ok(runs)
}

/// A report that a person said is control material, as the run that it is. Where the analyzer itself did not
/// run it as a control it never passes: a person's word lifts no lockout.
pub(crate) async fn identified(
    write: &mut Write,
    bench: &Bench,
    analyzer: &Analyzer,
    row: &ReportRow,
    level: &str,
    by_analyzer: bool,
) -> Result<(), StoreError> {
    let Some(strip) = analyzer.strips.iter().find(|s| s.id == row.strip) else { return Ok(()) };
    let at = row.taken.and_then(|t| bench.clock.us(t)).unwrap_or(row.heard_at);
    let lots = lots(write.conn(), &analyzer.id).await?;
    let entered = lots.at(&row.strip, at);
    let strip_lot = StripLot::of(&row.print, entered).map(str::to_owned);
    let day = bench.clock.day(at);
    let (lot, level) = (row.print.control_lot.as_deref(), Some(level));
    let run = assessed(analyzer, strip, &row.readings, level, lot, strip_lot.as_deref(), &day);
    let run = match expired(&row.print, entered, &day) {
        Some(hold) => run.without_pass(hold.detail, |_| true),
        None if !by_analyzer => run.without_pass(NOT_RUN.into(), |_| true),
        None => run,
    };
    let run = ControlRun { level: level.map(str::to_owned), strip_lot, run };
    let entry = run.row(row.n, &analyzer.id, &day, at, &row.strip);
    control_run::insert(write, &[entry]).await
}

impl Ledger {
    /// Lets go what was held for controls alone and is so no more. How many reports.
    pub async fn release_passed(
        &self,
        bench: &Bench,
        analyzer: &Analyzer,
    ) -> Result<usize, StoreError> {
        let (mut done, mut after) = (0, 0);
        if !analyzer.rules.controls_policy.is_on() {
            return Ok(0);
        }
        loop {
            let group = self.within(self.release_some(bench, analyzer, after)).await?;
            let Some((last, count)) = group else { return Ok(done) };
            (after, done) = (last, done + count);
        }
    }

    /// The same after an act that made a run: the act is done whatever comes of this.
    pub(crate) async fn release_now(&self, bench: &Bench, analyzer: &Analyzer) {
        if let Err(error) = self.release_passed(bench, analyzer).await {
            tracing::warn!(analyzer = %analyzer.id, %error, "held for controls still");
        }
    }

    async fn release_some(
        &self,
        bench: &Bench,
        analyzer: &Analyzer,
        after: i64,
    ) -> Result<Option<(i64, usize)>, StoreError> {
        let mut write = self.act().await?;
        let ids = control_run::waiting(&mut write, &analyzer.id, after, GROUP).await?;
        let Some(last) = ids.last().copied() else { return Ok(None) };
        let mut waits = Vec::with_capacity(ids.len());
        for n in ids {
            match whole(&mut write, n).await {
                Ok(row) => waits.push(Waits::of(bench, row)),
                // It stays held; the others do not wait for it.
                Err(error) if error.is_of_one_row() => {
                    tracing::warn!(report = n, %error, "held for controls still");
                }
                Err(error) => return Err(error),
            }
        }
        let mut count = 0;
        // What one instrument passed says nothing of what another read.
        waits.sort_by_key(|w| (w.instrument, w.n));
        for own in waits.chunk_by(|a, b| a.instrument == b.instrument) {
            let passes = Passes::read(write.conn(), bench, analyzer, own).await?;
            for one in own.iter().filter(|w| passes.let_go(w)) {
                count += usize::from(self.controls_passed(&mut write, bench, one.n).await?);
            }
        }
        write.commit().await?;
        Ok(Some((last, count)))
    }
}

/// One report that waits for controls: when it was taken, as far as that is believed, else heard.
struct Waits {
    n: i64,
    instrument: i64,
    strip: String,
    at: i64,
    print: Report,
}

impl Waits {
    fn of(bench: &Bench, row: ReportRow) -> Self {
        let at = row.taken.and_then(|t| bench.clock.us(t)).unwrap_or(row.heard_at);
        Self { n: row.n, instrument: row.instrument, strip: row.strip, at, print: row.print }
    }
}

/// How an instrument stood at any time from one on, as it is known now.
struct Passes<'a> {
    bench: &'a Bench,
    analyzer: &'a Analyzer,
    runs: Vec<Ran>,
    /// The last run of all, and by strip the lot of the last one on it.
    last: Option<i64>,
    lots_run: BTreeMap<String, String>,
    lots: Lots,
}

impl<'a> Passes<'a> {
    async fn read(
        conn: &mut Conn,
        bench: &'a Bench,
        analyzer: &'a Analyzer,
        waits: &[Waits],
    ) -> Result<Self, StoreError> {
        let instrument = waits.first().map_or(0, |w| w.instrument);
        let from = waits.iter().map(|w| w.at).min().unwrap_or(0);
        let mut runs = runs(conn, &bench.clock, analyzer, instrument, from).await?;
        runs.sort_by_key(|(_, ran)| bench.clock.us(ran.at));
        let lot = |(strip, ran): &(String, Ran)| Some((strip.clone(), ran.strip_lot.clone()?));
        let lots_run = runs.iter().filter_map(lot).collect();
        let runs: Vec<Ran> = runs.into_iter().map(|(_, ran)| ran).collect();
        let last = runs.last().and_then(|ran| bench.clock.us(ran.at));
        let lots = lots(conn, &analyzer.id).await?;
        Ok(Self { bench, analyzer, runs, last, lots_run, lots })
    }

    fn passed(&self, lot: Option<&str>, at: i64) -> bool {
        let (rules, now) = (&self.analyzer.controls, self.bench.clock.moment(at));
        standing(rules.plan.levels(), &self.runs, &rules.period, lot, now).is_passed()
    }

    /// Whether every level had passed when it was taken (its controls may have been heard after it), or
    /// has since.
    fn let_go(&self, one: &Waits) -> bool {
        let entered = |at| self.lots.at(&one.strip, at);
        if self.passed(StripLot::of(&one.print, entered(one.at)), one.at) {
            return true;
        }
        self.last.is_some_and(|last| {
            let run = self.lots_run.get(&one.strip).map(String::as_str);
            let lot = run.or_else(|| entered(last).map(|lot| lot.lot.as_str()));
            one.at <= last && self.passed(lot, last)
        })
    }
}
