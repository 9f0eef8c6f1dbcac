//! Days that a person closed.

use std::collections::BTreeMap;

use sqlx::{AnyConnection, Executor, Row};

use super::{at, kept};
use crate::store::StoreError;
use crate::store::db::Write;

/// A day that a person closed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Closed {
    pub at: i64,
    pub who: String,
    /// The confirmed numbers of each analyzer.
    pub last: BTreeMap<String, Vec<String>>,
    /// The last report that the ledger had.
    pub reports: i64,
}

/// How a day was closed. None: it was not.
pub async fn of_day(conn: &mut AnyConnection, day: &str) -> Result<Option<Closed>, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("a row of closing", &e);
    let query = sqlx::query("SELECT closed_at, who, last, reports FROM closing WHERE day = $1");
    let row = conn.fetch_optional(query.bind(day.to_owned())).await.map_err(wrong)?;
    let Some(row) = row else { return Ok(None) };
    let last: String = row.try_get("last").map_err(wrong)?;
    Ok(Some(Closed {
        at: row.try_get("closed_at").map_err(wrong)?,
        who: row.try_get("who").map_err(wrong)?,
        last: at("closing", day).json("last", &last)?,
        reports: row.try_get("reports").map_err(wrong)?,
    }))
}

/// Closes a day, or closes it again.
pub async fn put(write: &mut Write, day: &str, closed: &Closed) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO closing (day, closed_at, who, last, reports) VALUES ($1, $2, $3, $4, $5) \
         ON CONFLICT (day) DO UPDATE SET closed_at = excluded.closed_at, who = excluded.who, \
         last = excluded.last, reports = excluded.reports",
    )
    .bind(day.to_owned())
    .bind(closed.at)
    .bind(closed.who.clone())
    .bind(kept("last", &closed.last)?)
    .bind(closed.reports);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Lets nothing be taken in until this write is done: what comes after is told by its number. Returns the
/// last report that there is.
pub async fn hold_off(write: &mut Write) -> Result<i64, StoreError> {
    write.run("UPDATE counter SET value = value WHERE name = 'report'").await?;
    write.one("SELECT value FROM counter WHERE name = 'report'", |row| row.try_get(0)).await
}
