//! Who else has a serial port: by a lock on it, by the lock file of the trade's old custom, or by having it open.
//!
//! Looked at before the port is opened, for opening raises DTR and some analyzers print at that. Where a program keeps
//! its ports to itself by `TIOCEXCL` alone the kernel refuses everybody but root, so root looks at who has it open.
//!
//! Sources: proc(5) for `/proc/locks` and `/proc/PID/fd`, the Filesystem Hierarchy Standard 3.0, section 5.9, for the
//! lock files `LCK..NAME` of ten characters with the number of a process.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use rustix::process::{Pid, test_kill_process};

/// Longest file that may be a lock: number, name of the program, name of the user.
const LOCK_FILE: u64 = 256;

/// Where such things stand on a system.
pub(super) struct Places {
    proc: PathBuf,
    locks: PathBuf,
}

impl Default for Places {
    fn default() -> Self {
        Self { proc: "/proc".into(), locks: "/run/lock".into() }
    }
}

/// Who has a port at present, as far as this user may know it. Nothing is opened for that.
///
/// `PID NAME`, and the lock file where one says so. Of a path that leads to nothing: nobody.
#[must_use]
pub fn holder(path: &Path) -> Option<String> {
    Places::default().holder(&path.canonicalize().ok()?, path)
}

impl Places {
    /// Who has `node`, which is called `path` in the configuration, as far as this user may know it.
    pub fn holder(&self, node: &Path, path: &Path) -> Option<String> {
        if let Some((file, pid)) = self.lock_file(node, path) {
            return Some(format!("{} (its lock file is {})", self.named(pid), file.display()));
        }
        self.locker(node).or_else(|| self.opener(node)).map(|pid| self.named(pid))
    }

    /// `PID NAME`, as people look for it.
    fn named(&self, pid: u32) -> String {
        if pid == std::process::id() {
            return format!("{pid}, which is this very program: is the port on two lines?");
        }
        let name = fs::read_to_string(self.proc.join(format!("{pid}/comm"))).unwrap_or_default();
        let name: String = name.trim().chars().filter(|c| !c.is_control()).collect();
        if name.is_empty() { pid.to_string() } else { format!("{pid} {name}") }
    }

    /// Of a lock file that a living process wrote. One of a process that is gone, or that names none, bars nobody.
    fn lock_file(&self, node: &Path, path: &Path) -> Option<(PathBuf, u32)> {
        [node, path].into_iter().find_map(|device| {
            let file = self.locks.join(format!("LCK..{}", device.file_name()?.to_str()?));
            let found = fs::metadata(&file).ok()?;
            if !found.is_file() || found.len() > LOCK_FILE {
                return None;
            }
            let text = fs::read_to_string(&file).ok()?;
            let pid = text.split_whitespace().next()?.parse().ok()?;
            is_alive(pid).then_some((file, pid))
        })
    }

    /// Who has an flock(2) on it, shared or not.
    fn locker(&self, node: &Path) -> Option<u32> {
        let found = fs::metadata(node).ok()?;
        let (major, minor) = (rustix::fs::major(found.dev()), rustix::fs::minor(found.dev()));
        let device = format!("{major:02x}:{minor:02x}:{}", found.ino());
        let locks = fs::read_to_string(self.proc.join("locks")).ok()?;
        locks.lines().find_map(|line| {
            // `1: FLOCK ADVISORY WRITE 9976 00:05:90 0 EOF`; who only waits has `->` behind the number.
            let mut words = line.split_whitespace().skip(1);
            let (kind, pid) = (words.next()?, words.nth(2)?);
            (kind == "FLOCK" && words.next()? == device).then(|| pid.parse().ok()).flatten()
        })
    }

    /// Who has it open, of those whose descriptors this user may see. A terminal that a program made has that program
    /// on it: not looked at.
    fn opener(&self, node: &Path) -> Option<u32> {
        if node.starts_with("/dev/pts") {
            return None;
        }
        let processes = fs::read_dir(&self.proc).ok()?.flatten();
        let mut pids = processes.filter_map(|entry| entry.file_name().to_str()?.parse().ok());
        pids.find(|pid: &u32| {
            let open = fs::read_dir(self.proc.join(format!("{pid}/fd")));
            let mut open = open.into_iter().flatten().flatten();
            *pid != std::process::id()
                && open.any(|entry| fs::read_link(entry.path()).is_ok_and(|file| file == node))
        })
    }
}

/// Whether a process of this number runs, whosever it is.
fn is_alive(pid: u32) -> bool {
    let pid = i32::try_from(pid).ok().and_then(Pid::from_raw);
    pid.is_some_and(|pid| test_kill_process(pid) != Err(rustix::io::Errno::SRCH))
}

#[cfg(test)]
mod tests {
    use std::os::fd::AsFd;
    use std::path::{Path, PathBuf};

    use rustix::fs::{FlockOperation, flock};

    use super::Places;

    /// A folder of lock files, and a file that stands for a port.
    fn bench(name: &str) -> (PathBuf, Places) {
        let folder = std::env::temp_dir().join(format!("wickline-{name}-{}", std::process::id()));
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(folder.join("lock")).expect("a folder");
        std::fs::write(folder.join("ttyS9"), "").expect("a file");
        let places = Places { proc: "/proc".into(), locks: folder.join("lock") };
        (folder, places)
    }

    #[test]
    fn a_lock_file_counts_while_its_process_lives() {
        let (folder, places) = bench("lockfile");
        let (node, name) = (folder.join("ttyS9"), Path::new("/dev/serial/by-path/left"));
        let mut gone = std::process::Command::new("true").spawn().expect("a process");
        gone.wait().expect("it ends");
        let parent = std::os::unix::process::parent_id();
        for (file, text, held) in [
            ("LCK..ttyS9", format!("{parent:>10}\n"), true),
            ("LCK..left", format!("{parent:>10}\n"), true),
            ("LCK..ttyS9", format!("{parent:>10} minicom root\n"), true),
            ("LCK..ttyS8", format!("{parent:>10}\n"), false),
            ("LCK..ttyS9", format!("{:>10}\n", gone.id()), false),
            ("LCK..ttyS9", String::new(), false),
            ("LCK..ttyS9", "no number\n".into(), false),
            ("LCK..ttyS9", "0\n".into(), false),
            ("LCK..ttyS9", "4294967295\n".into(), false),
            ("LCK..ttyS9", format!("{parent}{}", " ".repeat(1 << 20)), false),
        ] {
            let file = folder.join("lock").join(file);
            std::fs::write(&file, &text).expect("written");
            let holder = places.holder(&node, name);
            assert_eq!(holder.is_some(), held, "{file:?} {:?}: {holder:?}", text.get(..40));
            let holder = holder.unwrap_or_default();
            assert!(!held || holder.starts_with(&format!("{parent} ")), "{holder}");
            assert!(!held || holder.contains(&file.display().to_string()), "{holder}");
            std::fs::remove_file(file).expect("it is ours");
        }
        std::fs::remove_dir_all(folder).expect("it is ours");
    }

    #[test]
    fn who_locks_it_or_has_it_open_is_named() {
        let (folder, places) = bench("flock");
        let node = folder.join("ttyS9");
        assert_eq!(places.holder(&node, &node), None);
        let ours = std::fs::File::open(&node).expect("it opens");
        assert_eq!(places.holder(&node, &node), None, "we are nobody else");
        flock(ours.as_fd(), FlockOperation::LockShared).expect("it is ours to lock");
        let holder = places.holder(&node, &node).expect("a shared lock is one too");
        assert!(holder.starts_with(&std::process::id().to_string()), "{holder}");
        assert!(holder.contains("on two lines"), "{holder}");
        drop(ours);
        // Another program that has it as its standard input, without any lock.
        let input = std::fs::File::open(&node).expect("it opens");
        let mut other = std::process::Command::new("sleep");
        let mut other = other.arg("60").stdin(input).spawn().expect("a process");
        let holder = places.holder(&node, &node);
        other.kill().expect("it is ours");
        other.wait().expect("it ends");
        assert_eq!(holder, Some(format!("{} sleep", other.id())));
        assert_eq!(places.holder(&node, &node), None);
        std::fs::remove_dir_all(folder).expect("it is ours");
    }
}
