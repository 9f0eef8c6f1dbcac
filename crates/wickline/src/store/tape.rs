//! The tape: every byte heard, in order, on a local disk before anything acts on it.
//!
//! One task writes. It commits whatever has gathered since its last sync in one statement, and only
//! then redeems the tickets. What it remembers of the ledger, `seen` notes.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use sqlx::{AssertSqlSafe, Executor, Row};
use tokio::sync::{Mutex, mpsc, oneshot, watch};
use tracing::{error, info, warn};

use super::StoreError;
use super::db::{Address, Db};
use super::room::{Ballast, free_bytes};
use super::seen::Ahead;
use crate::clock;

/// Every schema that a tape has had.
const SCHEMAS: &[&str] = &[SCHEMA, super::seen::SCHEMA];

const SCHEMA: &str = "
CREATE TABLE tape_label (id TEXT NOT NULL);
CREATE TABLE heard (
    n INTEGER PRIMARY KEY,
    line TEXT NOT NULL,
    at_us BIGINT NOT NULL,
    tick_us BIGINT NOT NULL,
    kind TEXT NOT NULL,
    start BIGINT NOT NULL,
    data BLOB NOT NULL,
    flaws TEXT
);
CREATE INDEX heard_by_line ON heard (line, n)";

/// Entries in one commit at most.
const GROUP: usize = 256;
/// Rows of one statement at most: SQLite takes 32,766 parameters.
const ROWS: usize = 1000;
/// Bytes kept in memory while the tape cannot be written; beyond that a gap is recorded.
const MEMORY: usize = 8 << 20;
/// Bytes of memory that an entry takes beside its own.
const ENTRY: usize = 160;

/// What an entry of the tape is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Bytes, as they came out of the port.
    Bytes,
    /// The line was opened (after a start, or after it had vanished).
    Opened,
    /// The line vanished or was closed.
    Closed,
    /// Bytes were heard that could not be kept: `data` says how many, in digits.
    Gap,
}

impl Kind {
    fn text(self) -> &'static str {
        match self {
            Kind::Bytes => "bytes",
            Kind::Opened => "opened",
            Kind::Closed => "closed",
            Kind::Gap => "gap",
        }
    }

    fn of(text: &str) -> Self {
        match text {
            "bytes" => Kind::Bytes,
            "opened" => Kind::Opened,
            "closed" => Kind::Closed,
            _ => Kind::Gap,
        }
    }
}

/// One entry as it is read again.
#[derive(Clone, Debug)]
pub struct Entry {
    pub n: i64,
    pub at: i64,
    pub tick: i64,
    pub kind: Kind,
    /// The line's offset of the first byte.
    pub start: u64,
    pub data: Vec<u8>,
    /// Which bytes of `data` the port marked as bad.
    pub flaws: Vec<usize>,
}

/// Redeemed with true once the entry is on the disk, with false when it could not be put there.
pub type Ticket = oneshot::Receiver<bool>;

struct Append {
    line: String,
    at: i64,
    tick: i64,
    kind: Kind,
    start: u64,
    data: Vec<u8>,
    flaws: Vec<usize>,
    ticket: Option<oneshot::Sender<bool>>,
}

/// The tape, for those who read it and for opening lines on it.
#[derive(Clone, Debug)]
pub struct Tape {
    pub(super) db: Db,
    /// What was noted ahead of reading. None: nobody may note anything.
    pub(super) ahead: Option<Arc<Mutex<Ahead>>>,
    /// Which tape this is, for keys in a ledger that several tapes share.
    pub id: String,
    appends: mpsc::Sender<Append>,
    commits: watch::Receiver<u64>,
    healthy: watch::Receiver<bool>,
}

/// One line's end of the tape. It alone hands out the line's offsets.
#[derive(Debug)]
pub struct LineTape {
    line: String,
    next: u64,
    appends: mpsc::Sender<Append>,
}

/// The writing task's half; [`Writer::run`] it.
pub struct Writer {
    db: Db,
    folder: PathBuf,
    low_water: u64,
    /// Given up when the disk is full, so that there is room to work in.
    ballast: Option<Ballast>,
    appends: mpsc::Receiver<Append>,
    commits: watch::Sender<u64>,
    healthy: watch::Sender<bool>,
    /// Per line: bytes that memory had no room for.
    lost: HashMap<String, Lost>,
}

#[derive(Debug)]
struct Lost {
    from: u64,
    bytes: u64,
}

impl Tape {
    /// Opens the tape at `path`. Intake stops while less than `low_water` bytes are free.
    pub async fn open(
        path: &Path,
        low_water: u64,
        ballast: Option<Ballast>,
    ) -> Result<(Tape, Writer), StoreError> {
        let db = Db::open(Address::Sqlite(path.to_owned()), SCHEMAS).await?;
        let id = label(&db).await?;
        let (appends, queue) = mpsc::channel(1024);
        let (committed, commits) = watch::channel(0);
        let (health, healthy) = watch::channel(true);
        let folder = path.parent().unwrap_or(Path::new(".")).to_owned();
        let writer = Writer {
            db: db.clone(),
            folder,
            low_water,
            ballast,
            appends: queue,
            commits: committed,
            healthy: health,
            lost: HashMap::new(),
        };
        let ahead = Some(Arc::default());
        Ok((Tape { db, ahead, id, appends, commits, healthy }, writer))
    }

    /// Opens the tape to look at it, also while a daemon writes it.
    pub async fn look(path: &Path) -> Result<Tape, StoreError> {
        let db = Db::watch(path, SCHEMAS.len()).await?;
        let mut conn = db.read().await?;
        let row = sqlx::query("SELECT id FROM tape_label").fetch_one(&mut conn).await;
        let id =
            row.and_then(|row| row.try_get(0)).map_err(|e| StoreError::from_sql("the tape", &e))?;
        db.give_back(conn).await;
        // Without a writer nothing can be appended.
        let (appends, _) = mpsc::channel(1);
        let ((_, commits), (_, healthy)) = (watch::channel(0), watch::channel(true));
        Ok(Tape { db, ahead: None, id, appends, commits, healthy })
    }

    /// Where a line's tape ends: its last entry, and the offset behind its last byte.
    pub async fn end(&self, line: &str) -> Result<(i64, u64), StoreError> {
        let mut conn = self.db.read().await?;
        let last = sqlx::query(
            "SELECT n, start, data, kind FROM heard WHERE line = $1 ORDER BY n DESC LIMIT 1",
        )
        .bind(line)
        .fetch_optional(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let Some(row) = last else { return Ok((0, 0)) };
        let read =
            || -> Result<(i64, u64), sqlx::Error> { Ok((row.try_get("n")?, entry_end(&row)?)) };
        read().map_err(|e| self.wrong(&e))
    }

    /// A line's last entry, and the one so many entries before it; 0 where there is none.
    pub async fn tail(&self, line: &str, before: i64) -> Result<(i64, i64), StoreError> {
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

    /// The writing end for one line.
    pub async fn line(&self, line: &str) -> Result<LineTape, StoreError> {
        let (_, next) = self.end(line).await?;
        Ok(LineTape { line: line.to_owned(), next, appends: self.appends.clone() })
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

    /// What a line said around a stretch of it: every entry that reaches into it.
    pub async fn around(&self, line: &str, from: u64, to: u64) -> Result<Vec<Entry>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(
            "SELECT n, at_us, tick_us, kind, start, data, flaws FROM heard WHERE line = $1 \
             AND start <= $3 AND start + length(data) >= $2 ORDER BY n",
        )
        .bind(line)
        .bind(signed(from))
        .bind(signed(to))
        .fetch_all(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        rows.iter().map(entry).collect::<Result<_, _>>().map_err(|e| self.wrong(&e))
    }

    /// Waits until everything appended before now is committed (or has failed).
    pub async fn settle(&self) {
        let (ticket, done) = oneshot::channel();
        let marker = Append {
            line: String::new(),
            at: 0,
            tick: 0,
            kind: Kind::Gap,
            start: 0,
            data: Vec::new(),
            flaws: Vec::new(),
            ticket: Some(ticket),
        };
        if self.appends.send(marker).await.is_ok() {
            let _ = done.await;
        }
    }

    /// Changes at every commit.
    #[must_use]
    pub fn commits(&self) -> watch::Receiver<u64> {
        self.commits.clone()
    }

    /// False while nothing can be kept: analyzers that wait for an answer must not get a yes.
    #[must_use]
    pub fn healthy(&self) -> watch::Receiver<bool> {
        self.healthy.clone()
    }

    pub(super) fn wrong(&self, error: &sqlx::Error) -> StoreError {
        StoreError::from_sql("the tape", error)
    }
}

impl LineTape {
    /// Hands bytes to the tape; the ticket says when they are safe. Also the offset of the first.
    pub async fn bytes(
        &mut self,
        at: i64,
        tick: i64,
        data: &[u8],
        flaws: &[usize],
    ) -> (u64, Ticket) {
        let start = self.next;
        self.next += data.len() as u64;
        let ticket = self.append(Kind::Bytes, at, tick, start, data.to_vec(), flaws.to_vec()).await;
        (start, ticket)
    }

    /// Notes something that happened to the line.
    pub async fn event(&mut self, kind: Kind) -> Ticket {
        let (at, tick) = (clock::now_us(), clock::tick_us());
        self.append(kind, at, tick, self.next, Vec::new(), Vec::new()).await
    }

    async fn append(
        &mut self,
        kind: Kind,
        at: i64,
        tick: i64,
        start: u64,
        data: Vec<u8>,
        flaws: Vec<usize>,
    ) -> Ticket {
        let (ticket, redeem) = oneshot::channel();
        let line = self.line.clone();
        let append = Append { line, at, tick, kind, start, data, flaws, ticket: Some(ticket) };
        // A closed channel drops the ticket, which reads as "not kept".
        let _ = self.appends.send(append).await;
        redeem
    }
}

impl Writer {
    /// Writes until every line's end is gone. An error means that the process must end.
    pub async fn run(mut self) -> Result<(), StoreError> {
        let mut waiting: Vec<Append> = Vec::new();
        loop {
            if waiting.is_empty() {
                match self.appends.recv().await {
                    Some(first) => waiting.push(first),
                    None => return Ok(()),
                }
            }
            while waiting.len() < GROUP {
                match self.appends.try_recv() {
                    Ok(next) => waiting.push(next),
                    Err(_) => break,
                }
            }
            let begun = std::time::Instant::now();
            match self.commit(&waiting).await {
                Ok(()) => {
                    metrics::histogram!("wickline_tape_commit_seconds").record(begun.elapsed());
                    self.tell_health(true);
                    self.commits.send_modify(|n| *n += 1);
                    redeem(waiting.drain(..), true);
                }
                Err(error) if error.is_passing() => {
                    warn_once(&self.healthy, &error);
                    self.tell_health(false);
                    if matches!(error, StoreError::Full { .. })
                        && self.ballast.take().is_some_and(|b| b.drop_off())
                    {
                        warn!(
                            "the disk is full: ballast given up, so that people can work and clear it"
                        );
                    }
                    self.keep_in_memory(&mut waiting);
                    tokio::time::sleep(Duration::from_millis(500)).await;
                }
                Err(error) => {
                    self.tell_health(false);
                    error!(%error, "the tape is not safe: stopping");
                    redeem(waiting.drain(..), false);
                    return Err(error);
                }
            }
        }
    }

    fn tell_health(&self, healthy: bool) {
        self.healthy.send_if_modified(|was| {
            let changed = *was != healthy;
            if changed && healthy {
                info!("the tape is being written again");
            }
            *was = healthy;
            changed
        });
    }

    async fn commit(&mut self, group: &[Append]) -> Result<(), StoreError> {
        let full = || StoreError::Full { what: "the tape".into() };
        if self.low_water > 0 && free_bytes(&self.folder).is_ok_and(|free| free < self.low_water) {
            return Err(full());
        }
        let gaps: Vec<Append> = self.lost.iter().map(|(line, lost)| gap(line, lost)).collect();
        let rows: Vec<&Append> = group.iter().chain(&gaps).filter(|a| !a.line.is_empty()).collect();
        if rows.is_empty() {
            return Ok(());
        }
        if rows.len() <= ROWS {
            let mut write = self.db.write_alone().await?;
            insert(&mut write, &rows).await?;
            write.commit().await?;
        } else {
            // After an outage: all of it or nothing, in statements that the database can take.
            let mut write = self.db.write().await?;
            for part in rows.chunks(ROWS) {
                insert(&mut write, part).await?;
            }
            write.commit().await?;
        }
        self.lost.clear();
        Ok(())
    }

    /// The disk is full or locked: say no to those who asked, keep what fits, count the rest.
    fn keep_in_memory(&mut self, waiting: &mut Vec<Append>) {
        while let Ok(next) = self.appends.try_recv() {
            waiting.push(next);
        }
        let mut kept = 0;
        waiting.retain_mut(|append| {
            // What an entry costs beside its bytes counts too: a line that dribbles is bounded as well.
            kept += ENTRY;
            if let Some(ticket) = append.ticket.take() {
                let _ = ticket.send(false);
            }
            kept += append.data.len();
            let keep =
                !append.line.is_empty() && kept <= MEMORY && !self.lost.contains_key(&append.line);
            if !keep && !append.data.is_empty() {
                let lost = self
                    .lost
                    .entry(append.line.clone())
                    .or_insert(Lost { from: append.start, bytes: 0 });
                lost.bytes += append.data.len() as u64;
            }
            keep
        });
    }
}

fn redeem(appends: impl Iterator<Item = Append>, kept: bool) {
    for ticket in appends.filter_map(|a| a.ticket) {
        let _ = ticket.send(kept);
    }
}

fn warn_once(healthy: &watch::Sender<bool>, error: &StoreError) {
    if *healthy.borrow() {
        warn!(%error, "the tape cannot be written: analyzers that wait get no, printed lines go to memory");
    }
}

fn gap(line: &str, lost: &Lost) -> Append {
    metrics::counter!("wickline_lost_bytes_total", "analyzer" => line.to_owned())
        .increment(lost.bytes);
    Append {
        line: line.to_owned(),
        at: clock::now_us(),
        tick: clock::tick_us(),
        kind: Kind::Gap,
        start: lost.from,
        data: lost.bytes.to_string().into_bytes(),
        flaws: Vec::new(),
        ticket: None,
    }
}

async fn insert(write: &mut super::db::Write, rows: &[&Append]) -> Result<(), StoreError> {
    let sql = format!(
        "INSERT INTO heard (line, at_us, tick_us, kind, start, data, flaws) VALUES {}",
        write.values(rows.len(), 7)
    );
    let mut query = sqlx::query(AssertSqlSafe(sql));
    for row in rows {
        let flaws = (!row.flaws.is_empty())
            .then(|| row.flaws.iter().map(ToString::to_string).collect::<Vec<_>>().join(","));
        query = query
            .bind(row.line.as_str())
            .bind(row.at)
            .bind(row.tick)
            .bind(row.kind.text())
            .bind(signed(row.start))
            .bind(row.data.as_slice())
            .bind(flaws);
    }
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

fn signed(offset: u64) -> i64 {
    i64::try_from(offset).unwrap_or(i64::MAX)
}

fn entry(row: &sqlx::any::AnyRow) -> Result<Entry, sqlx::Error> {
    let kind: String = row.try_get("kind")?;
    let flaws: Option<String> = row.try_get("flaws")?;
    Ok(Entry {
        n: row.try_get("n")?,
        at: row.try_get("at_us")?,
        tick: row.try_get("tick_us")?,
        kind: Kind::of(&kind),
        start: u64::try_from(row.try_get::<i64, _>("start")?).unwrap_or(0),
        data: row.try_get("data")?,
        flaws: flaws
            .unwrap_or_default()
            .split(',')
            .filter_map(|index| index.parse().ok())
            .collect(),
    })
}

fn entry_end(row: &sqlx::any::AnyRow) -> Result<u64, sqlx::Error> {
    let kind: String = row.try_get("kind")?;
    let start = u64::try_from(row.try_get::<i64, _>("start")?).unwrap_or(0);
    let data: Vec<u8> = row.try_get("data")?;
    Ok(match Kind::of(&kind) {
        Kind::Bytes => start + data.len() as u64,
        Kind::Gap => start + String::from_utf8_lossy(&data).parse::<u64>().unwrap_or(0),
        Kind::Opened | Kind::Closed => start,
    })
}

/// The tape's own name, made once.
async fn label(db: &Db) -> Result<String, StoreError> {
    let mut write = db.write().await?;
    let made = format!("{:x}", clock::now_us());
    sqlx::query(
        "INSERT INTO tape_label (id) SELECT $1 WHERE NOT EXISTS (SELECT 1 FROM tape_label)",
    )
    .bind(made)
    .execute(write.conn())
    .await
    .map_err(|e| write.wrong(&e))?;
    let id = write.one("SELECT id FROM tape_label", |row| row.try_get(0)).await?;
    write.commit().await?;
    Ok(id)
}
