//! Months whose runs of control material a person reviewed and signed.

use std::collections::BTreeMap;

use sqlx::{AnyConnection, Executor, Row};

use super::{at, kept};
use crate::store::StoreError;
use crate::store::db::Write;

/// A month that was reviewed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reviewed {
    pub at: i64,
    pub who: String,
    /// The runs that were looked at, and how each stood then: what differs later was not.
    pub runs: BTreeMap<String, String>,
}

/// How a month was reviewed. None: it was not.
pub async fn of_month(
    conn: &mut AnyConnection,
    month: &str,
) -> Result<Option<Reviewed>, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("a row of review", &e);
    let query = sqlx::query("SELECT at, who, runs FROM review WHERE month = $1");
    let row = conn.fetch_optional(query.bind(month.to_owned())).await.map_err(wrong)?;
    let Some(row) = row else { return Ok(None) };
    let runs: String = row.try_get("runs").map_err(wrong)?;
    Ok(Some(Reviewed {
        at: row.try_get("at").map_err(wrong)?,
        who: row.try_get("who").map_err(wrong)?,
        runs: at("review", month).json("runs", &runs)?,
    }))
}

/// Writes a review, or that of a month that was opened again.
pub async fn put(write: &mut Write, month: &str, reviewed: &Reviewed) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO review (month, at, who, runs) VALUES ($1, $2, $3, $4) \
         ON CONFLICT (month) DO UPDATE SET at = excluded.at, who = excluded.who, runs = excluded.runs",
    )
    .bind(month.to_owned())
    .bind(reviewed.at)
    .bind(reviewed.who.clone())
    .bind(kept("runs", &reviewed.runs)?);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}
