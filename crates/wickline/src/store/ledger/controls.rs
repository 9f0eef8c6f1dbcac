//! Runs of control material in rows, the strip lots in use, and what a passing run lets go.

use sqlx::{AssertSqlSafe, Executor, Row};
use wickline_normalize::controls::{Lots, Ran, Run, Verdict, assess, standing};
use wickline_normalize::judge::StripLot;
use wickline_normalize::readings::Reading;
use wickline_normalize::{Reason, Report, Strip};

use super::acts::{Open, clear_one, let_go_in, opened};
use super::intake::storable;
use super::judging::{ControlRun, level_text};
use super::state::State;
use super::{Act, Actor, Ledger, record};
use crate::clock::{SiteClock, moment_of};
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::db::Write;

/// The last runs of a level that say how it stands.
const RUNS: i64 = 30;
/// Held reports looked at in one transaction.
const GROUP: i64 = 100;

/// One run, as it goes into its row.
pub(super) struct NewRun<'a> {
    pub report: i64,
    pub analyzer: &'a str,
    pub day: &'a str,
    pub at: i64,
    pub strip: &'a str,
    pub run: &'a ControlRun,
}

/// Holds readings against the targets of an analyzer.
pub(super) fn assessed(
    analyzer: &Analyzer,
    strip: &Strip,
    readings: &[Reading],
    level: Option<&str>,
    control_lot: Option<&str>,
    strip_lot: Option<&str>,
    day: &str,
) -> Run {
    let lots = Lots { control: control_lot, strip: strip_lot };
    assess(readings, strip, &analyzer.controls.plan, level, lots, day)
}

/// Writes runs; a report that was read again has its run replaced.
pub(super) async fn insert(write: &mut Write, runs: &[NewRun<'_>]) -> Result<(), StoreError> {
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

/// The strip lots that people entered for an analyzer, in order, each with its time.
pub(super) async fn lots(
    write: &mut Write,
    analyzer: &str,
) -> Result<Vec<(i64, StripLot)>, StoreError> {
    let query = sqlx::query(
        "SELECT since, lot, last_day FROM strip_lot WHERE analyzer = $1 ORDER BY since",
    )
    .bind(analyzer.to_owned());
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let read = |row: &sqlx::any::AnyRow| -> Result<(i64, StripLot), sqlx::Error> {
        let (lot, last_day) = (row.try_get("lot")?, row.try_get("last_day")?);
        Ok((row.try_get("since")?, StripLot { lot, last_day }))
    };
    rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| write.wrong(&e))
}

/// The last runs of every level that must pass.
pub(super) async fn runs(
    write: &mut Write,
    clock: &SiteClock,
    analyzer: &Analyzer,
) -> Result<Vec<Ran>, StoreError> {
    let mut runs = Vec::new();
    for level in analyzer.controls.plan.levels() {
        let sql = format!(
            "SELECT at, verdict, strip_lot FROM control_run WHERE analyzer = $1 AND level = $2 \
             ORDER BY at DESC LIMIT {RUNS}"
        );
        let query = sqlx::query(AssertSqlSafe(sql)).bind(analyzer.id.clone()).bind(level.clone());
        let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
        for row in rows {
            let read = || -> Result<Ran, sqlx::Error> {
                let verdict: String = row.try_get("verdict")?;
                Ok(Ran {
                    level: level.clone(),
                    at: clock.moment(row.try_get("at")?),
                    verdict: verdict_of(&verdict),
                    strip_lot: row.try_get("strip_lot")?,
                })
            };
            runs.push(read().map_err(|e| write.wrong(&e))?);
        }
    }
    Ok(runs)
}

/// A report that a person said is control material, as the run that it is.
pub(super) async fn identified(
    write: &mut Write,
    bench: &Bench,
    analyzer: &Analyzer,
    open: &Open,
    level: &str,
) -> Result<(), StoreError> {
    let Some(strip) = analyzer.strips.iter().find(|s| s.id == open.strip) else { return Ok(()) };
    let taken = open.taken.filter(|_| open.clock_believed);
    let at = taken.and_then(|t| bench.clock.us(t)).unwrap_or(open.heard_at);
    let lots = lots(write, &analyzer.id).await?;
    let entered = lots.iter().rev().find(|(since, _)| *since <= at).map(|(_, lot)| lot);
    let strip_lot = StripLot::of(&open.print, entered).map(str::to_owned);
    let day = bench.clock.day(at);
    let readings = open.readings()?;
    let (lot, level) = (open.print.control_lot.as_deref(), Some(level));
    let run = assessed(analyzer, strip, &readings, level, lot, strip_lot.as_deref(), &day);
    let run = ControlRun { level: level.map(str::to_owned), strip_lot, run };
    let (analyzer, strip) = (analyzer.id.as_str(), open.strip.as_str());
    insert(write, &[NewRun { report: open.n, analyzer, day: &day, at, strip, run: &run }]).await
}

/// An unknown word counts as no run.
pub(super) fn verdict_of(code: &str) -> Verdict {
    [Verdict::Passed, Verdict::Failed, Verdict::NoTarget]
        .into_iter()
        .find(|v| v.code() == code)
        .unwrap_or(Verdict::NoTarget)
}

impl Ledger {
    /// Lets go what was held for controls alone, now that every level has passed after it was taken.
    /// How many reports.
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

    async fn release_some(
        &self,
        bench: &Bench,
        analyzer: &Analyzer,
        after: i64,
    ) -> Result<Option<(i64, usize)>, StoreError> {
        let mut write = self.act().await?;
        let known = Known::read(&mut write, bench, analyzer).await?;
        let query = sqlx::query(AssertSqlSafe(format!(
            "SELECT DISTINCT report.n, report.heard_at, report.taken_at, report.print, report.clock FROM report \
             JOIN hold ON hold.report = report.n AND hold.cleared_at IS NULL \
             AND hold.reason IN ('controls-failed', 'controls-due') \
             WHERE report.state = 'held' AND report.analyzer = $1 AND report.n > $2 \
             ORDER BY report.n LIMIT {GROUP}"
        )))
        .bind(analyzer.id.clone())
        .bind(after);
        let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
        let (mut last, mut count) = (None, 0);
        for row in rows {
            let n: i64 = row.try_get("n").map_err(|e| write.wrong(&e))?;
            last = Some(n);
            let (at, lot) = taken(bench, &row).map_err(|e| write.wrong(&e))?;
            if known.lets_go(at, lot.as_deref()) && self.release_one(&mut write, bench, n).await? {
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
        let of_controls = |r: &Reason| matches!(r, Reason::ControlsFailed | Reason::ControlsDue);
        let (cleared, rest): (Vec<_>, Vec<_>) =
            open.holds.into_iter().partition(|(_, reason, _)| of_controls(reason));
        for (ix, _, _) in &cleared {
            clear_one(write, n, *ix).await?;
        }
        let goes = rest.is_empty();
        open.holds = rest;
        let was = super::acts::codes(cleared.iter().map(|(_, reason, _)| *reason));
        if goes {
            // One that cannot be built any more stays for a person, and keeps nothing else back.
            if let Err(error) = let_go_in(self, write, bench, &open).await {
                tracing::warn!(report = n, %error, "controls passed, but it cannot go");
                return match error {
                    StoreError::Refused { .. } => Ok(false),
                    other => Err(other),
                };
            }
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

/// All that is known of an analyzer's controls.
struct Known<'a> {
    bench: &'a Bench,
    analyzer: &'a Analyzer,
    runs: Vec<Ran>,
    lots: Vec<(i64, StripLot)>,
    /// The last run, if every level stood as passed then.
    passed_at: Option<i64>,
}

impl<'a> Known<'a> {
    async fn read(
        write: &mut Write,
        bench: &'a Bench,
        analyzer: &'a Analyzer,
    ) -> Result<Self, StoreError> {
        let runs = runs(write, &bench.clock, analyzer).await?;
        let lots = lots(write, &analyzer.id).await?;
        let mut known = Self { bench, analyzer, runs, lots, passed_at: None };
        let last = known.runs.iter().filter_map(|r| Some((bench.clock.us(r.at)?, r)));
        let last = last.max_by_key(|(at, _)| *at);
        let last = last.map(|(at, run)| (at, run.strip_lot.clone()));
        known.passed_at =
            last.filter(|(at, lot)| known.is_passed(*at, lot.as_deref())).map(|(at, _)| at);
        Ok(known)
    }

    fn is_passed(&self, at: i64, printed: Option<&str>) -> bool {
        let entered = self.lots.iter().rev().find(|(since, _)| *since <= at);
        let lot = printed.or(entered.map(|(_, lot)| lot.lot.as_str()));
        let (rules, now) = (&self.analyzer.controls, self.bench.clock.moment(at));
        standing(rules.plan.levels(), &self.runs, &rules.period, lot, now).is_passed()
    }

    /// Whether what was taken then may go: every level has passed since, or had passed already by
    /// what came late.
    fn lets_go(&self, at: i64, lot: Option<&str>) -> bool {
        self.passed_at.is_some_and(|passed| at <= passed) || self.is_passed(at, lot)
    }
}

/// When a report was taken, as far as that is believed, else heard; and the strip lot that it names.
fn taken(bench: &Bench, row: &sqlx::any::AnyRow) -> Result<(i64, Option<String>), sqlx::Error> {
    let heard_at: i64 = row.try_get("heard_at")?;
    let print: String = row.try_get("print")?;
    let doubted: Option<String> = row.try_get("clock")?;
    let print: Report = serde_json::from_str(&print).unwrap_or_default();
    let taken: Option<String> = row.try_get("taken_at")?;
    let taken = taken.filter(|_| doubted.is_none()).and_then(|t| moment_of(&t));
    let at = taken.and_then(|t| bench.clock.us(t)).unwrap_or(heard_at);
    Ok((at, StripLot::of(&print, None).map(str::to_owned)))
}
