//! Specimen ids that a report had before: whoever asks for one of them finds it under the new one.

use sqlx::Executor;

use crate::clock;
use crate::store::StoreError;
use crate::store::db::Write;

pub(crate) const RENAMED: &str = "INSERT INTO named (specimen, report, at, what) \
     SELECT specimen, n, CAST($1 AS BIGINT), CAST($2 AS TEXT) FROM report \
     WHERE n = $3 AND specimen IS NOT NULL AND specimen <> '' AND specimen <> $4 \
     ON CONFLICT (specimen, report, at) DO NOTHING";

/// Notes the specimen id that a report has until now, where an act (`what`) is about to give it another.
/// To be called in the act's own transaction, before the report is changed.
pub(crate) async fn keep(
    write: &mut Write,
    report: i64,
    after: Option<&str>,
    what: &str,
) -> Result<(), StoreError> {
    let query = sqlx::query(RENAMED)
        .bind(clock::now_us())
        .bind(what.to_owned())
        .bind(report)
        .bind(after.unwrap_or_default().to_owned());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}
