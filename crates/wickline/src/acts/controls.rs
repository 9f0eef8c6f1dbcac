//! Runs of control material in rows, and what a passing run lets go.

use std::collections::BTreeMap;

use sqlx::{AnyConnection, AssertSqlSafe, Executor, Row};
use wickline_normalize::controls::{Lots as RunLots, Ran, Run, Verdict, assess, standing};
use wickline_normalize::judge::{StripLot, expired};
use wickline_normalize::readings::Reading;
use wickline_normalize::{Report, Strip};

use crate::acts::held::{Open, clear_one, let_go_in, opened, taken};
use crate::acts::intake::storable;
use crate::acts::judging::{ControlRun, level_text};
use crate::acts::strip_lots::{Lots, lots};
use crate::clock::SiteClock;
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::state::State;
use crate::store::trail::Act;
use crate::store::trail::Actor;
use crate::store::trail::record;

/// The runs of a level before a time that say how it stood then.
const RUNS: i64 = 30;
/// Held reports looked at in one transaction.
const GROUP: i64 = 100;

/// One run, as it goes into its row.
pub(crate) struct NewRun<'a> {
    pub report: i64,
    pub analyzer: &'a str,
    pub day: &'a str,
    pub at: i64,
    pub strip: &'a str,
    pub run: &'a ControlRun,
}

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

/// Writes runs; a report that was read again has its run replaced.
pub(crate) async fn insert(write: &mut Write, runs: &[NewRun<'_>]) -> Result<(), StoreError> {
    for one in runs {
        let ControlRun { level, strip_lot, run } = one.run;
        let query = sqlx::query(
            "INSERT INTO control_run (report, analyzer, level, day, at, verdict, control_lot, strip, \
             strip_lot, run) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) \
             ON CONFLICT (report) DO UPDATE SET level = excluded.level, day = excluded.day, \
             at = excluded.at, verdict = excluded.verdict, control_lot = excluded.control_lot, \
             strip = excluded.strip, strip_lot = excluded.strip_lot, run = excluded.run",
        )
        .bind(one.report)
        .bind(one.analyzer.to_owned())
        .bind(level_text(level.as_ref()))
        .bind(one.day.to_owned())
        .bind(one.at)
        .bind(run.verdict.code())
        .bind(run.control_lot.as_deref().map(storable))
        .bind(one.strip.to_owned())
        .bind(strip_lot.as_deref().map(storable))
        .bind(storable(&serde_json::to_string(run).unwrap_or_default()));
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    Ok(())
}

/// The runs of every level that must pass, by strip, the oldest first: those that say how the analyzer
/// stood at any time from this one on.
pub(crate) async fn runs(
    conn: &mut AnyConnection,
    clock: &SiteClock,
    analyzer: &Analyzer,
    from: i64,
) -> Result<Vec<(String, Ran)>, sqlx::Error> {
    let sql = format!(
        "SELECT run.at, run.verdict, run.strip, run.strip_lot FROM control_run run \
         JOIN report ON report.n = run.report AND report.state <> 'repeat' \
         WHERE run.analyzer = $1 AND run.level = $2 AND run.at >= coalesce((SELECT min(before.at) \
         FROM (SELECT at FROM control_run WHERE analyzer = $1 AND level = $2 AND at <= $3 \
         ORDER BY at DESC LIMIT {RUNS}) before), 0) ORDER BY run.at, run.report"
    );
    let mut runs = Vec::new();
    for level in analyzer.controls.plan.levels() {
        let query = sqlx::query(AssertSqlSafe(sql.clone()));
        let query = query.bind(analyzer.id.clone()).bind(level.clone()).bind(from);
        for row in conn.fetch_all(query).await? {
            let verdict: String = row.try_get("verdict")?;
            let ran = Ran {
                level: level.clone(),
                at: clock.moment(row.try_get("at")?),
                verdict: verdict_of(&verdict),
                strip_lot: row.try_get("strip_lot")?,
            };
            runs.push((row.try_get("strip")?, ran));
        }
    }
    Ok(runs)
}

/// A report that a person said is control material, as the run that it is.
pub(crate) async fn identified(
    write: &mut Write,
    bench: &Bench,
    analyzer: &Analyzer,
    open: &Open,
    level: &str,
) -> Result<(), StoreError> {
    let Some(strip) = analyzer.strips.iter().find(|s| s.id == open.strip) else { return Ok(()) };
    let at = open.taken.and_then(|t| bench.clock.us(t)).unwrap_or(open.heard_at);
    let lots = lots(write.conn(), &analyzer.id).await.map_err(|e| write.wrong(&e))?;
    let entered = lots.at(&open.strip, at);
    let strip_lot = StripLot::of(&open.print, entered).map(str::to_owned);
    let day = bench.clock.day(at);
    let readings = open.readings()?;
    let (lot, level) = (open.print.control_lot.as_deref(), Some(level));
    let run = assessed(analyzer, strip, &readings, level, lot, strip_lot.as_deref(), &day);
    let run = match expired(&open.print, entered, &day) {
        Some(hold) => run.without_pass(hold.detail, |_| true),
        None => run,
    };
    let run = ControlRun { level: level.map(str::to_owned), strip_lot, run };
    let (analyzer, strip) = (analyzer.id.as_str(), open.strip.as_str());
    insert(write, &[NewRun { report: open.n, analyzer, day: &day, at, strip, run: &run }]).await
}

/// An unknown word counts as no run.
pub(crate) fn verdict_of(code: &str) -> Verdict {
    [Verdict::Passed, Verdict::Failed, Verdict::NoTarget]
        .into_iter()
        .find(|v| v.code() == code)
        .unwrap_or(Verdict::NoTarget)
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
        let query = sqlx::query(AssertSqlSafe(format!(
            "SELECT DISTINCT report.n, report.heard_at, report.taken_at, report.print, report.clock, \
             report.strip \
             FROM report JOIN hold ON hold.report = report.n AND hold.cleared_at IS NULL \
             AND hold.reason IN ('controls-failed', 'controls-due') \
             WHERE report.state = 'held' AND report.corrects IS NULL AND report.analyzer = $1 AND report.n > $2 \
             ORDER BY report.n LIMIT {GROUP}"
        )))
        .bind(analyzer.id.clone())
        .bind(after);
        let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
        let waits = rows.iter().map(|row| Waits::read(bench, row)).collect::<Result<Vec<_>, _>>();
        let waits = waits.map_err(|e| write.wrong(&e))?;
        let Some(first) = waits.iter().map(|w| w.at).min() else { return Ok(None) };
        let passes = Passes::read(write.conn(), bench, analyzer, first).await;
        let passes = passes.map_err(|e| write.wrong(&e))?;
        let (mut last, mut count) = (None, 0);
        for one in &waits {
            last = Some(one.n);
            if passes.let_go(one) && self.release_one(&mut write, bench, one.n).await? {
                count += 1;
            }
        }
        write.commit().await?;
        Ok(last.map(|last| (last, count)))
    }

    /// Clears the holds for controls of one report; true when it goes.
    async fn release_one(
        &self,
        write: &mut Write,
        bench: &Bench,
        n: i64,
    ) -> Result<bool, StoreError> {
        let mut open = opened(write, n, State::Held).await?;
        let (cleared, rest): (Vec<_>, Vec<_>) =
            open.holds.into_iter().partition(|(_, reason, _)| reason.is_of_controls());
        let goes = rest.is_empty();
        open.holds = rest;
        // One that cannot be built any more stays for a person as it is, and keeps nothing else back.
        if goes && let Err(error) = self.sendable(bench, &open) {
            tracing::warn!(report = n, %error, "controls passed, but it cannot go");
            return Ok(false);
        }
        for (ix, _, _) in &cleared {
            clear_one(write, n, *ix).await?;
        }
        let was = crate::acts::held::codes(cleared.iter().map(|(_, reason, _)| *reason));
        if goes {
            let_go_in(self, write, bench, &open).await?;
        }
        let act = Act {
            verb: "release",
            object: format!("report {n}"),
            reason: Some("every level of control material has passed".into()),
            was: Some(was),
            became: Some(if goes { "waiting".into() } else { "held".into() }),
        };
        record(write, &Actor::daemon(), act).await?;
        Ok(goes)
    }
}

/// One report that waits for controls: when it was taken, as far as that is believed, else heard.
struct Waits {
    n: i64,
    strip: String,
    at: i64,
    print: Report,
}

impl Waits {
    fn read(bench: &Bench, row: &sqlx::any::AnyRow) -> Result<Self, sqlx::Error> {
        let heard_at: i64 = row.try_get("heard_at")?;
        let print: String = row.try_get("print")?;
        let print: Report = serde_json::from_str(&print).unwrap_or_default();
        let at = taken(row)?.and_then(|t| bench.clock.us(t)).unwrap_or(heard_at);
        Ok(Self { n: row.try_get("n")?, strip: row.try_get("strip")?, at, print })
    }
}

/// How an analyzer stood at any time from one on, as it is known now.
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
        conn: &mut AnyConnection,
        bench: &'a Bench,
        analyzer: &'a Analyzer,
        from: i64,
    ) -> Result<Self, sqlx::Error> {
        let mut runs = runs(conn, &bench.clock, analyzer, from).await?;
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
