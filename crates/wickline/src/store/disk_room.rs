//! Room on the disk: a low-water mark that stops intake in time, and ballast to give up.

use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use rustix::fs::OFlags;

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
/// cannot even delete rows. It comes back when there is room again.
#[derive(Clone, Debug)]
pub struct Ballast {
    path: PathBuf,
    bytes: u64,
    /// It was given up, or found no room.
    away: Arc<AtomicBool>,
}

impl Ballast {
    /// Ballast of `bytes` beside the stores; 0 means none.
    #[must_use]
    pub fn new(folder: &Path, bytes: u64) -> Self {
        Self { path: folder.join("ballast"), bytes, away: Arc::default() }
    }

    /// Its size now, 0 where there is none. What stands there and is no plain file of one name is somebody else's:
    /// written to, or thrown away, it would be theirs that changes.
    fn have(&self) -> io::Result<u64> {
        let found = match std::fs::symlink_metadata(&self.path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(0),
            found => found?,
        };
        if found.is_file() && found.nlink() == 1 {
            return Ok(found.len());
        }
        let what = match found.file_type() {
            kind if kind.is_symlink() => "a symbolic link",
            kind if kind.is_file() => "a file that has another name as well",
            _ => "no plain file",
        };
        let shown = self.path.display();
        let why = format!("{shown} is {what}, which is left as it is: move it away for a ballast");
        Err(io::Error::new(io::ErrorKind::AlreadyExists, why))
    }

    /// Puts the ballast in place if there is room for it and for as much again.
    pub fn take_on(&self) -> io::Result<bool> {
        if self.bytes == 0 {
            return Ok(true);
        }
        let have = self.have()?;
        if have >= self.bytes || free_bytes(folder_of(&self.path))? < 2 * self.bytes {
            self.away.store(have < self.bytes, Ordering::Relaxed);
            return Ok(have >= self.bytes);
        }
        let not_through = i32::try_from(OFlags::NOFOLLOW.bits()).unwrap_or_default();
        let mut file: File = OpenOptions::new()
            .create(true)
            .append(true)
            .mode(0o600)
            .custom_flags(not_through)
            .open(&self.path)?;
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
        let gone =
            self.bytes > 0 && self.have().is_ok() && std::fs::remove_file(&self.path).is_ok();
        self.away.fetch_or(gone, Ordering::Relaxed);
        gone
    }

    /// Puts it back where it is away and there is room well above the mark below which nothing is taken: with it in
    /// place twice the mark is still free. True when that was done.
    pub fn come_back(&self, low_water: u64) -> io::Result<bool> {
        let room = self.bytes.saturating_add(low_water.saturating_mul(2));
        if !self.away.load(Ordering::Relaxed) || free_bytes(folder_of(&self.path))? < room {
            return Ok(false);
        }
        // Before: whoever gives it up meanwhile says so after this.
        self.away.store(false, Ordering::Relaxed);
        self.take_on().inspect_err(|_| {
            let _ = self.drop_off();
            self.away.store(true, Ordering::Relaxed);
        })
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

    #[test]
    fn ballast_comes_back_once_there_is_room_well_above_the_mark() {
        let folder = crate::testing::scratch("ballast-back");
        let ballast = Ballast::new(&folder, 100_000);
        let there = || folder.join("ballast").exists();
        let back = |low_water| ballast.come_back(low_water).expect("the folder is there");
        assert!(ballast.take_on().expect("room for a test file"));
        assert!(!back(0), "it is in its place");
        assert!(ballast.drop_off());
        // As much again as the mark has to be free.
        let free = super::free_bytes(&folder).expect("a disk");
        assert!(!back(free / 2 + 1) && !there());
        assert!(back(0) && there());
        assert!(!back(0), "once");
        // What found no room at a start comes too.
        let large = Ballast::new(&folder, u64::MAX / 4);
        assert!(!large.take_on().expect("looked"));
        assert!(large.away.load(std::sync::atomic::Ordering::Relaxed));
    }

    #[test]
    fn what_is_somebody_else_s_is_neither_written_to_nor_thrown_away() {
        let folder = crate::testing::scratch("ballast-link");
        let (path, other) = (folder.join("ballast"), folder.join("theirs"));
        let ballast = Ballast::new(&folder, 100_000);
        std::fs::write(&other, "8 bytes!").expect("written");
        let kept = |word: &str| {
            let why = ballast.take_on().expect_err("not through it").to_string();
            assert!(why.contains(word) && why.contains("ballast"), "{why}");
            assert!(!ballast.drop_off(), "no room came of it");
            assert_eq!(std::fs::read(&other).expect("there"), b"8 bytes!");
            assert!(std::fs::symlink_metadata(&path).is_ok(), "it is left as it is");
        };
        std::os::unix::fs::symlink(&other, &path).expect("a link");
        kept("symbolic link");
        std::fs::remove_file(&path).expect("removed");
        std::os::unix::fs::symlink(folder.join("none"), &path).expect("a link to nothing");
        kept("symbolic link");
        assert!(!folder.join("none").exists());
        std::fs::remove_file(&path).expect("removed");
        std::fs::hard_link(&other, &path).expect("a second name");
        kept("another name");
        std::fs::remove_file(&path).expect("removed");
        std::fs::create_dir(&path).expect("a folder");
        kept("no plain file");
    }
}
