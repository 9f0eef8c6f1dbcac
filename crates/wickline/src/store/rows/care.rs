//! The care log: what was done for an analyzer, by day, as somebody signed for it.

use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Executor, Row};

use super::storable;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::take;

/// One entry.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CareRow {
    pub n: i64,
    pub name: String,
    pub analyzer: String,
    /// The day on which it was done.
    pub day: String,
    /// When it was entered.
    pub at: i64,
    pub who: String,
    pub lot: Option<String>,
    pub use_until: Option<String>,
    pub reason: Option<String>,
    /// When it was struck through, by whom and why.
    pub struck: Option<(i64, String, String)>,
}

const COLUMNS: &str =
    "n, name, analyzer, day, at, who, lot, use_until, reason, struck_at, struck_by, struck_why";

fn read(row: &AnyRow) -> Result<CareRow, sqlx::Error> {
    let struck: (Option<i64>, Option<String>, Option<String>) =
        (row.try_get("struck_at")?, row.try_get("struck_by")?, row.try_get("struck_why")?);
    Ok(CareRow {
        n: row.try_get("n")?,
        name: row.try_get("name")?,
        analyzer: row.try_get("analyzer")?,
        day: row.try_get("day")?,
        at: row.try_get("at")?,
        who: row.try_get("who")?,
        lot: row.try_get("lot")?,
        use_until: row.try_get("use_until")?,
        reason: row.try_get("reason")?,
        struck: struck.0.map(|at| (at, struck.1.unwrap_or_default(), struck.2.unwrap_or_default())),
    })
}

fn wrong(error: &sqlx::Error) -> StoreError {
    StoreError::from_sql("the care log", error)
}

/// The entries of one analyzer of these days, both included, in their order.
pub async fn of_days(
    conn: &mut AnyConnection,
    analyzer: &str,
    (first, last): (&str, &str),
) -> Result<Vec<CareRow>, StoreError> {
    let query = sqlx::query(sqlx::AssertSqlSafe(format!(
        "SELECT {COLUMNS} FROM care WHERE analyzer = $1 AND day >= $2 AND day <= $3 ORDER BY day, n"
    )))
    .bind(analyzer.to_owned())
    .bind(first.to_owned())
    .bind(last.to_owned());
    let rows = conn.fetch_all(query).await.map_err(|e| wrong(&e))?;
    rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| wrong(&e))
}

/// The last entry of one care that stands.
pub async fn last(
    conn: &mut AnyConnection,
    analyzer: &str,
    name: &str,
) -> Result<Option<CareRow>, StoreError> {
    let query = sqlx::query(sqlx::AssertSqlSafe(format!(
        "SELECT {COLUMNS} FROM care WHERE analyzer = $1 AND name = $2 AND struck_at IS NULL \
         ORDER BY day DESC, n DESC LIMIT 1"
    )))
    .bind(analyzer.to_owned())
    .bind(name.to_owned());
    let row = conn.fetch_optional(query).await.map_err(|e| wrong(&e))?;
    row.as_ref().map(read).transpose().map_err(|e| wrong(&e))
}

/// The first day on which somebody ever signed for a care. None: nobody did.
pub async fn since(
    conn: &mut AnyConnection,
    analyzer: &str,
    name: &str,
) -> Result<Option<String>, StoreError> {
    let query = sqlx::query("SELECT min(day) FROM care WHERE analyzer = $1 AND name = $2")
        .bind(analyzer.to_owned())
        .bind(name.to_owned());
    let row = conn.fetch_one(query).await.map_err(|e| wrong(&e))?;
    row.try_get(0).map_err(|e| wrong(&e))
}

/// One entry by its number.
pub async fn one(conn: &mut AnyConnection, n: i64) -> Result<Option<CareRow>, StoreError> {
    let text = format!("SELECT {COLUMNS} FROM care WHERE n = $1");
    let query = sqlx::query(sqlx::AssertSqlSafe(text)).bind(n);
    let row = conn.fetch_optional(query).await.map_err(|e| wrong(&e))?;
    row.as_ref().map(read).transpose().map_err(|e| wrong(&e))
}

/// Enters one; its number is given here.
pub async fn enter(write: &mut Write, mut entry: CareRow) -> Result<CareRow, StoreError> {
    entry.n = take(write, "care", 1).await?;
    let query = sqlx::query(
        "INSERT INTO care (n, name, analyzer, day, at, who, lot, use_until, reason) \
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
    )
    .bind(entry.n)
    .bind(entry.name.clone())
    .bind(entry.analyzer.clone())
    .bind(entry.day.clone())
    .bind(entry.at)
    .bind(entry.who.clone())
    .bind(entry.lot.as_deref().map(storable))
    .bind(entry.use_until.clone())
    .bind(entry.reason.as_deref().map(storable));
    write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    Ok(entry)
}

/// Strikes one through: it stays and counts no more.
pub async fn strike(
    write: &mut Write,
    n: i64,
    at: i64,
    (who, why): (&str, &str),
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE care SET struck_at = $1, struck_by = $2, struck_why = $3 \
         WHERE n = $4 AND struck_at IS NULL",
    )
    .bind(at)
    .bind(who.to_owned())
    .bind(storable(why))
    .bind(n);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}
