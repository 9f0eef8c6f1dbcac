//! What patients' strips of a day read, without whose they are.

use sqlx::Row;
use sqlx::any::AnyRow;
use wickline_normalize::readings::Reading;

use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::at;

/// One strip that stands as a result.
pub struct ReadStrip {
    pub analyzer: String,
    pub strip: String,
    pub readings: Vec<Reading>,
}

impl Ledger {
    /// The strips of a day that count: no control material, nothing held, repeated, set aside or corrected since.
    pub async fn read_on(&self, day: &str) -> Result<Vec<ReadStrip>, StoreError> {
        let query = sqlx::query(
            "SELECT r.n, r.analyzer, r.strip, r.readings FROM report r WHERE r.day = $1 \
             AND r.class <> 'control' AND r.control_sign = 0 \
             AND r.state NOT IN ('held', 'repeat', 'set-aside') \
             AND NOT EXISTS (SELECT 1 FROM report c WHERE c.corrects = r.n \
             AND c.state NOT IN ('held', 'repeat', 'set-aside'))",
        )
        .bind(day.to_owned());
        let mut conn = self.db.read().await?;
        let rows = query.fetch_all(&mut conn).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        rows.iter().map(|row| self.strip_of(row)).collect()
    }

    fn strip_of(&self, row: &AnyRow) -> Result<ReadStrip, StoreError> {
        let read = || -> Result<(i64, String, String, String), sqlx::Error> {
            let (n, analyzer) = (row.try_get("n")?, row.try_get("analyzer")?);
            Ok((n, analyzer, row.try_get("strip")?, row.try_get("readings")?))
        };
        let (n, analyzer, strip, text) = read().map_err(|e| self.wrong(&e))?;
        Ok(ReadStrip { analyzer, strip, readings: at("report", n).json("readings", &text)? })
    }
}
