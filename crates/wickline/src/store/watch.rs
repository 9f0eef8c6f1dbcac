//! The tape as one sees it who stands beside the daemon: every entry, and nothing can be written.

use std::path::Path;

use sqlx::Row;

use super::StoreError;
use super::db::Db;
use super::tape::{Entry, SCHEMAS, entry};

/// A tape that another process writes.
#[derive(Clone, Debug)]
pub struct Watch {
    db: Db,
}

impl Watch {
    /// Opens the tape at `path`, which must be there.
    pub async fn open(path: &Path) -> Result<Watch, StoreError> {
        Ok(Watch { db: Db::watch(path, SCHEMAS.len()).await? })
    }

    /// A line's last entry, and the one so many entries before it; 0 where there is none.
    pub async fn end(&self, line: &str, before: i64) -> Result<(i64, i64), StoreError> {
        let mut conn = self.db.read().await?;
        let row = sqlx::query(
            "SELECT coalesce((SELECT max(n) FROM heard WHERE line = $1), 0), \
             coalesce((SELECT n FROM heard WHERE line = $1 ORDER BY n DESC LIMIT 1 OFFSET $2), 0)",
        )
        .bind(line)
        .bind(before)
        .fetch_one(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let number = |n: usize| row.try_get(n).map_err(|e| self.wrong(&e));
        Ok((number(0)?, number(1)?))
    }

    /// Entries of a line after entry `n`, oldest first.
    pub async fn after(&self, line: &str, n: i64, limit: i64) -> Result<Vec<Entry>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(
            "SELECT n, at_us, tick_us, kind, start, data, flaws FROM heard \
             WHERE line = $1 AND n > $2 ORDER BY n LIMIT $3",
        )
        .bind(line)
        .bind(n)
        .bind(limit)
        .fetch_all(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        rows.iter().map(entry).collect::<Result<_, _>>().map_err(|e| self.wrong(&e))
    }

    fn wrong(&self, error: &sqlx::Error) -> StoreError {
        StoreError::from_sql("the tape", error)
    }
}
