//! What was deleted leaves the files: SQLite writes zeros over it, and the log that has it still is emptied into
//! the file. Copies that it made of rows when it moved them about go only with a file that is written anew.

use sqlx::Row;

use super::StoreError;
use super::db::Db;
use super::ledger::Ledger;

/// Rooms of a server's tables that have rows of reports.
const EMPTIED: &str =
    "VACUUM report, hold, message, message_body, named, control_run, purged, purged_name";
/// How often the log is emptied again where somebody reads from it: each waits 5 s.
const TRIES: usize = 6;

impl Db {
    /// Writes a database anew, page by page, without what was deleted. On a server its room is given free, and is
    /// written over in time.
    pub async fn written_anew(&self) -> Result<(), StoreError> {
        let mut write = self.write_alone().await?;
        write.run(if self.address().is_sqlite() { "VACUUM" } else { EMPTIED }).await?;
        write.commit().await?;
        self.log_emptied().await
    }

    /// Empties the log of a database in a file.
    pub async fn log_emptied(&self) -> Result<(), StoreError> {
        for _ in 0..TRIES {
            if self.log_emptied_once().await? {
                return Ok(());
            }
        }
        let why = "somebody reads from it all the time, so that its log cannot be emptied".into();
        Err(StoreError::Busy { what: self.address().label(), why })
    }

    /// The same, tried once. False: somebody reads from it just now.
    async fn log_emptied_once(&self) -> Result<bool, StoreError> {
        if !self.address().is_sqlite() {
            return Ok(true);
        }
        let mut write = self.write_alone().await?;
        let busy: i64 = write.one("PRAGMA wal_checkpoint(TRUNCATE)", |row| row.try_get(0)).await?;
        write.commit().await?;
        Ok(busy == 0)
    }
}

impl Ledger {
    /// What was erased leaves the log beside the file as well. False: somebody reads from it, and it is still to be
    /// done.
    pub async fn erased_from_log(&self) -> Result<bool, StoreError> {
        if !self.db.address().is_sqlite() {
            return Ok(true);
        }
        // Nobody who writes is kept waiting for somebody who reads.
        let mut write = self.db.write_alone().await?;
        let of =
            |row: sqlx::any::AnyRow| Ok((row.try_get::<i64, _>(1)?, row.try_get::<i64, _>(2)?));
        let (in_log, in_file) = write.one("PRAGMA wal_checkpoint(PASSIVE)", of).await?;
        write.commit().await?;
        Ok(in_log == in_file && self.db.log_emptied_once().await?)
    }
}
