//! What was deleted leaves the files: SQLite writes zeros over it, and the log that has it still is emptied into
//! the file. Copies that it made of rows when it moved them about go only with a file that is written anew.

use sqlx::Row;

use super::StoreError;
use super::db::Db;

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
        if !self.address().is_sqlite() {
            return Ok(());
        }
        for _ in 0..TRIES {
            let mut write = self.write_alone().await?;
            let busy: i64 =
                write.one("PRAGMA wal_checkpoint(TRUNCATE)", |row| row.try_get(0)).await?;
            write.commit().await?;
            if busy == 0 {
                return Ok(());
            }
        }
        let why = "somebody reads from it all the time, so that its log cannot be emptied".into();
        Err(StoreError::Busy { what: self.address().label(), why })
    }
}
