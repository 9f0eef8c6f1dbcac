//! Emptying the tape from its front. What is left keeps its places: a line's last entry stays as a mark of where
//! the line stands, and one that is needed in part is cut.

use sqlx::Executor;

use super::{Entry, Kind, Tape, entry, entry_end, signed};
use crate::store::StoreError;

/// Entries of one step: the daemon that writes the tape waits for no more.
const STEP: i64 = 1000;

impl Tape {
    /// Up to which offset a line has nothing that was heard at `cutoff` or later, nor stands behind entry `read`.
    pub async fn old_to(&self, line: &str, read: i64, cutoff: i64) -> Result<u64, StoreError> {
        let mut conn = self.db.read().await?;
        let last = sqlx::query(
            "SELECT n, start, data, kind FROM heard WHERE line = $1 AND n <= $2 AND n < coalesce( \
             (SELECT min(n) FROM heard WHERE line = $1 AND at_us >= $3), 9223372036854775807) \
             ORDER BY n DESC LIMIT 1",
        )
        .bind(line)
        .bind(read)
        .bind(cutoff);
        let row = last.fetch_optional(&mut conn).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        row.as_ref().map_or(Ok(0), entry_end)
    }

    /// Empties a line up to an offset, in steps that may each be the last. How many bytes went.
    pub async fn clear(&self, line: &str, to: u64) -> Result<u64, StoreError> {
        let (last, _) = self.end(line).await?;
        let mut cleared = 0;
        loop {
            let entries = self.front(line).await?;
            let whole = entries.iter().take_while(|(e, end)| *end <= to && e.n < last);
            let gone = whole.last().map(|(e, _)| e.n);
            let bytes = |e: &Entry| if e.kind == Kind::Bytes { e.data.len() as u64 } else { 0 };
            if let Some(gone) = gone {
                let these = entries.iter().filter(|(e, _)| e.n <= gone);
                cleared += these.map(|(e, _)| bytes(e)).sum::<u64>();
                self.drop_front(line, gone).await?;
            }
            match entries.iter().find(|(e, _)| Some(e.n) > gone) {
                // All of this step went: the next one.
                None if !entries.is_empty() => {}
                Some((first, end)) if *end <= to && !first.data.is_empty() => {
                    // The last of its line: where the line stands is all that stays of it.
                    let mark = Entry {
                        kind: Kind::Closed,
                        start: *end,
                        data: Vec::new(),
                        ..first.clone()
                    };
                    self.put(line, &Entry { flaws: Vec::new(), ..mark }).await?;
                    return Ok(cleared + bytes(first));
                }
                Some((first, _)) if first.start < to && first.kind == Kind::Bytes => {
                    let cut = usize::try_from(to - first.start).unwrap_or(usize::MAX);
                    let cut = cut.min(first.data.len());
                    let flaws = first.flaws.iter().filter_map(|at| at.checked_sub(cut)).collect();
                    let data = first.data[cut..].to_vec();
                    self.put(line, &Entry { start: to, data, flaws, ..first.clone() }).await?;
                    return Ok(cleared + cut as u64);
                }
                _ => return Ok(cleared),
            }
        }
    }

    /// A line's first entries, and where each ends.
    async fn front(&self, line: &str) -> Result<Vec<(Entry, u64)>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(
            "SELECT n, at_us, tick_us, kind, start, data, flaws FROM heard WHERE line = $1 \
             ORDER BY n LIMIT $2",
        )
        .bind(line)
        .bind(STEP)
        .fetch_all(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        rows.iter().map(|row| Ok((entry(row)?, entry_end(row)?))).collect()
    }

    async fn drop_front(&self, line: &str, to: i64) -> Result<(), StoreError> {
        let mut write = self.db.write().await?;
        let query =
            sqlx::query("DELETE FROM heard WHERE line = $1 AND n <= $2").bind(line).bind(to);
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        write.commit().await
    }

    async fn put(&self, line: &str, new: &Entry) -> Result<(), StoreError> {
        let flaws: Vec<String> = new.flaws.iter().map(ToString::to_string).collect();
        let flaws = (!flaws.is_empty()).then(|| flaws.join(","));
        let mut write = self.db.write().await?;
        let query = sqlx::query(
            "UPDATE heard SET kind = $1, start = $2, data = $3, flaws = $4 WHERE line = $5 AND n = $6",
        )
        .bind(new.kind.text())
        .bind(signed(new.start))
        .bind(new.data.as_slice())
        .bind(flaws)
        .bind(line)
        .bind(new.n);
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        write.commit().await
    }
}
