//! Room on the disk: a low-water mark that stops intake in time, and ballast to give up.

use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use super::db::belongs_to_the_folder;

/// The folder of a store: of a bare name, the one that this runs in.
#[must_use]
pub fn folder_of(store: &Path) -> &Path {
    store.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// The room of a file system, in bytes.
#[derive(Clone, Copy, Debug)]
pub struct Room {
    /// What it still gives to us.
    pub free: u64,
    pub size: u64,
}

/// The room of the file system that a folder is on.
pub fn room(folder: &Path) -> io::Result<Room> {
    let stat = rustix::fs::statvfs(folder)?;
    let bytes = |blocks: u64| blocks.saturating_mul(stat.f_frsize);
    Ok(Room { free: bytes(stat.f_bavail), size: bytes(stat.f_blocks) })
}

/// Bytes that a file system still gives to us.
pub fn free_bytes(folder: &Path) -> io::Result<u64> {
    room(folder).map(|room| room.free)
}

/// A file of real bytes that can be deleted when the disk is full, since a full SQLite database
/// cannot even delete rows.
#[derive(Debug)]
pub struct Ballast {
    path: PathBuf,
    bytes: u64,
}

impl Ballast {
    /// Ballast of `bytes` beside the stores; 0 means none.
    #[must_use]
    pub fn new(folder: &Path, bytes: u64) -> Self {
        Self { path: folder.join("ballast"), bytes }
    }

    /// Puts the ballast in place if there is room for it and for as much again.
    pub fn take_on(&self) -> io::Result<bool> {
        let folder = folder_of(&self.path);
        let have = std::fs::metadata(&self.path).map_or(0, |m| m.len());
        if have >= self.bytes || free_bytes(folder)? < 2 * self.bytes {
            return Ok(have >= self.bytes);
        }
        let mut file: File =
            OpenOptions::new().create(true).append(true).mode(0o600).open(&self.path)?;
        belongs_to_the_folder(&file, &self.path)?;
        // Written, not punched: a sparse file would hold no room at all. Not all zeros, for file
        // systems that compress.
        let block: Vec<u8> =
            (0..65_536_u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
        let mut left = self.bytes - have;
        while left > 0 {
            let part = usize::try_from(left).unwrap_or(usize::MAX).min(block.len());
            file.write_all(&block[..part])?;
            left -= part as u64;
        }
        file.sync_all()?;
        Ok(true)
    }

    /// Throws it overboard. True when that made room.
    #[must_use]
    pub fn drop_off(&self) -> bool {
        self.bytes > 0 && std::fs::remove_file(&self.path).is_ok()
    }
}

#[cfg(test)]
mod tests {
    use super::Ballast;

    #[test]
    fn ballast_is_real_and_can_be_given_up() {
        let folder = crate::testing::scratch("ballast");
        let ballast = Ballast::new(&folder, 100_000);
        assert!(ballast.take_on().expect("room for a test file"));
        let path = folder.join("ballast");
        assert_eq!(std::fs::metadata(&path).map(|m| m.len()).ok(), Some(100_000));
        assert!(ballast.drop_off());
        assert!(!path.exists());
        assert!(!ballast.drop_off(), "nothing left to give up");
        assert!(!Ballast::new(&folder, 0).drop_off());
    }
}
