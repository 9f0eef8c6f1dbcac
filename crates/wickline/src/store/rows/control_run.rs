//! Runs of control material: one row for every control report that is no repeat.

use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Executor, Row};
use wickline_normalize::controls::{Run, Verdict};

use super::{at, firsts, kept, storable};
use crate::store::StoreError;
use crate::store::db::Write;

/// The runs of a level before a time that say how it stood then.
const RUNS: i64 = 30;

/// One run, as it goes into its row.
pub struct NewRun<'a> {
    pub report: i64,
    pub analyzer: &'a str,
    pub level: Option<&'a str>,
    pub day: &'a str,
    pub at: i64,
    pub strip: &'a str,
    pub strip_lot: Option<&'a str>,
    pub run: &'a Run,
}

/// One run as the standing of an analyzer is told by it.
pub struct RunRow {
    pub at: i64,
    pub verdict: Verdict,
    pub strip: String,
    pub strip_lot: Option<String>,
}

/// A verdict by its code.
pub(crate) fn verdict_of(code: &str) -> Option<Verdict> {
    [Verdict::Passed, Verdict::Failed, Verdict::NoTarget].into_iter().find(|v| v.code() == code)
}

/// Writes runs; a report that was read again has its run replaced.
pub async fn insert(write: &mut Write, runs: &[NewRun<'_>]) -> Result<(), StoreError> {
    for one in runs {
        let query = sqlx::query(
            "INSERT INTO control_run (report, analyzer, level, day, at, verdict, control_lot, strip, \
             strip_lot, run) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) \
             ON CONFLICT (report) DO UPDATE SET level = excluded.level, day = excluded.day, \
             at = excluded.at, verdict = excluded.verdict, control_lot = excluded.control_lot, \
             strip = excluded.strip, strip_lot = excluded.strip_lot, run = excluded.run",
        )
        .bind(one.report)
        .bind(one.analyzer.to_owned())
        .bind(one.level.map(storable))
        .bind(one.day.to_owned())
        .bind(one.at)
        .bind(one.run.verdict.code())
        .bind(one.run.control_lot.as_deref().map(storable))
        .bind(one.strip.to_owned())
        .bind(one.strip_lot.map(storable))
        .bind(storable(&kept("run", one.run)?));
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    Ok(())
}

/// A person takes back that a report was control material; what the analyzer ran as one stays a run.
pub async fn remove(write: &mut Write, report: i64, stays: bool) -> Result<(), StoreError> {
    if stays {
        return Ok(());
    }
    let query = sqlx::query("DELETE FROM control_run WHERE report = $1").bind(report);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// The runs of a level that say how an instrument stood at any time from this one on, the oldest first: those of
/// the one that stood there before it say nothing.
pub async fn of_level(
    conn: &mut AnyConnection,
    (analyzer, instrument): (&str, i64),
    level: &str,
    from: i64,
) -> Result<Vec<RunRow>, StoreError> {
    let sql = format!(
        "SELECT run.report, run.at, run.verdict, run.strip, run.strip_lot FROM control_run run \
         JOIN report ON report.n = run.report AND report.state <> 'repeat' \
         AND report.instrument = $4 WHERE run.analyzer = $1 AND run.level = $2 \
         AND run.at >= coalesce((SELECT min(before.at) \
         FROM (SELECT at FROM control_run WHERE analyzer = $1 AND level = $2 AND at <= $3 \
         ORDER BY at DESC LIMIT {RUNS}) before), 0) ORDER BY run.at, run.report"
    );
    let query = sqlx::query(AssertSqlSafe(sql)).bind(analyzer.to_owned()).bind(level.to_owned());
    let query = query.bind(from).bind(instrument);
    let rows = conn.fetch_all(query).await.map_err(|e| wrong(&e))?;
    rows.iter().map(read).collect()
}

fn read(row: &AnyRow) -> Result<RunRow, StoreError> {
    let report: i64 = row.try_get("report").map_err(|e| wrong(&e))?;
    let code: String = row.try_get("verdict").map_err(|e| wrong(&e))?;
    let verdict = at("control_run", report).word("verdict", &code, verdict_of)?;
    let read = || -> Result<RunRow, sqlx::Error> {
        let (strip, strip_lot) = (row.try_get("strip")?, row.try_get("strip_lot")?);
        Ok(RunRow { at: row.try_get("at")?, verdict, strip, strip_lot })
    };
    read().map_err(|e| wrong(&e))
}

/// The next held reports after `after` of an analyzer that wait for controls: their ids. Among what is held,
/// not among all of its own.
pub async fn waiting(
    write: &mut Write,
    analyzer: &str,
    after: i64,
    limit: i64,
) -> Result<Vec<i64>, StoreError> {
    let query = sqlx::query(
        "SELECT DISTINCT report.n FROM report JOIN hold ON hold.report = report.n \
         AND hold.cleared_at IS NULL AND hold.reason IN ('controls-failed', 'controls-due') \
         WHERE report.state = 'held' AND report.corrects IS NULL AND coalesce(report.analyzer, '') = $1 \
         AND report.n > $2 ORDER BY report.n LIMIT $3",
    )
    .bind(analyzer.to_owned())
    .bind(after)
    .bind(limit);
    firsts(write, query).await
}

fn wrong(error: &sqlx::Error) -> StoreError {
    StoreError::from_sql("the ledger", error)
}
