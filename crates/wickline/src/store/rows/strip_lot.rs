//! The strip lots in use, as people enter them.

use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Executor, Row};
use wickline_normalize::judge::StripLot;

use super::storable;
use crate::store::StoreError;
use crate::store::db::Write;

/// One lot: for which strip type, and since when.
#[derive(Clone, Debug)]
pub struct Entered {
    pub strip: String,
    pub since: i64,
    pub lot: StripLot,
}

/// The lots of one analyzer, in the order in which they were entered.
pub async fn of(conn: &mut AnyConnection, analyzer: &str) -> Result<Vec<Entered>, StoreError> {
    let query = sqlx::query(
        "SELECT strip, since, lot, last_day FROM strip_lot WHERE analyzer = $1 ORDER BY since, strip",
    )
    .bind(analyzer.to_owned());
    let wrong = |e: sqlx::Error| StoreError::from_sql("the ledger", &e);
    let rows = conn.fetch_all(query).await.map_err(wrong)?;
    let read = |row: &AnyRow| -> Result<Entered, sqlx::Error> {
        let lot = StripLot { lot: row.try_get("lot")?, last_day: row.try_get("last_day")? };
        Ok(Entered { strip: row.try_get("strip")?, since: row.try_get("since")?, lot })
    };
    rows.iter().map(read).collect::<Result<_, _>>().map_err(wrong)
}

/// Enters a lot that is in use from `since` on.
pub async fn enter(
    write: &mut Write,
    analyzer: &str,
    strip: &str,
    since: i64,
    lot: &StripLot,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO strip_lot (analyzer, strip, since, lot, last_day) VALUES ($1, $2, $3, $4, $5)",
    )
    .bind(analyzer.to_owned())
    .bind(strip.to_owned())
    .bind(since)
    .bind(storable(&lot.lot))
    .bind(lot.last_day.clone());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}
