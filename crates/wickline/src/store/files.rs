//! Which files a connection works on: what is written to a file that was deleted or replaced goes on
//! looking well and is lost with the process.

use std::ffi::OsString;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use super::StoreError;

/// Files by their paths, each with the device and the inode that stood there. None: a server's.
#[derive(Clone, Debug, Default)]
pub struct Files(Vec<(PathBuf, (u64, u64))>);

impl Files {
    /// A database of SQLite's, with its log and the log's index: while one is connected, nobody who goes by
    /// SQLite's rules makes another of any.
    pub fn of_a_connection(database: &Path) -> Result<Self, StoreError> {
        Self::at([database.to_owned(), beside(database, "-wal"), beside(database, "-shm")])
    }

    /// The database alone: also over several connections it stays the same.
    pub fn of_a_database(database: &Path) -> Result<Self, StoreError> {
        Self::at([database.to_owned()])
    }

    fn at<const N: usize>(paths: [PathBuf; N]) -> Result<Self, StoreError> {
        let mut files = Vec::with_capacity(N);
        for path in paths {
            let found = standing_at(&path).ok_or_else(|| gone(&path))?;
            files.push((path, found));
        }
        Ok(Self(files))
    }

    /// An error: one of them is no longer what stands at its path.
    pub fn still_there(&self) -> Result<(), StoreError> {
        match self.0.iter().find(|(path, known)| standing_at(path) != Some(*known)) {
            Some((path, _)) => Err(gone(path)),
            None => Ok(()),
        }
    }
}

/// The path of a file that SQLite keeps beside a database.
#[must_use]
pub fn beside(database: &Path, ending: &str) -> PathBuf {
    let mut name = OsString::from(database);
    name.push(ending);
    name.into()
}

fn standing_at(path: &Path) -> Option<(u64, u64)> {
    std::fs::metadata(path).ok().map(|found| (found.dev(), found.ino()))
}

fn gone(path: &Path) -> StoreError {
    let why = "it was deleted or replaced while it was open, so what is written now would be lost, and \
               nothing more is acknowledged. Stop the service, put the file back together with those beside it (-wal \
               and -shm), or what a backup has, and start it"
        .to_owned();
    StoreError::Unsafe { what: path.display().to_string(), why }
}

#[cfg(test)]
mod tests {
    use super::{Files, beside};

    #[test]
    fn a_file_that_was_deleted_or_replaced_is_another() {
        let database = crate::testing::scratch("files").join("a.db");
        let log = beside(&database, "-wal");
        for path in [&database, &log, &beside(&database, "-shm")] {
            std::fs::write(path, "1").expect("written");
        }
        let files = Files::of_a_connection(&database).expect("three files");
        std::fs::write(&database, "2").expect("written again");
        assert!(files.still_there().is_ok(), "the same file, whatever stands in it");
        let kept = log.with_extension("kept");
        std::fs::rename(&log, &kept).expect("moved");
        let error = files.still_there().expect_err("deleted");
        assert!(error.is_fatal() && error.to_string().contains("a.db-wal"), "{error}");
        std::fs::copy(&kept, &log).expect("copied");
        assert!(files.still_there().is_err(), "replaced");
        std::fs::rename(&kept, &log).expect("moved back");
        assert!(files.still_there().is_ok(), "put back");
        assert!(Files::default().still_there().is_ok());
    }
}
