//! Copies of the stores beside the work: whole, of one moment, in files of their own that are on the disk when they are
//! told of.
//!
//! `VACUUM INTO` (sqlite.org/lang_vacuum.html) reads like any question: in a log's file nobody who writes waits for it,
//! but the log cannot begin anew before it ends. It takes an empty file, and need not put it onto the disk.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io::{self, Read, Write as _};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use rustix::fs::OFlags;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use sqlx::any::AnyRow;
use sqlx::{Connection, Executor, Row};

use super::StoreError;
use super::db::{Db, belongs_to_the_folder};
use super::disk_room::folder_of;
use super::ledger::Ledger;
use super::sound;
use super::state::ReportState;
use crate::address::Address;
use crate::digest;

/// Bytes read at once.
const BLOCK: usize = 1 << 16;

/// What a ledger has, by state, and how much of it is not at its end.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Contents {
    pub reports: BTreeMap<String, i64>,
    pub messages: BTreeMap<String, i64>,
    /// Numbers that never came.
    pub numbers: BTreeMap<String, i64>,
    /// Reports held, messages waiting or refused, numbers missing.
    pub outstanding: i64,
}

/// What the trail says that a backup is of, and how it ended: by these `status` finds the last one.
pub const STORES: &str = "ledger and tape";
pub const MADE: &str = "backup";
/// Stands before the time of a backup where a restore says from which one.
pub const MADE_AT: &str = ", made at ";
pub const FAILED: &str = "backup-failed";

/// What an error of a file means for a store.
pub fn file_error(path: &Path, error: &io::Error) -> StoreError {
    let what = path.display().to_string();
    match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => StoreError::Full { what },
        _ => StoreError::Open { what, why: error.to_string() },
    }
}

/// A folder that a person names for files with results. An error: it is reached by a link, or root would put them into
/// the folder of somebody who has no right to them. `stores`: a file of the stores, whose folder's owner has.
pub fn for_results(folder: &Path, stores: &Path) -> Result<(), StoreError> {
    // With a slash behind it a link would be followed.
    let folder: PathBuf = folder.components().collect();
    let found = std::fs::symlink_metadata(&folder).map_err(|e| file_error(&folder, &e))?;
    let refused = |why: String| StoreError::Open { what: folder.display().to_string(), why };
    if !found.is_dir() {
        let is = if found.is_symlink() { "is a link" } else { "is no folder" };
        return Err(refused(format!("it {is}: name the folder itself")));
    }
    let owner = std::fs::metadata(folder_of(stores)).map_or(0, |found| found.uid());
    if rustix::process::geteuid().is_root() && found.uid() != 0 && found.uid() != owner {
        return Err(refused(format!(
            "it belongs to the user {}, who could read or exchange what root puts there: name a folder of root or of \
             the user of the stores",
            found.uid()
        )));
    }
    Ok(())
}

/// A file that was not there before, through no link, for its owner alone: who that is the folder says.
pub fn new_file(path: &Path) -> io::Result<File> {
    let flags = OFlags::NOFOLLOW.bits().cast_signed();
    let mut options = OpenOptions::new();
    options.read(true).write(true).create_new(true).mode(0o600).custom_flags(flags);
    let file = options.open(path)?;
    belongs_to_the_folder(&file, path)?;
    Ok(file)
}

/// Copies a file into a new one that is on the disk when this returns; its bytes' digest.
pub fn copy_file(from: &Path, to: &Path) -> Result<String, StoreError> {
    let mut out = new_file(to).map_err(|e| file_error(to, &e))?;
    let read = over(from, |bytes| out.write_all(bytes).map_err(|e| file_error(to, &e)))?;
    out.sync_all().map_err(|e| file_error(to, &e))?;
    Ok(read)
}

/// The digest of a file's bytes.
pub fn digest_of(path: &Path) -> Result<String, StoreError> {
    over(path, |_| Ok(()))
}

fn over(
    path: &Path,
    mut each: impl FnMut(&[u8]) -> Result<(), StoreError>,
) -> Result<String, StoreError> {
    let mut file = File::open(path).map_err(|e| file_error(path, &e))?;
    let (mut sum, mut block) = (Sha256::new(), vec![0; BLOCK]);
    loop {
        match file.read(&mut block) {
            Ok(0) => return Ok(digest::hex(&sum.finalize())),
            Ok(count) => {
                sum.update(&block[..count]);
                each(&block[..count])?;
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(file_error(path, &error)),
        }
    }
}

/// Puts a file or the names of a folder onto the disk.
pub fn sync(path: &Path) -> Result<(), StoreError> {
    File::open(path).and_then(|file| file.sync_all()).map_err(|e| file_error(path, &e))
}

impl Db {
    /// Copies a database in a file, as it is now, into a new file.
    pub async fn copy_into(&self, to: &Path) -> Result<(), StoreError> {
        if let Address::Sqlite(path) = self.address() {
            sound::whole_log(path).await?;
        }
        let Some(name) = to.to_str() else {
            let why = "the name of the folder must be UTF-8".into();
            return Err(StoreError::Open { what: to.display().to_string(), why });
        };
        new_file(to).map_err(|e| file_error(to, &e))?;
        let mut conn = self.read().await?;
        // Of a connection for questions this says that nothing is written at all, the copy neither.
        conn.execute("PRAGMA query_only=OFF").await.map_err(|e| self.wrong(&e))?;
        let copied = sqlx::query("VACUUM INTO $1").bind(name).execute(&mut conn).await;
        copied.map_err(|e| match self.wrong(&e) {
            // What it reads has room.
            StoreError::Full { .. } => StoreError::Full { what: to.display().to_string() },
            other => other,
        })?;
        conn.close().await.map_err(|e| self.wrong(&e))?;
        sync(to)
    }
}

impl Ledger {
    /// Copies the ledger, as it is now, into a new file: what is on a server becomes a ledger in a file.
    pub async fn copy_into(&self, to: &Path) -> Result<(), StoreError> {
        if !self.is_shared() {
            return self.db.copy_into(to).await;
        }
        new_file(to).map_err(|e| file_error(to, &e))?;
        let copy = Ledger::open(Address::Sqlite(to.to_owned())).await?;
        self.fill_new(&copy).await?;
        copy.close().await?;
        // Without a log, as the copy of a file: to look at it makes no file beside it.
        let mut conn = copy.db.read().await?;
        let done = conn.fetch_one("PRAGMA journal_mode=DELETE").await;
        done.map_err(|e| copy.wrong(&e))?;
        conn.close().await.map_err(|e| copy.wrong(&e))?;
        sync(to)
    }

    /// How many of what, by state: it looks at every row.
    pub async fn contents(&self) -> Result<Contents, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = conn
            .fetch_all(
                "SELECT 'report' AS what, state, count(*) AS many FROM report GROUP BY state UNION ALL \
                 SELECT 'message' AS what, state, count(*) AS many FROM message GROUP BY state UNION ALL \
                 SELECT 'number' AS what, state, CAST(sum(up_to - value + 1) AS BIGINT) AS many FROM absent \
                 GROUP BY state",
            )
            .await
            .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = |row: &AnyRow| -> Result<(String, String, i64), sqlx::Error> {
            Ok((row.try_get("what")?, row.try_get("state")?, row.try_get("many")?))
        };
        let mut all = Contents::default();
        for row in &rows {
            let (what, mut state, many) = read(row).map_err(|e| self.wrong(&e))?;
            let open = matches!(
                (what.as_str(), state.as_str()),
                ("report", "held") | ("message", "waiting" | "refused") | ("number", "missing")
            );
            all.outstanding += if open { many } else { 0 };
            // A report goes on as messages, and only these wait or are accepted.
            if (what.as_str(), state.as_str()) == ("report", ReportState::Waiting.text()) {
                state = "passed on".into();
            }
            let counts = match what.as_str() {
                "report" => &mut all.reports,
                "message" => &mut all.messages,
                _ => &mut all.numbers,
            };
            counts.insert(state, many);
        }
        Ok(all)
    }
}
