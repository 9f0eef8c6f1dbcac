//! Whether a store's files are whole. SQLite stops at the first damaged frame of its log and drops what was
//! committed behind it without a word, and it meets a damaged page only when something needs it: so the log
//! is looked at before it is opened, and every page once after each start.

mod log;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};
use sqlx::{Connection, Executor, Row};
use tokio::task::JoinHandle;
use tokio::time::Instant;
use tracing::info;

use super::StoreError;
use super::db::Db;
use super::files::beside;
use crate::address::Address;

/// Steps of SQLite's between two looks at whether to stop: some milliseconds.
const STEPS: i32 = 100_000;
/// How often a log is looked at that seems to be damaged: another process may be writing it.
const LOOKS: usize = 3;
const BETWEEN: Duration = Duration::from_millis(50);
/// How often it is told how far it is.
const TELL: Duration = Duration::from_secs(5);

/// An error: the log of a database is damaged before its end. To be asked before the database is opened,
/// since whoever opens it cuts the log there.
pub async fn whole_log(database: &Path) -> Result<(), StoreError> {
    let path = beside(database, "-wal");
    let mut found = None;
    for _ in 0..LOOKS {
        found = log::damage(&path).map_err(|e| StoreError::Open {
            what: path.display().to_string(),
            why: e.to_string(),
        })?;
        if found.is_none() {
            return Ok(());
        }
        tokio::time::sleep(BETWEEN).await;
    }
    let at = found.unwrap_or_default();
    let why = format!(
        "at byte {at}, and what was committed behind that would be dropped without a word. Put back a \
         backup; or move this file aside, to go on without anything that stands in it"
    );
    Err(StoreError::Damaged { what: path.display().to_string(), why })
}

/// Looks through every page of a database, beside what else is done with it.
pub struct Check {
    path: PathBuf,
    stop: Arc<AtomicBool>,
    /// Bytes that were read for it.
    read: Arc<AtomicU64>,
    task: JoinHandle<Result<(), StoreError>>,
}

impl Check {
    /// Begins with the log, which must be whole before anybody opens the database.
    pub async fn begin(path: &Path) -> Result<Self, StoreError> {
        whole_log(path).await?;
        let stop = Arc::new(AtomicBool::new(false));
        let read = Arc::new(AtomicU64::new(0));
        let task = tokio::spawn(pages(path.to_owned(), stop.clone(), read.clone()));
        Ok(Self { path: path.to_owned(), stop, read, task })
    }

    /// Waits for its end, but no longer than `end`. None: every page is whole. Else it goes on.
    pub async fn until(mut self, end: Instant) -> Result<Option<Self>, StoreError> {
        match tokio::time::timeout_at(end, &mut self.task).await {
            Ok(ended) => {
                ended.unwrap_or_else(|panicked| Err(StoreError::of_task(&panicked))).map(|()| None)
            }
            Err(_) => {
                let store = self.path.display();
                info!(%store, "it is long: the rest of its pages are looked at beside the work");
                Ok(Some(self))
            }
        }
    }

    /// Of which file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// How far it is at least, in percent: SQLite reads each page once, and most of them once more.
    #[must_use]
    pub fn percent(&self) -> u64 {
        let size = std::fs::metadata(&self.path).map_or(0, |found| found.len());
        let twice = u128::from(size.max(1)) * 2;
        let percent = u128::from(self.read.load(Ordering::Relaxed)) * 100 / twice;
        u64::try_from(percent).map_or(99, |percent| percent.min(99))
    }

    /// Goes on to its end, or until told to stop, and tells how far it is.
    pub async fn to_the_end(
        mut self,
        stopped: impl Future<Output = ()>,
        tell: impl Fn(Option<u64>),
    ) -> Result<(), StoreError> {
        tokio::pin!(stopped);
        let ended = loop {
            tell(Some(self.percent()));
            tokio::select! {
                ended = &mut self.task => break ended,
                () = &mut stopped => {
                    self.stop.store(true, Ordering::Relaxed);
                    return (&mut self.task).await.unwrap_or_else(|panicked| Err(StoreError::of_task(&panicked)));
                }
                () = tokio::time::sleep(TELL) => {}
            }
        };
        tell(None);
        ended.unwrap_or_else(|panicked| Err(StoreError::of_task(&panicked)))?;
        info!(store = %self.path.display(), "every page of it is whole");
        Ok(())
    }
}

impl Drop for Check {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

impl Db {
    /// An error: its log is damaged, or a page of it.
    pub async fn is_whole(&self) -> Result<(), StoreError> {
        if let Address::Sqlite(path) = self.address() {
            whole_log(path).await?;
        }
        let mut conn = self.read().await?;
        let row = conn.fetch_one("PRAGMA quick_check(1)").await;
        let said: String = row.and_then(|row| row.try_get(0)).map_err(|e| self.wrong(&e))?;
        self.give_back(conn).await;
        match said.as_str() {
            "ok" => Ok(()),
            _ => Err(StoreError::Damaged { what: self.address().label(), why: said }),
        }
    }
}

/// Bytes that this thread has read, by the kernel's count (proc_pid_io(5)): a connection has a thread of its own. 0: it
/// does not count.
fn read_by_this_thread() -> u64 {
    let count = std::fs::read_to_string("/proc/thread-self/io").ok();
    let count = count.as_deref().and_then(|text| text.lines().next()?.strip_prefix("rchar: "));
    count.and_then(|count| count.trim().parse().ok()).unwrap_or(0)
}

/// SQLite's own check, of everything but whether each index has each row.
async fn pages(
    path: PathBuf,
    stop: Arc<AtomicBool>,
    read: Arc<AtomicU64>,
) -> Result<(), StoreError> {
    let what = path.display().to_string();
    // A new store has no pages yet. Neither has one whose first moments were cut short: their journal is played back by
    // whoever opens it to write, and this connection may not.
    let empty = std::fs::metadata(&path).map_or(0, |found| found.len()) == 0;
    if empty || beside(&path, "-journal").exists() {
        return Ok(());
    }
    let asked = async {
        let options = SqliteConnectOptions::new().filename(&path).read_only(true);
        let mut conn = SqliteConnection::connect_with(&options).await?;
        let go_on = stop.clone();
        conn.lock_handle().await?.set_progress_handler(STEPS, move || {
            read.store(read_by_this_thread(), Ordering::Relaxed);
            !go_on.load(Ordering::Relaxed)
        });
        let row = sqlx::query("PRAGMA quick_check(1)").fetch_one(&mut conn).await;
        let said: String = row.and_then(|row| row.try_get(0))?;
        conn.close().await?;
        Ok(said)
    };
    match asked.await {
        Ok(said) if said == "ok" => Ok(()),
        Ok(said) => Err(StoreError::Damaged { what, why: said }),
        Err(_) if stop.load(Ordering::Relaxed) => Ok(()),
        Err(error) => Err(StoreError::from_sql(&what, &error)),
    }
}
