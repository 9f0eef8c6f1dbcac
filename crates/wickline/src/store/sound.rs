//! Whether a store's files are whole. SQLite stops at the first damaged frame of its log and drops what was
//! committed behind it without a word, and it meets a damaged page only when something needs it: so the log
//! is looked at before it is opened, and every page once after each start.

mod log;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
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
    task: JoinHandle<Result<(), StoreError>>,
}

impl Check {
    /// Begins with the log, which must be whole before anybody opens the database.
    pub async fn begin(path: &Path) -> Result<Self, StoreError> {
        whole_log(path).await?;
        let stop = Arc::new(AtomicBool::new(false));
        let task = tokio::spawn(pages(path.to_owned(), stop.clone()));
        Ok(Self { path: path.to_owned(), stop, task })
    }

    /// Waits for its end, but no longer than `end`. None: every page is whole. Else it goes on.
    pub async fn until(mut self, end: Instant) -> Result<Option<Self>, StoreError> {
        match tokio::time::timeout_at(end, &mut self.task).await {
            Ok(ended) => ended.unwrap_or_else(|panicked| Err(broken(&panicked))).map(|()| None),
            Err(_) => {
                let store = self.path.display();
                info!(%store, "it is long: the rest of its pages are looked at beside the work");
                Ok(Some(self))
            }
        }
    }

    /// Goes on to its end, or until told to stop.
    pub async fn to_the_end(mut self, stopped: impl Future<Output = ()>) -> Result<(), StoreError> {
        let ended = tokio::select! {
            ended = &mut self.task => ended,
            () = stopped => {
                self.stop.store(true, Ordering::Relaxed);
                return (&mut self.task).await.unwrap_or_else(|panicked| Err(broken(&panicked)));
            }
        };
        ended.unwrap_or_else(|panicked| Err(broken(&panicked)))?;
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

fn broken(panicked: &tokio::task::JoinError) -> StoreError {
    StoreError::Broken { what: "a task of this program".into(), why: panicked.to_string() }
}

/// SQLite's own check, of everything but whether each index has each row.
async fn pages(path: PathBuf, stop: Arc<AtomicBool>) -> Result<(), StoreError> {
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
        conn.lock_handle()
            .await?
            .set_progress_handler(STEPS, move || !go_on.load(Ordering::Relaxed));
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
