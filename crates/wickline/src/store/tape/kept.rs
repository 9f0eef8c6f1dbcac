//! A tape as something that is copied and put back: which lines it has, whether it goes on from another, and where it
//! goes on after its end was lost.

use std::collections::BTreeMap;
use std::path::Path;

use sqlx::{Executor, Row};

use super::{Entry, Kind, SCHEMAS, Tape, signed};
use crate::address::Address;
use crate::clock;
use crate::store::StoreError;
use crate::store::db::Db;
use crate::store::schema::version_of;
use crate::store::seen::LineSeen;

impl Tape {
    /// The version of the schema that this program knows.
    #[must_use]
    pub fn schema() -> i64 {
        version_of(SCHEMAS.len())
    }

    /// The lines of which anything stands on it.
    pub async fn lines(&self) -> Result<Vec<String>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = conn.fetch_all("SELECT DISTINCT line FROM heard ORDER BY line").await;
        let rows = rows.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        rows.iter().map(|row| row.try_get(0).map_err(|e| self.wrong(&e))).collect()
    }

    /// Copies it, as it is now, into a new file.
    pub async fn copy_into(&self, to: &Path) -> Result<(), StoreError> {
        self.db.copy_into(to).await
    }

    /// Whether it is the other one, and perhaps more: the last that the other has of each line stands here in the
    /// same place. Two that went on from one copy do not.
    pub async fn goes_on_from(&self, other: &Tape) -> Result<bool, StoreError> {
        if self.id != other.id {
            return Ok(false);
        }
        for line in other.lines().await? {
            let (last, _) = other.tail(&line, 0).await?;
            let of = async |tape: &Tape| tape.after(&line, last - 1, 1).await;
            let (here, there) = (of(self).await?, of(other).await?);
            let what = |e: &Entry| (e.n, e.at, e.tick, e.kind, e.start, e.data.clone());
            if here.first().map(what) != there.first().map(what) {
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// Has a tape that ends before what was read from it go on behind that: no place is given out a second time. What
    /// is missing becomes a gap; how many bytes of which line.
    pub async fn go_on_behind(
        path: &Path,
        read: &BTreeMap<String, LineSeen>,
    ) -> Result<Vec<(String, u64)>, StoreError> {
        let db = Db::open(Address::Sqlite(path.to_owned()), SCHEMAS).await?;
        db.close().await?;
        let tape = Tape::look(path).await?;
        let mut gaps = Vec::new();
        for (line, seen) in read {
            let (entry, byte) = tape.end(line).await?;
            if seen.entry > entry || seen.perhaps_to > byte {
                gaps.push((line.clone(), byte, seen.perhaps_to.saturating_sub(byte)));
            }
        }
        tape.db.close().await?;
        let last = read.values().map(|seen| seen.entry).max().unwrap_or(0);
        let mut write = db.write().await?;
        for (line, start, lost) in &gaps {
            let query = sqlx::query(
                "INSERT INTO heard (n, line, at_us, tick_us, kind, start, data) VALUES \
                 (max($1, (SELECT coalesce(max(n), 0) FROM heard)) + 1, $2, $3, 0, $4, $5, $6)",
            )
            .bind(last)
            .bind(line.as_str())
            .bind(clock::now_us())
            .bind(Kind::Gap.text())
            .bind(signed(*start))
            .bind(lost.to_string().into_bytes());
            write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        }
        write.commit().await?;
        db.close().await?;
        Ok(gaps.into_iter().map(|(line, _, lost)| (line, lost)).collect())
    }
}
