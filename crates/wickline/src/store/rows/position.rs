//! How far each line's tape was read into this ledger, and up to where what it holds was perhaps sent before.

use sqlx::{Executor, Row};

use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;

/// Tape entries behind which nothing was pending: where the reader last noted to be, and where it is now.
#[derive(Clone, Copy, Debug, Default)]
pub struct Span {
    pub noted: i64,
    pub safe: i64,
}

impl Span {
    /// Up to here, wherever it was before.
    #[must_use]
    pub fn to(safe: i64) -> Self {
        Self { noted: 0, safe }
    }
}

impl Ledger {
    /// The tapes that were read into it.
    pub async fn tapes(&self) -> Result<Vec<String>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = conn.fetch_all("SELECT DISTINCT tape FROM position ORDER BY tape").await;
        let rows = rows.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        rows.iter().map(|row| row.try_get(0).map_err(|e| self.wrong(&e))).collect()
    }
}

/// Notes how far a line's tape was read. A ledger that stands before the place where its only reader left
/// it was set back under it: what was read since is in no ledger. The offset up to which reports on this
/// tape were perhaps sent before; 0: none.
pub(crate) async fn read_on(
    write: &mut Write,
    tape: &str,
    analyzer: &str,
    span: Span,
) -> Result<u64, StoreError> {
    let query =
        sqlx::query("SELECT entry, doubt_to FROM position WHERE tape = $1 AND analyzer = $2")
            .bind(tape)
            .bind(analyzer);
    let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
    let read = |row: &sqlx::any::AnyRow| -> Result<(i64, i64), sqlx::Error> {
        Ok((row.try_get("entry")?, row.try_get("doubt_to")?))
    };
    let stands = row.as_ref().map(read).transpose().map_err(|e| write.wrong(&e))?;
    let (entry, doubt_to) = stands.unwrap_or_default();
    if entry < span.noted {
        let why = format!(
            "it was set back while this ran: {analyzer} was read to entry {}, it says {entry}",
            span.noted
        );
        return Err(StoreError::Unsafe { what: "the ledger".into(), why });
    }
    let query = sqlx::query(
        "INSERT INTO position (tape, analyzer, entry) VALUES ($1, $2, $3) \
         ON CONFLICT (tape, analyzer) DO UPDATE SET entry = excluded.entry",
    )
    .bind(tape)
    .bind(analyzer)
    .bind(span.safe);
    write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    Ok(u64::try_from(doubt_to).unwrap_or(0))
}

/// Notes that reports of a line up to an offset of its tape were perhaps sent before.
pub(crate) async fn doubt_to(
    write: &mut Write,
    tape: &str,
    analyzer: &str,
    to: u64,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO position (tape, analyzer, entry, doubt_to) VALUES ($1, $2, 0, $3) \
         ON CONFLICT (tape, analyzer) DO UPDATE SET doubt_to = excluded.doubt_to \
         WHERE position.doubt_to < excluded.doubt_to",
    )
    .bind(tape)
    .bind(analyzer)
    .bind(i64::try_from(to).unwrap_or(i64::MAX));
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}
