//! The tape: every byte heard, in order, on a local disk before anything acts on it.
//!
//! One task writes ([`writing`]); here is what is read from it. What the tape
//! remembers of the ledger is in `seen`.

mod clearing;
mod kept;
pub mod ticks;
pub mod writing;

use std::collections::{BTreeSet, HashMap};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

use sqlx::Row;
use sqlx::any::AnyRow;
use tokio::sync::{mpsc, oneshot, watch};

use self::writing::{Ask, LineTape, Unkept, Writer};
use super::StoreError;
use super::db::Db;
use super::disk_room::{Ballast, folder_of};
use super::rows::at;
use super::seen::Ahead;
use crate::address::Address;
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

    fn of(text: &str) -> Option<Self> {
        [Kind::Bytes, Kind::Opened, Kind::Closed, Kind::Gap].into_iter().find(|k| k.text() == text)
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

/// The tape, for those who read it and for opening lines on it.
#[derive(Clone, Debug)]
pub struct Tape {
    pub(super) db: Db,
    /// What was noted ahead of reading. None: nobody may note anything.
    pub(super) ahead: Option<Arc<tokio::sync::Mutex<Ahead>>>,
    /// Which tape this is, for keys in a ledger that several tapes share.
    pub id: String,
    asks: mpsc::Sender<Ask>,
    /// Held while a time is read and what belongs to it is handed over: nobody asks between the two
    /// whether a line is silent.
    order: Arc<Mutex<()>>,
    commits: Commits,
    healthy: watch::Receiver<bool>,
    unkept: watch::Receiver<Unkept>,
}

/// What was committed of a line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Committed {
    /// How often something that it said was.
    pub commits: u64,
    /// How often a print had come to its end by then.
    pub ends: u64,
}

/// By line, what was committed: a reader is woken by its own line alone.
#[derive(Clone, Debug, Default)]
pub(super) struct Commits {
    lines: Arc<Mutex<HashMap<String, watch::Sender<Committed>>>>,
}

impl Commits {
    fn of(&self, line: &str) -> watch::Receiver<Committed> {
        let mut lines = self.lines.lock().unwrap_or_else(PoisonError::into_inner);
        lines.entry(line.to_owned()).or_default().subscribe()
    }

    /// All that these lines said until now is on the disk; of those that `ended` a print is whole.
    fn tell(&self, said: &BTreeSet<&str>, ended: &BTreeSet<String>) {
        let lines = self.lines.lock().unwrap_or_else(PoisonError::into_inner);
        for (line, told) in lines.iter() {
            let (said, ended) = (said.contains(line.as_str()), ended.contains(line));
            told.send_if_modified(|committed| {
                committed.commits += u64::from(said);
                committed.ends += u64::from(ended);
                said || ended
            });
        }
    }
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
        let (asks, queue) = mpsc::channel(1024);
        let commits = Commits::default();
        let (health, healthy) = watch::channel(true);
        let (memory, unkept) = watch::channel(Unkept::default());
        let folder = folder_of(path).to_owned();
        let writer = Writer {
            db: db.clone(),
            folder,
            low_water,
            ballast,
            asks: queue,
            commits: commits.clone(),
            healthy: health,
            unkept: memory,
            waiting: Vec::new(),
            ended: BTreeSet::new(),
            questions: Vec::new(),
            lost: HashMap::new(),
        };
        let ahead = Some(Arc::default());
        Ok((Tape { db, ahead, id, asks, order: Arc::default(), commits, healthy, unkept }, writer))
    }

    /// Opens the tape to look at it, also while a daemon writes it.
    pub async fn look(path: &Path) -> Result<Tape, StoreError> {
        Self::as_it_is(Db::look(Address::Sqlite(path.to_owned()), SCHEMAS.len()).await?).await
    }

    /// Opens it for a person's act, beside the daemon that writes it: nothing is made, and no line begins.
    pub async fn existing(path: &Path) -> Result<Tape, StoreError> {
        Self::as_it_is(Db::existing(Address::Sqlite(path.to_owned()), SCHEMAS.len()).await?).await
    }

    async fn as_it_is(db: Db) -> Result<Tape, StoreError> {
        let mut conn = db.read().await?;
        let wrong = |e: sqlx::Error| StoreError::from_sql("the tape", &e);
        let row = sqlx::query("SELECT id FROM tape_label").fetch_optional(&mut conn).await;
        let row = row.map_err(wrong)?;
        db.give_back(conn).await;
        let row = row.ok_or_else(|| StoreError::being_made(db.address().label()))?;
        let id = row.try_get(0).map_err(wrong)?;
        // Without a writer nothing can be appended.
        let (asks, _) = mpsc::channel(1);
        let (commits, (_, healthy)) = (Commits::default(), watch::channel(true));
        let (_, unkept) = watch::channel(Unkept::default());
        Ok(Tape { db, ahead: None, id, asks, order: Arc::default(), commits, healthy, unkept })
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
        Ok((row.try_get("n").map_err(|e| self.wrong(&e))?, entry_end(&row)?))
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
        let (asks, order) = (self.asks.clone(), self.order.clone());
        Ok(LineTape { line: line.to_owned(), next, asks, order, awaited: true })
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
        rows.iter().map(entry).collect()
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
        rows.iter().map(entry).collect()
    }

    /// Waits until everything that a line said before now can be read, and says when that now was. None:
    /// some of it cannot be kept at present, so nothing can be said of the line's silence.
    pub async fn settle(&self, line: &str) -> Option<i64> {
        let (answer, readable) = oneshot::channel();
        let ask = Ask::Readable { line: line.to_owned(), answer };
        let room = self.asks.reserve().await.ok()?;
        let tick = {
            let _order = self.order.lock().unwrap_or_else(PoisonError::into_inner);
            let tick = clock::tick_us();
            room.send(ask);
            tick
        };
        readable.await.unwrap_or(false).then_some(tick)
    }

    /// Changes at every commit of something that a line said.
    #[must_use]
    pub fn commits(&self, line: &str) -> watch::Receiver<Committed> {
        self.commits.of(line)
    }

    /// False while nothing can be kept: analyzers that wait for an answer must not get a yes.
    #[must_use]
    pub fn healthy(&self) -> watch::Receiver<bool> {
        self.healthy.clone()
    }

    /// What was heard and is in memory alone, because it cannot be written at present.
    #[must_use]
    pub fn unkept(&self) -> watch::Receiver<Unkept> {
        self.unkept.clone()
    }

    /// The database itself, to be closed when nobody writes any more.
    #[must_use]
    pub fn db(&self) -> Db {
        self.db.clone()
    }

    pub(super) fn wrong(&self, error: &sqlx::Error) -> StoreError {
        StoreError::from_sql("the tape", error)
    }
}

fn signed(offset: u64) -> i64 {
    i64::try_from(offset).unwrap_or(i64::MAX)
}

/// An entry with nothing put in place of what cannot be read: bytes without their flaws would be whole bytes.
fn entry(row: &AnyRow) -> Result<Entry, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("the tape", &e);
    let n: i64 = row.try_get("n").map_err(wrong)?;
    let place = at("heard", n);
    let flaws: Option<String> = row.try_get("flaws").map_err(wrong)?;
    let index = |text: &str| text.parse().map_err(|_| place.wrong("flaws", "no list of bytes"));
    Ok(Entry {
        n,
        at: row.try_get("at_us").map_err(wrong)?,
        tick: row.try_get("tick_us").map_err(wrong)?,
        kind: kind(row)?,
        start: start(row)?,
        data: row.try_get("data").map_err(wrong)?,
        flaws: flaws.iter().flat_map(|f| f.split(',')).map(index).collect::<Result<_, _>>()?,
    })
}

fn kind(row: &AnyRow) -> Result<Kind, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("the tape", &e);
    let text: String = row.try_get("kind").map_err(wrong)?;
    at("heard", row.try_get::<i64, _>("n").map_err(wrong)?).word("kind", &text, Kind::of)
}

fn start(row: &AnyRow) -> Result<u64, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("the tape", &e);
    let place = at("heard", row.try_get::<i64, _>("n").map_err(wrong)?);
    let start: i64 = row.try_get("start").map_err(wrong)?;
    u64::try_from(start).map_err(|_| place.wrong("start", "below 0"))
}

fn entry_end(row: &AnyRow) -> Result<u64, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("the tape", &e);
    let n: i64 = row.try_get("n").map_err(wrong)?;
    let data: Vec<u8> = row.try_get("data").map_err(wrong)?;
    Ok(match kind(row)? {
        Kind::Bytes => start(row)? + data.len() as u64,
        Kind::Gap => {
            let lost = String::from_utf8_lossy(&data).parse::<u64>();
            start(row)? + lost.map_err(|_| at("heard", n).wrong("data", "no number of bytes"))?
        }
        Kind::Opened | Kind::Closed => start(row)?,
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
