//! Holds: why reports wait, or waited, for a person.

use sqlx::{AssertSqlSafe, Executor, Row};
use wickline_normalize::{Hold, Reason};

use super::{at, storable};
use crate::clock;
use crate::store::StoreError;
use crate::store::db::Write;

/// Rows of one statement at most; Postgres takes 65,535 parameters, SQLite 32,766.
const ROWS: usize = 1000;

/// A hold that stands, with its place among those of its report.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OpenHold {
    pub ix: i64,
    pub reason: Reason,
    pub detail: String,
}

fn read(report: i64, row: &sqlx::any::AnyRow) -> Result<(Reason, String), StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("a hold", &e);
    let code: String = row.try_get("reason").map_err(wrong)?;
    let reason = at("hold", report).word("reason", &code, |c| c.parse().ok())?;
    Ok((reason, row.try_get("detail").map_err(wrong)?))
}

/// What still holds a report.
pub async fn open_of(write: &mut Write, report: i64) -> Result<Vec<OpenHold>, StoreError> {
    let query = sqlx::query(
        "SELECT ix, reason, detail FROM hold WHERE report = $1 AND cleared_at IS NULL ORDER BY ix",
    )
    .bind(report);
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let one = |row: &sqlx::any::AnyRow| {
        let (reason, detail) = read(report, row)?;
        Ok(OpenHold { ix: row.try_get("ix").map_err(|e| write.wrong(&e))?, reason, detail })
    };
    rows.iter().map(one).collect()
}

/// What held a report and was cleared.
pub async fn cleared(write: &mut Write, report: i64) -> Result<Vec<(Reason, String)>, StoreError> {
    let query =
        sqlx::query("SELECT reason, detail FROM hold WHERE report = $1 AND cleared_at IS NOT NULL")
            .bind(report);
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    rows.iter().map(|row| read(report, row)).collect()
}

/// What a person let a report go in spite of.
pub async fn released(write: &mut Write, report: i64) -> Result<Vec<Reason>, StoreError> {
    let query = sqlx::query("SELECT reason, detail FROM hold WHERE report = $1 AND released = 1")
        .bind(report);
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    rows.iter().map(|row| Ok(read(report, row)?.0)).collect()
}

/// What a person let a report go in spite of holds for these reasons no more.
pub async fn release_ends(
    write: &mut Write,
    report: i64,
    ends: fn(Reason) -> bool,
) -> Result<(), StoreError> {
    for reason in released(write, report).await?.into_iter().filter(|reason| ends(*reason)) {
        let query = sqlx::query("UPDATE hold SET released = 0 WHERE report = $1 AND reason = $2")
            .bind(report)
            .bind(reason.code());
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    Ok(())
}

/// Enters holds: report, the place of the first, and the holds.
pub async fn insert(write: &mut Write, holds: &[(i64, i64, &Vec<Hold>)]) -> Result<(), StoreError> {
    let flat: Vec<(i64, i64, &Hold)> = holds
        .iter()
        .flat_map(|(n, first, list)| list.iter().zip(*first..).map(|(hold, ix)| (*n, ix, hold)))
        .collect();
    for group in flat.chunks(ROWS) {
        let sql = format!(
            "INSERT INTO hold (report, ix, reason, detail, line) VALUES {}",
            write.values(group.len(), 5)
        );
        let mut query = sqlx::query(AssertSqlSafe(sql));
        for (n, ix, hold) in group {
            query = query
                .bind(*n)
                .bind(*ix)
                .bind(hold.reason.code())
                .bind(storable(&hold.detail))
                .bind(hold.line.and_then(|l| i64::try_from(l).ok()));
        }
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    Ok(())
}

/// Clears one hold of a report; `released`: a person lets it go against the rule.
pub async fn clear(
    write: &mut Write,
    report: i64,
    ix: i64,
    released: bool,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE hold SET cleared_at = $1, released = $2 \
         WHERE report = $3 AND ix = $4 AND cleared_at IS NULL",
    )
    .bind(clock::now_us())
    .bind(i64::from(released))
    .bind(report)
    .bind(ix);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Clears all that holds a report.
pub async fn clear_all(write: &mut Write, report: i64) -> Result<(), StoreError> {
    let query =
        sqlx::query("UPDATE hold SET cleared_at = $1 WHERE report = $2 AND cleared_at IS NULL")
            .bind(clock::now_us())
            .bind(report);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// What was open is judged anew; what was cleared stays as it was.
pub async fn replace(write: &mut Write, report: i64, holds: &Vec<Hold>) -> Result<(), StoreError> {
    let delete =
        sqlx::query("DELETE FROM hold WHERE report = $1 AND cleared_at IS NULL").bind(report);
    write.conn().execute(delete).await.map_err(|e| write.wrong(&e))?;
    append(write, report, holds).await
}

/// One more hold of a report.
pub async fn add(write: &mut Write, report: i64, hold: Hold) -> Result<(), StoreError> {
    append(write, report, &vec![hold]).await
}

async fn append(write: &mut Write, report: i64, holds: &Vec<Hold>) -> Result<(), StoreError> {
    let first =
        sqlx::query("SELECT coalesce(max(ix), -1) + 1 FROM hold WHERE report = $1").bind(report);
    let first = write.conn().fetch_one(first).await.map_err(|e| write.wrong(&e))?;
    let first: i64 = first.try_get(0).map_err(|e| write.wrong(&e))?;
    insert(write, &[(report, first, holds)]).await
}

/// Sets the holds for these reasons up again that were cleared.
pub async fn reopen(write: &mut Write, report: i64, reasons: &[Reason]) -> Result<(), StoreError> {
    for reason in reasons {
        let query =
            sqlx::query("UPDATE hold SET cleared_at = NULL WHERE report = $1 AND reason = $2")
                .bind(report)
                .bind(reason.code());
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    Ok(())
}
