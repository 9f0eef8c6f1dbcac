//! What was read from a stretch of tape, to be compared with another reading of it.

use sqlx::Row;
use sqlx::any::AnyRow;

use crate::acts::again::{Seen, texts};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::state::State;

/// A report's place on its tape: offset of the first byte, and which of the reports there.
pub type Key = (i64, i64);

impl Ledger {
    /// The reports that begin between two offsets of a line's tape, in order.
    pub async fn seen_between(
        &self,
        tape: &str,
        analyzer: &str,
        from: i64,
        to: i64,
    ) -> Result<Vec<(Key, Seen)>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(
            "SELECT n, place_from, part, state, class, number, specimen, readings FROM report \
             WHERE tape = $1 AND analyzer = $2 AND place_from >= $3 AND place_from < $4 \
             ORDER BY place_from, part",
        )
        .bind(tape)
        .bind(analyzer)
        .bind(from)
        .bind(to)
        .fetch_all(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        let mut found = Vec::new();
        for row in &rows {
            let (key, n, mut seen) = read(row).map_err(|e| self.wrong(&e))?;
            let holds = sqlx::query("SELECT reason FROM hold WHERE report = $1 ORDER BY ix")
                .bind(n)
                .fetch_all(&mut conn)
                .await
                .map_err(|e| self.wrong(&e))?;
            let reasons = holds.iter().map(|hold| hold.try_get("reason"));
            seen.reasons = reasons.collect::<Result<_, _>>().map_err(|e| self.wrong(&e))?;
            if !seen.reasons.is_empty() {
                // What people did with it since is not what was read.
                seen.state = State::Held.text().to_owned();
            }
            found.push((key, seen));
        }
        self.db.give_back(conn).await;
        Ok(found)
    }

    /// Where the last report of a line's tape begins. None: there is none.
    pub async fn last_place(&self, tape: &str, analyzer: &str) -> Result<Option<i64>, StoreError> {
        let mut conn = self.db.read().await?;
        let row =
            sqlx::query("SELECT max(place_from) FROM report WHERE tape = $1 AND analyzer = $2")
                .bind(tape)
                .bind(analyzer)
                .fetch_one(&mut conn)
                .await
                .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        row.try_get(0).map_err(|e| self.wrong(&e))
    }
}

fn read(row: &AnyRow) -> Result<(Key, i64, Seen), sqlx::Error> {
    let seen = Seen {
        state: row.try_get("state")?,
        reasons: Vec::new(),
        class: row.try_get("class")?,
        number: row.try_get("number")?,
        specimen: row.try_get("specimen")?,
        readings: texts(&row.try_get::<String, _>("readings")?),
    };
    Ok(((row.try_get("place_from")?, row.try_get("part")?), row.try_get("n")?, seen))
}
