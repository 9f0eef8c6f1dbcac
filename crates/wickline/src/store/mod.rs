//! What Wickline remembers: the tape (bytes heard) and the ledger (what became of them).

mod compact;
pub mod copying;
pub mod db;
pub mod disk_room;
pub mod era;
pub mod files;
pub mod lease;
pub mod ledger;
pub mod lists;
pub(crate) mod moving;
pub mod rows;
pub mod schema;
pub mod seen;
pub mod sound;
pub mod state;
pub mod tape;
pub mod trail;

#[cfg(test)]
mod tests;

use crate::texts::Said;
use thiserror::Error;

use crate::tripped::Tripped;

/// Why a store could not do what was asked.
#[derive(Debug, Error)]
pub enum StoreError {
    /// The file or server cannot be opened or reached.
    #[error("cannot open {what}: {why}")]
    Open { what: String, why: String },
    /// The database was written by a newer program.
    #[error(
        "{what} has schema {found}, this program knows up to {known}: run the newer program that \
         wrote it, or restore a backup that this one wrote"
    )]
    Newer { what: String, found: i64, known: i64 },
    /// Nobody made it yet, and who asks or acts does not.
    #[error(
        "there is nothing at {what}. Before anything was heard that is right, and `wickline run` makes it; \
         later, put back what was there, or what a backup has"
    )]
    Absent { what: String },
    /// What stood there is gone, and the tape remembers what it had: no other is made in its place unasked.
    #[error(
        "{what} is gone, and the tape remembers it, with {reports} report(s) as last noted. None is made in its \
         place: lines are heard onto the tape, and nothing is read or sent. Stop the service; then put back the file \
         together with those beside it (-wal and -shm), or a backup by `restore`, or begin with an empty one: \
         `wickline ledger migrate`; then start it"
    )]
    Gone { what: String, reports: i64 },
    /// It was written by an older program, and who asks or acts does not change it.
    #[error(
        "{what} has schema {found} and this program's is {known}: `wickline run` and `wickline ledger migrate` bring \
         it up to date, nothing else does"
    )]
    Older { what: String, found: i64, known: i64 },
    /// The durability settings did not take.
    #[error("{what} does not keep its promises: {why}")]
    Unsafe { what: String, why: String },
    /// No room: nothing was stored and nothing was claimed.
    #[error("no room on the disk of {what}: free some, work goes on by itself")]
    Full { what: String },
    /// Someone else holds a lock, or the database is away for now: try again.
    #[error("{what} is busy or away: {why}")]
    Busy { what: String, why: String },
    /// The server lets us in and does not let us do this.
    #[error(
        "{what} does not let us do what is needed: {why}. Give the role its grants back; work goes on by itself"
    )]
    Denied { what: String, why: String },
    /// A sync or a write failed: what is on the disk is no longer known, so the process must end.
    #[error("{what} failed to write or sync: {why}; the process must end and check the files")]
    Broken { what: String, why: String },
    /// What stands in a file is not what was written there.
    #[error("{what} is damaged: {why}")]
    Damaged { what: String, why: String },
    /// A person asked for something that the rules do not allow.
    #[error("{why}")]
    Refused { why: Said },
    /// A row holds what this program never writes: nothing is done with it, and it is read as nothing else.
    #[error(
        "row {row} of {table} cannot be read, column {column}: {why}. Nothing was done with it; the store was \
         damaged or changed by other means: restore a backup, or have it looked at"
    )]
    Undecodable { table: &'static str, row: String, column: &'static str, why: String },
    /// What was to be kept is what trips this program.
    #[error("{0}")]
    Tripped(Tripped),
    /// A statement or a row is not what this program expects.
    #[error("{what}: {why}")]
    Wrong { what: String, why: String },
}

/// What a person asked for and the rules do not allow, in words.
pub(crate) fn refused(why: impl Into<Said>) -> StoreError {
    StoreError::Refused { why: why.into() }
}

impl StoreError {
    /// True when going on with the same files would be a lie.
    #[must_use]
    pub fn is_fatal(&self) -> bool {
        matches!(
            self,
            StoreError::Broken { .. } | StoreError::Unsafe { .. } | StoreError::Damaged { .. }
        )
    }

    /// True when it is about the one row that was asked for, and says nothing of the others.
    #[must_use]
    pub fn is_of_one_row(&self) -> bool {
        matches!(self, StoreError::Refused { .. } | StoreError::Undecodable { .. })
    }

    /// True when the same call may succeed later without anybody's help.
    #[must_use]
    pub fn is_passing(&self) -> bool {
        matches!(
            self,
            StoreError::Full { .. } | StoreError::Busy { .. } | StoreError::Denied { .. }
        )
    }

    /// A task of this program ended as none should.
    #[must_use]
    pub fn of_task(panicked: &tokio::task::JoinError) -> Self {
        StoreError::Broken { what: "a task of this program".into(), why: panicked.to_string() }
    }

    /// Its tables are there, and its label is not yet.
    pub(crate) fn being_made(what: String) -> Self {
        StoreError::Busy { what, why: "it is being made just now; ask again in a moment".into() }
    }

    /// Sorts a driver's error by what has to happen next.
    #[must_use]
    pub fn from_sql(what: &str, error: &sqlx::Error) -> Self {
        let what = what.to_owned();
        let why = error.to_string();
        let Some(found) = error.as_database_error() else {
            return match error {
                sqlx::Error::Io(_) | sqlx::Error::PoolTimedOut | sqlx::Error::WorkerCrashed => {
                    StoreError::Busy { what, why }
                }
                _ => StoreError::Wrong { what, why },
            };
        };
        let code = found.code().unwrap_or_default().into_owned();
        // Five characters: a Postgres SQLSTATE. Else SQLite's extended result code.
        if code.len() == 5 {
            return match &code[..2] {
                "53" if code == "53100" => StoreError::Full { what },
                // insufficient_privilege: a person took a grant away, and may give it back.
                "42" if code == "42501" => StoreError::Denied { what, why },
                // Also read-only after a failover, and a server that is broken: ours is not to end for
                // that, the tape goes on.
                "08" | "25" | "40" | "53" | "55" | "57" | "58" | "XX" => {
                    StoreError::Busy { what, why }
                }
                _ => StoreError::Wrong { what, why },
            };
        }
        match code.parse::<i32>().unwrap_or(0) & 0xff {
            13 => StoreError::Full { what },
            5 | 6 => StoreError::Busy { what, why },
            8 | 10 => StoreError::Broken { what, why },
            11 => StoreError::Damaged { what, why },
            26 => StoreError::Damaged {
                what,
                why: "it is no database: another program's file, or its beginning was written over. Name \
                      another path, or put back a backup"
                    .into(),
            },
            14 => StoreError::Open { what, why },
            _ => StoreError::Wrong { what, why },
        }
    }
}
