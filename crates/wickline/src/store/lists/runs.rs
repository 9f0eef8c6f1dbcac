//! Runs of control material as people ask for them, and what of an analyzer hangs on them.

use std::collections::BTreeMap;

use serde::Serialize;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};
use wickline_normalize::Report;
use wickline_normalize::controls::{Checked, Run};

use crate::clock::SiteClock;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::at;
use crate::store::rows::control_run::verdict_of;
use crate::store::state::{ReportState, State};
use crate::texts::{Said, say};

/// Runs in one answer at most.
const MOST: i64 = 100_000;

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
    pub state: State,
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
    /// What people noted of it, the oldest first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<RunNote>,
}

/// What a person noted of a run: what was done about it. It stands in the trail and nowhere else.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct RunNote {
    pub at: String,
    pub who: String,
    pub text: String,
}

impl RunNote {
    /// In one text.
    #[must_use]
    pub fn words(&self) -> Said {
        noted(&self.who, &self.text)
    }
}

pub(super) fn noted(who: &str, text: &str) -> Said {
    say!("noted.by", who = who, text = text)
}

/// Notes by the report of their run.
type RunNotes = BTreeMap<i64, Vec<RunNote>>;

const COLUMNS: &str = "run.report, run.analyzer, run.level, run.at, run.verdict, run.control_lot, run.strip, \
     run.strip_lot, run.run, report.number, report.specimen, report.state, report.taken_at, report.heard_at";

impl Ledger {
    /// Runs in the order of their time.
    pub async fn control_runs(
        &self,
        asked: &AskedRuns,
        clock: &SiteClock,
    ) -> Result<Vec<RunView>, StoreError> {
        let query = sqlx::query(sqlx::AssertSqlSafe(format!(
            "SELECT {COLUMNS} FROM control_run run \
             JOIN report ON report.n = run.report AND report.state <> 'repeat' \
             WHERE ($1 = '' OR run.analyzer = $1) AND ($2 = '' OR run.level = $2) \
             AND run.at >= $3 AND run.at < $4 ORDER BY run.at, run.report LIMIT $5"
        )))
        .bind(asked.analyzer.clone().unwrap_or_default())
        .bind(asked.level.clone().unwrap_or_default())
        .bind(asked.from)
        .bind(asked.to)
        .bind(MOST);
        let mut conn = self.db.read().await?;
        let rows = query.fetch_all(&mut conn).await.map_err(|e| self.wrong(&e))?;
        let mut runs: Vec<RunView> =
            rows.iter().map(|row| view(row, clock)).collect::<Result<_, _>>()?;
        noted_on(&mut conn, &mut runs, clock).await?;
        self.db.give_back(conn).await;
        Ok(runs)
    }

    /// The last runs of one level of one analyzer and strip before a time, the oldest first.
    pub async fn last_runs(
        &self,
        (analyzer, level, strip): (&str, &str, &str),
        before: i64,
        many: i64,
        clock: &SiteClock,
    ) -> Result<Vec<RunView>, StoreError> {
        let query = sqlx::query(sqlx::AssertSqlSafe(format!(
            "SELECT {COLUMNS} FROM control_run run \
             JOIN report ON report.n = run.report AND report.state <> 'repeat' \
             WHERE run.analyzer = $1 AND run.level = $2 AND run.at < $3 AND run.strip = $4 \
             ORDER BY run.at DESC, run.report DESC LIMIT $5"
        )))
        .bind(analyzer.to_owned())
        .bind(level.to_owned())
        .bind(before)
        .bind(strip.to_owned())
        .bind(many);
        let mut conn = self.db.read().await?;
        let rows = query.fetch_all(&mut conn).await.map_err(|e| self.wrong(&e))?;
        let mut runs: Vec<RunView> =
            rows.iter().rev().map(|row| view(row, clock)).collect::<Result<_, _>>()?;
        noted_on(&mut conn, &mut runs, clock).await?;
        self.db.give_back(conn).await;
        Ok(runs)
    }

    /// Whether a report is still in the ledger.
    pub async fn is_kept(&self, report: i64) -> Result<bool, StoreError> {
        let query = sqlx::query("SELECT n FROM report WHERE n = $1").bind(report);
        let mut conn = self.db.read().await?;
        let row = query.fetch_optional(&mut conn).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(row.is_some())
    }

    /// One run by the id of its report.
    pub async fn control_run(
        &self,
        id: i64,
        clock: &SiteClock,
    ) -> Result<Option<RunView>, StoreError> {
        let query = sqlx::query(sqlx::AssertSqlSafe(format!(
            "SELECT {COLUMNS} FROM control_run run \
             JOIN report ON report.n = run.report WHERE run.report = $1"
        )))
        .bind(id);
        let mut conn = self.db.read().await?;
        let row = query.fetch_optional(&mut conn).await.map_err(|e| self.wrong(&e))?;
        let mut run = row.map(|row| view(&row, clock)).transpose()?;
        noted_on(&mut conn, run.as_mut_slice(), clock).await?;
        self.db.give_back(conn).await;
        Ok(run)
    }
}

/// Puts to each run what was noted of it. They are in the order of their time.
async fn noted_on(
    conn: &mut AnyConnection,
    runs: &mut [RunView],
    clock: &SiteClock,
) -> Result<(), StoreError> {
    let (Some(first), Some(last)) = (runs.first(), runs.last()) else { return Ok(()) };
    let mut notes = run_notes(conn, (first.at_us, last.at_us), clock).await?;
    for run in runs {
        run.notes = run.id.parse().ok().and_then(|n| notes.remove(&n)).unwrap_or_default();
    }
    Ok(())
}

async fn run_notes(
    conn: &mut AnyConnection,
    (from, to): (i64, i64),
    clock: &SiteClock,
) -> Result<RunNotes, StoreError> {
    let query = sqlx::query(
        "SELECT run.report, note.at, note.who, note.reason FROM control_run run \
         JOIN trail note ON note.object = 'report ' || CAST(run.report AS TEXT) \
         AND note.verb = 'note' WHERE run.at >= $1 AND run.at <= $2",
    )
    .bind(from)
    .bind(to);
    let rows = query.fetch_all(conn).await.map_err(|e| wrong(&e))?;
    let read = |row: &AnyRow| -> Result<(i64, i64, String, Option<String>), sqlx::Error> {
        Ok((
            row.try_get("report")?,
            row.try_get("at")?,
            row.try_get("who")?,
            row.try_get("reason")?,
        ))
    };
    let mut all = rows.iter().map(read).collect::<Result<Vec<_>, _>>().map_err(|e| wrong(&e))?;
    all.sort_by_key(|(_, at, ..)| *at);
    let mut notes = RunNotes::new();
    for (report, at, who, text) in all {
        let text = text.unwrap_or_default();
        notes.entry(report).or_default().push(RunNote { at: clock.rfc3339(at), who, text });
    }
    Ok(notes)
}

/// The strips that the last report on them names.
#[derive(Default)]
pub struct PrintedLot {
    pub lot: Option<String>,
    pub last_day: Option<String>,
}

pub async fn printed(
    conn: &mut AnyConnection,
    analyzer: &str,
    strip: &str,
) -> Result<PrintedLot, StoreError> {
    let query = sqlx::query(
        "SELECT n, print FROM report WHERE analyzer = $1 AND strip = $2 \
         ORDER BY heard_at DESC, n DESC LIMIT 1",
    )
    .bind(analyzer.to_owned())
    .bind(strip.to_owned());
    let row = query.fetch_optional(conn).await.map_err(|e| wrong(&e))?;
    let Some(row) = row else { return Ok(PrintedLot::default()) };
    let n: i64 = row.try_get(0).map_err(|e| wrong(&e))?;
    let print: String = row.try_get(1).map_err(|e| wrong(&e))?;
    let print: Report = at("report", n).json("print", &print)?;
    let lot = print.strip_lot.map(|l| l.trim().to_owned()).filter(|l| !l.is_empty());
    Ok(PrintedLot { lot, last_day: print.strip_expiry.map(|day| day.day_text()) })
}

/// Reports of one analyzer that wait for controls, by strip: among what is held, not among all of its own.
pub async fn held(
    conn: &mut AnyConnection,
    analyzer: &str,
) -> Result<BTreeMap<String, i64>, StoreError> {
    let query = sqlx::query(
        "SELECT report.strip, count(DISTINCT report.n) FROM report \
         JOIN hold ON hold.report = report.n AND hold.cleared_at IS NULL \
         AND hold.reason IN ('controls-failed', 'controls-due') \
         WHERE report.state = 'held' AND coalesce(report.analyzer, '') = $1 GROUP BY report.strip",
    )
    .bind(analyzer.to_owned());
    let rows = query.fetch_all(conn).await.map_err(|e| wrong(&e))?;
    rows.iter()
        .map(|row| Ok((row.try_get(0)?, row.try_get(1)?)))
        .collect::<Result<_, _>>()
        .map_err(|e: sqlx::Error| wrong(&e))
}

fn view(row: &AnyRow, clock: &SiteClock) -> Result<RunView, StoreError> {
    let report: i64 = row.try_get("report").map_err(|e| wrong(&e))?;
    let place = at("control_run", report);
    let text = |column| row.try_get::<String, _>(column).map_err(|e| wrong(&e));
    let verdict = place.word("verdict", &text("verdict")?, verdict_of)?.code();
    let run: Run = place.json("run", &text("run")?)?;
    let state = at("report", report).word("state", &text("state")?, ReportState::of)?;
    shown(row, report, (state.into(), verdict), run, clock).map_err(|e| wrong(&e))
}

fn wrong(error: &sqlx::Error) -> StoreError {
    StoreError::from_sql("the ledger", error)
}

fn shown(
    row: &AnyRow,
    report: i64,
    (state, verdict): (State, &'static str),
    run: Run,
    clock: &SiteClock,
) -> Result<RunView, sqlx::Error> {
    let at_us: i64 = row.try_get("at")?;
    Ok(RunView {
        id: report.to_string(),
        analyzer: row.try_get("analyzer")?,
        number: row.try_get("number")?,
        specimen: row.try_get("specimen")?,
        class: "control",
        level: row.try_get("level")?,
        state,
        verdict,
        detail: run.why,
        at: clock.rfc3339(at_us),
        at_us,
        taken_at: row.try_get("taken_at")?,
        heard_at: clock.rfc3339(row.try_get("heard_at")?),
        control_lot: row.try_get("control_lot")?,
        strip: row.try_get("strip")?,
        strip_lot: row.try_get("strip_lot")?,
        readings: run.readings,
        notes: Vec::new(),
    })
}
