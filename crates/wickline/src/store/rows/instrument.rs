//! The instruments that took another's place, as people enter them: which one stands at an analyzer since when.

use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Executor, Row};

use super::storable;
use crate::store::StoreError;
use crate::store::db::Write;

/// One instrument. The one that stood there first has no row: it is number 0.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entered {
    pub n: i64,
    pub since: i64,
    pub serial: String,
}

/// The instruments of one analyzer, the first first.
pub async fn of(conn: &mut AnyConnection, analyzer: &str) -> Result<Vec<Entered>, StoreError> {
    let query =
        sqlx::query("SELECT n, since, serial FROM instrument WHERE analyzer = $1 ORDER BY n")
            .bind(analyzer.to_owned());
    let wrong = |e: sqlx::Error| StoreError::from_sql("the ledger", &e);
    let rows = conn.fetch_all(query).await.map_err(wrong)?;
    rows.iter().map(read).collect::<Result<_, _>>().map_err(wrong)
}

fn read(row: &AnyRow) -> Result<Entered, sqlx::Error> {
    let (n, since) = (row.try_get("n")?, row.try_get("since")?);
    Ok(Entered { n, since, serial: row.try_get("serial")? })
}

/// Enters one.
pub async fn enter(write: &mut Write, analyzer: &str, one: &Entered) -> Result<(), StoreError> {
    let query =
        sqlx::query("INSERT INTO instrument (analyzer, n, since, serial) VALUES ($1, $2, $3, $4)")
            .bind(analyzer.to_owned())
            .bind(one.n)
            .bind(one.since)
            .bind(storable(&one.serial));
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// The instrument that a report is of, where it was entered.
pub async fn of_report(
    conn: &mut AnyConnection,
    report: i64,
) -> Result<Option<Entered>, StoreError> {
    let query = sqlx::query(
        "SELECT i.n, i.since, i.serial FROM report r JOIN instrument i ON i.analyzer = r.analyzer \
         AND i.n = r.instrument WHERE r.n = $1",
    )
    .bind(report);
    let wrong = |e: sqlx::Error| StoreError::from_sql("the ledger", &e);
    let row = conn.fetch_optional(query).await.map_err(wrong)?;
    row.as_ref().map(read).transpose().map_err(wrong)
}
