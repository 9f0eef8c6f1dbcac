//! What the tape remembers of the ledger, so that one of them set back or missing is noticed.
//!
//! Noted after the fact, every few seconds and at a stop: which ledger it is, its last act with the seal,
//! its highest numbers, and how far each line was read into it. Noted ahead, before anything is read into
//! the ledger and so before anything can leave: up to where each line may have been read. The first tells
//! that the ledger was set back, the second what was perhaps sent since. The notes after the fact go ahead as
//! well, and cover many reports each: none costs a sync of its own, nor waits for a tape that is full.

use std::collections::{BTreeMap, HashMap};

use sqlx::any::AnyRow;
use sqlx::{Executor, Row};

use super::StoreError;
use super::db::Write;
use super::ledger::Ledger;
use super::tape::Tape;
use super::trail::Head;
use crate::clock;

/// The tape's second schema.
pub(super) const SCHEMA: &str = "
CREATE TABLE ledger_seen (
    epoch TEXT NOT NULL,
    made_at BIGINT NOT NULL,
    trail BIGINT NOT NULL,
    seal TEXT NOT NULL,
    report BIGINT NOT NULL,
    message BIGINT NOT NULL,
    at BIGINT NOT NULL
);
CREATE TABLE line_read (
    line TEXT PRIMARY KEY,
    entry BIGINT NOT NULL,
    perhaps_to BIGINT NOT NULL
)";

/// Bytes of a line that one note ahead covers: some 60 reports. What stands on the tape behind the place
/// really read counts as perhaps sent as well, but only where the ledger was set back after a crash, and
/// only what was on the tape by then.
const AHEAD: u64 = 64 << 10;

/// A ledger as it stood at some time, for one tape.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Seen {
    /// The ledger's label.
    pub epoch: String,
    pub made_at: i64,
    /// Its last act.
    pub trail: Head,
    /// The highest numbers that it had given.
    pub report: i64,
    pub message: i64,
    pub lines: BTreeMap<String, LineSeen>,
}

/// How far one line was read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LineSeen {
    /// The entry behind which nothing was pending.
    pub entry: i64,
    /// The offset up to which reports may have been sent.
    pub perhaps_to: u64,
}

impl Seen {
    fn read(row: &AnyRow, start: impl Fn(&str, i64) -> Head) -> Result<Self, sqlx::Error> {
        let (epoch, made_at): (String, i64) = (row.try_get("epoch")?, row.try_get("made_at")?);
        let hash: Option<String> = row.try_get("seal")?;
        let trail = match row.try_get::<Option<i64>, _>("trail")? {
            Some(n) => Head { n, hash: hash.unwrap_or_default() },
            None => start(&epoch, made_at),
        };
        let (report, message) = (row.try_get("report")?, row.try_get("message")?);
        Ok(Self { epoch, made_at, trail, report, message, lines: BTreeMap::new() })
    }
}

impl Ledger {
    /// How this ledger stands now, for a tape. What of a line may have been sent is exact where nothing
    /// reads it any more.
    pub async fn stands(&self, tape: &str) -> Result<Seen, StoreError> {
        let mut conn = self.db.read().await?;
        let row = conn
            .fetch_one(
                "SELECT l.epoch, l.made_at, t.n AS trail, t.hash AS seal, \
                 (SELECT value FROM counter WHERE name = 'report') AS report, \
                 (SELECT value FROM counter WHERE name = 'message') AS message \
                 FROM ledger_label l LEFT JOIN trail t ON t.n = (SELECT max(n) FROM trail)",
            )
            .await;
        let seen = row.and_then(|row| Seen::read(&row, Head::start)).map_err(|e| self.wrong(&e))?;
        let lines = sqlx::query(
            "SELECT p.analyzer AS line, p.entry, p.doubt_to, coalesce((SELECT r.place_to FROM report r \
             WHERE r.tape = $1 AND r.analyzer = p.analyzer ORDER BY r.place_from DESC LIMIT 1), 0) AS last \
             FROM position p WHERE p.tape = $1",
        )
        .bind(tape.to_owned());
        let rows = conn.fetch_all(lines).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = |row: &AnyRow| -> Result<(String, LineSeen), sqlx::Error> {
            let last: i64 = row.try_get::<i64, _>("last")?.max(row.try_get("doubt_to")?);
            let perhaps_to = u64::try_from(last).unwrap_or(0);
            Ok((row.try_get("line")?, LineSeen { entry: row.try_get("entry")?, perhaps_to }))
        };
        let lines = rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| self.wrong(&e))?;
        Ok(Seen { lines, ..seen })
    }

    /// Whether this ledger has all that was seen of it: the same label, the last act under its seal, and
    /// each line read no less far.
    pub async fn goes_on(&self, now: &Seen, before: &Seen) -> Result<bool, StoreError> {
        if (&now.epoch, now.made_at) != (&before.epoch, before.made_at) {
            return Ok(false);
        }
        let entry = |line: &String| now.lines.get(line).map_or(0, |line| line.entry);
        if before.lines.iter().any(|(line, seen)| entry(line) < seen.entry) {
            return Ok(false);
        }
        if before.trail.n == 0 || now.trail == before.trail {
            return Ok(true);
        }
        let mut conn = self.db.read().await?;
        let query = sqlx::query("SELECT hash FROM trail WHERE n = $1").bind(before.trail.n);
        let row = conn.fetch_optional(query).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let seal = row.map(|row| row.try_get::<Option<String>, _>(0)).transpose();
        let seal = seal.map_err(|e| self.wrong(&e))?.map(Option::unwrap_or_default);
        Ok(seal.as_ref() == Some(&before.trail.hash))
    }

    /// Whether these lines were read into this ledger from other tapes.
    pub async fn read_elsewhere(&self, tape: &str, lines: &[&str]) -> Result<bool, StoreError> {
        let mut conn = self.db.read().await?;
        let query = sqlx::query("SELECT DISTINCT analyzer FROM position WHERE tape <> $1")
            .bind(tape.to_owned());
        let rows = conn.fetch_all(query).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let names = rows.iter().map(|row| row.try_get::<String, _>(0));
        let names = names.collect::<Result<Vec<_>, _>>().map_err(|e| self.wrong(&e))?;
        Ok(names.iter().any(|name| lines.contains(&name.as_str())))
    }
}

impl Tape {
    /// What this tape remembers of its ledger. None: nothing yet.
    pub async fn ledger_seen(&self) -> Result<Option<Seen>, StoreError> {
        let mut conn = self.db.read().await?;
        // A tape that an older program wrote, and nobody has opened to write since.
        let known = "SELECT count(*) FROM sqlite_schema WHERE name = 'ledger_seen'";
        let known = conn.fetch_one(known).await.and_then(|row| row.try_get::<i64, _>(0));
        if known.map_err(|e| self.wrong(&e))? == 0 {
            return Ok(None);
        }
        let row = conn
            .fetch_optional("SELECT epoch, made_at, trail, seal, report, message FROM ledger_seen")
            .await
            .map_err(|e| self.wrong(&e))?;
        let rows = conn.fetch_all("SELECT line, entry, perhaps_to FROM line_read").await;
        let rows = rows.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = |row: &AnyRow| -> Result<(String, LineSeen), sqlx::Error> {
            let perhaps_to = u64::try_from(row.try_get::<i64, _>("perhaps_to")?).unwrap_or(0);
            Ok((row.try_get("line")?, LineSeen { entry: row.try_get("entry")?, perhaps_to }))
        };
        let lines = rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| self.wrong(&e))?;
        let Some(row) = row else { return Ok(None) };
        let seen = Seen::read(&row, Head::start).map_err(|e| self.wrong(&e))?;
        Ok(Some(Seen { lines, ..seen }))
    }

    /// Remembers a ledger as it stood, and ahead of reading that what these lines have on the tape, and some
    /// more, may be read into it: so nothing that stands there waits for a disk that is full.
    pub async fn note_ledger(&self, seen: &Seen, lines: &[&str]) -> Result<(), StoreError> {
        let mut covered = Vec::with_capacity(lines.len());
        for line in lines {
            covered.push((*line, self.end(line).await?.1.saturating_add(AHEAD)));
        }
        let mut write = self.db.write().await?;
        put_ledger(&mut write, seen).await?;
        for (line, read) in &seen.lines {
            put_line(&mut write, line, Some(read.entry), read.perhaps_to, false).await?;
        }
        for (line, to) in &covered {
            put_line(&mut write, line, None, *to, false).await?;
        }
        write.commit().await?;
        if let Some(ahead) = &self.ahead {
            let mut ahead = ahead.lock().await;
            for (line, to) in covered {
                let known = ahead.entry(line.to_owned()).or_default();
                *known = to.max(*known);
            }
        }
        Ok(())
    }

    /// Remembers a ledger as it was left, when nothing reads and nothing sends any more: what was noted ahead
    /// gives way to what was really read.
    pub async fn note_at_rest(&self, seen: &Seen) -> Result<(), StoreError> {
        let mut write = self.db.write().await?;
        put_ledger(&mut write, seen).await?;
        write.run("UPDATE line_read SET perhaps_to = 0").await?;
        for (line, read) in &seen.lines {
            put_line(&mut write, line, Some(read.entry), read.perhaps_to, true).await?;
        }
        write.commit().await
    }

    /// Notes that reports of a line up to `to` may be read into the ledger, and sent. To be awaited before
    /// they are.
    pub async fn may_be_read(&self, line: &str, to: u64) -> Result<(), StoreError> {
        let Some(ahead) = &self.ahead else { return Ok(()) };
        let mut ahead = ahead.lock().await;
        if ahead.get(line).is_some_and(|covered| to <= *covered) {
            return Ok(());
        }
        let covered = to.saturating_add(AHEAD);
        let mut write = self.db.write_alone().await?;
        put_line(&mut write, line, None, covered, false).await?;
        write.commit().await?;
        ahead.insert(line.to_owned(), covered);
        Ok(())
    }
}

/// Up to where each line is covered by what this process noted ahead.
pub(super) type Ahead = HashMap<String, u64>;

async fn put_ledger(write: &mut Write, seen: &Seen) -> Result<(), StoreError> {
    write.run("DELETE FROM ledger_seen").await?;
    let query = sqlx::query(
        "INSERT INTO ledger_seen (epoch, made_at, trail, seal, report, message, at) \
         VALUES ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(seen.epoch.as_str())
    .bind(seen.made_at)
    .bind(seen.trail.n)
    .bind(seen.trail.hash.as_str())
    .bind(seen.report)
    .bind(seen.message)
    .bind(clock::now_us());
    write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    // Another ledger: how far lines were read into the one before says nothing of this one.
    write.run("UPDATE line_read SET entry = 0").await.map(drop)
}

/// How far a line was read, where that is known, and up to where it may have been.
async fn put_line(
    write: &mut Write,
    line: &str,
    entry: Option<i64>,
    perhaps_to: u64,
    exact: bool,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO line_read (line, entry, perhaps_to) VALUES ($1, coalesce($2, 0), $3) \
         ON CONFLICT (line) DO UPDATE SET entry = coalesce($2, line_read.entry), perhaps_to = CASE \
         WHEN $4 = 1 THEN excluded.perhaps_to \
         ELSE max(line_read.perhaps_to, excluded.perhaps_to) END",
    )
    .bind(line)
    .bind(entry)
    .bind(i64::try_from(perhaps_to).unwrap_or(i64::MAX))
    .bind(i64::from(exact));
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}
