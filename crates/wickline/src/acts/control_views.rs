//! What people ask of control material: every run with what it read, and how an analyzer stands now.

use std::collections::BTreeMap;

use serde::Serialize;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};
use wickline_normalize::controls::{Checked, Ran, Run, State, Verdict, standing};
use wickline_normalize::{Moment, Report};

use crate::acts::controls::{runs, verdict_of};
use crate::acts::strip_lots::lots;
use crate::clock::{SiteClock, moment_rfc3339};
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::ledger::Ledger;

/// Runs in one answer at most.
const MOST: i64 = 100_000;

/// Among so many of the last reports that of an analyzer is looked for that names its strips.
const LOOKED_AT: i64 = 10_000;

/// Which runs: times from the first, before the second.
#[derive(Clone, Debug, Default)]
pub struct AskedRuns {
    pub analyzer: Option<String>,
    pub level: Option<String>,
    pub from: i64,
    pub to: i64,
}

/// One run of one level, for people and scripts.
#[derive(Clone, Debug, Serialize)]
pub struct RunView {
    pub id: String,
    pub analyzer: String,
    pub number: Option<String>,
    /// As printed: of a control, or of an external quality sample.
    pub specimen: Option<String>,
    pub class: &'static str,
    pub level: Option<String>,
    /// Of the report.
    pub state: String,
    pub verdict: &'static str,
    /// Which readings are out and what is allowed, or why it says nothing; empty when it passed.
    pub detail: String,
    /// When it was run, by the clock that is believed.
    pub at: String,
    #[serde(skip)]
    pub at_us: i64,
    pub taken_at: Option<String>,
    pub heard_at: String,
    pub control_lot: Option<String>,
    pub strip: String,
    pub strip_lot: Option<String>,
    pub readings: Vec<Checked>,
}

/// How one level, or all of them, stands.
#[derive(Clone, Debug, Serialize)]
pub struct Stands {
    /// Of one level; None for all of them together.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub level: Option<String>,
    /// `passed`, `failed`, `due`; `no-plan` where nothing says what control material must read.
    pub state: &'static str,
    /// Passed: until when.
    pub until: Option<String>,
    /// Failed or due: since when. Due without it: no run passed that counts.
    pub since: Option<String>,
}

/// How an analyzer stands with its controls, for one strip type.
#[derive(Clone, Debug, Serialize)]
pub struct ControlStanding {
    pub analyzer: String,
    pub strip: String,
    pub strip_lot: Option<String>,
    pub strip_last_day: Option<String>,
    /// The lot in use is past its last day.
    pub strip_expired: bool,
    #[serde(flatten)]
    pub overall: Stands,
    pub levels: Vec<Stands>,
    /// Patients' reports that wait for controls, and nothing else is said of them here.
    pub held: i64,
    /// The same for those who judge by it.
    #[serde(skip)]
    pub at: State,
}

impl Stands {
    fn of(level: Option<&str>, state: &State, clock: &SiteClock) -> Stands {
        // Times on the wall, as the site's clock shows them.
        let text = |m: Moment| Some(moment_rfc3339(&clock.with_offset(m).unwrap_or(m)));
        let (until, since) = match state {
            State::Passed { until } => (text(*until), None),
            State::Failed { since } => (None, text(*since)),
            State::Due { since } => (None, since.and_then(text)),
        };
        Stands { level: level.map(str::to_owned), state: state.code(), until, since }
    }
}

impl Ledger {
    /// Runs in the order of their time.
    pub async fn control_runs(
        &self,
        asked: &AskedRuns,
        clock: &SiteClock,
    ) -> Result<Vec<RunView>, StoreError> {
        let query = sqlx::query(
            "SELECT run.report, run.analyzer, run.level, run.at, run.verdict, run.control_lot, run.strip, \
             run.strip_lot, run.run, report.number, report.specimen, report.state, \
             report.taken_at, report.heard_at \
             FROM control_run run JOIN report ON report.n = run.report AND report.state <> 'repeat' \
             WHERE ($1 = '' OR run.analyzer = $1) AND ($2 = '' OR run.level = $2) \
             AND run.at >= $3 AND run.at < $4 ORDER BY run.at, run.report LIMIT $5",
        )
        .bind(asked.analyzer.clone().unwrap_or_default())
        .bind(asked.level.clone().unwrap_or_default())
        .bind(asked.from)
        .bind(asked.to)
        .bind(MOST);
        let mut conn = self.db.read().await?;
        let rows = query.fetch_all(&mut conn).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let views = rows.iter().map(|row| view(row, clock)).collect::<Result<_, _>>();
        views.map_err(|e| self.wrong(&e))
    }

    /// One run by the id of its report.
    pub async fn control_run(
        &self,
        id: i64,
        clock: &SiteClock,
    ) -> Result<Option<RunView>, StoreError> {
        let query = sqlx::query(
            "SELECT run.report, run.analyzer, run.level, run.at, run.verdict, run.control_lot, run.strip, \
             run.strip_lot, run.run, report.number, report.specimen, report.state, \
             report.taken_at, report.heard_at \
             FROM control_run run JOIN report ON report.n = run.report WHERE run.report = $1",
        )
        .bind(id);
        let mut conn = self.db.read().await?;
        let row = query.fetch_optional(&mut conn).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        row.map(|row| view(&row, clock)).transpose().map_err(|e| self.wrong(&e))
    }

    /// How an analyzer stands at a time, for each of its strip types.
    pub async fn control_standing(
        &self,
        bench: &Bench,
        analyzer: &Analyzer,
        at: i64,
    ) -> Result<Vec<ControlStanding>, StoreError> {
        let mut conn = self.db.read().await?;
        let read = stand(&mut conn, bench, analyzer, at).await;
        let stands = read.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(stands)
    }
}

async fn stand(
    conn: &mut AnyConnection,
    bench: &Bench,
    analyzer: &Analyzer,
    at: i64,
) -> Result<Vec<ControlStanding>, sqlx::Error> {
    let (clock, rules) = (&bench.clock, &analyzer.controls);
    let runs = runs(conn, clock, analyzer, at).await?;
    let lots = lots(conn, &analyzer.id).await?;
    let held = held(conn, &analyzer.id).await?;
    let all: Vec<Ran> = runs.iter().map(|(_, ran)| ran.clone()).collect();
    let mut stands = Vec::with_capacity(analyzer.strips.len());
    for strip in &analyzer.strips {
        let entered = lots.at(&strip.id, at);
        let printed = printed(conn, &analyzer.id, &strip.id).await?;
        let run = runs.iter().rev().find(|(id, _)| *id == strip.id);
        // What the print names stands above what was entered.
        let lot = (printed.lot.clone())
            .or_else(|| entered.map(|e| e.lot.clone()))
            .or_else(|| run.and_then(|(_, ran)| ran.strip_lot.clone()));
        let last_day = printed
            .last_day
            .or_else(|| entered.filter(|e| Some(&e.lot) == lot.as_ref())?.last_day.clone());
        let now = clock.moment(at);
        let found = standing(rules.plan.levels(), &all, &rules.period, lot.as_deref(), now);
        let level = |(level, state): &(String, State)| Stands::of(Some(level), state, clock);
        stands.push(ControlStanding {
            analyzer: analyzer.id.clone(),
            strip: strip.id.clone(),
            strip_lot: lot,
            strip_expired: last_day.as_ref().is_some_and(|day| clock.day(at) > *day),
            strip_last_day: last_day,
            overall: if rules.plan.levels().is_empty() {
                Stands { level: None, state: "no-plan", until: None, since: None }
            } else {
                Stands::of(None, &found.overall, clock)
            },
            levels: found.levels.iter().map(level).collect(),
            held: held.get(&strip.id).copied().unwrap_or(0),
            at: found.overall,
        });
    }
    Ok(stands)
}

/// The strips that the last report names.
#[derive(Default)]
struct PrintedLot {
    lot: Option<String>,
    last_day: Option<String>,
}

async fn printed(
    conn: &mut AnyConnection,
    analyzer: &str,
    strip: &str,
) -> Result<PrintedLot, sqlx::Error> {
    let query = sqlx::query(
        "SELECT print FROM report WHERE n > (SELECT coalesce(max(n), 0) FROM report) - $3 \
         AND analyzer = $1 AND strip = $2 ORDER BY n DESC LIMIT 1",
    )
    .bind(analyzer.to_owned())
    .bind(strip.to_owned())
    .bind(LOOKED_AT);
    let Some(row) = query.fetch_optional(conn).await? else { return Ok(PrintedLot::default()) };
    let print: String = row.try_get(0)?;
    let print: Report = serde_json::from_str(&print).unwrap_or_default();
    let lot = print.strip_lot.map(|l| l.trim().to_owned()).filter(|l| !l.is_empty());
    Ok(PrintedLot { lot, last_day: print.strip_expiry.map(|day| day.day_text()) })
}

/// Reports of one analyzer that wait for controls, by strip.
async fn held(
    conn: &mut AnyConnection,
    analyzer: &str,
) -> Result<BTreeMap<String, i64>, sqlx::Error> {
    let query = sqlx::query(
        "SELECT report.strip, count(DISTINCT report.n) FROM report \
         JOIN hold ON hold.report = report.n AND hold.cleared_at IS NULL \
         AND hold.reason IN ('controls-failed', 'controls-due') \
         WHERE report.state = 'held' AND report.analyzer = $1 GROUP BY report.strip",
    )
    .bind(analyzer.to_owned());
    let rows = query.fetch_all(conn).await?;
    rows.iter().map(|row| Ok((row.try_get(0)?, row.try_get(1)?))).collect()
}

fn view(row: &AnyRow, clock: &SiteClock) -> Result<RunView, sqlx::Error> {
    let verdict: String = row.try_get("verdict")?;
    let run: String = row.try_get("run")?;
    let run: Run = serde_json::from_str(&run).unwrap_or_default();
    let at_us: i64 = row.try_get("at")?;
    let verdict: Verdict = verdict_of(&verdict);
    Ok(RunView {
        id: row.try_get::<i64, _>("report")?.to_string(),
        analyzer: row.try_get("analyzer")?,
        number: row.try_get("number")?,
        specimen: row.try_get("specimen")?,
        class: "control",
        level: row.try_get("level")?,
        state: row.try_get("state")?,
        verdict: verdict.code(),
        detail: run.why,
        at: clock.rfc3339(at_us),
        at_us,
        taken_at: row.try_get("taken_at")?,
        heard_at: clock.rfc3339(row.try_get("heard_at")?),
        control_lot: row.try_get("control_lot")?,
        strip: row.try_get("strip")?,
        strip_lot: row.try_get("strip_lot")?,
        readings: run.readings,
    })
}
