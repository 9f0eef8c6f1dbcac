//! Files that a command writes where a person asked for them: for their eyes alone, through no link, and without a sign
//! that a terminal obeys or that turns text around.

use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

use super::Failure;
use super::output::visible;
use crate::clock;

/// Writes a page or a table. What stood there before is replaced.
pub fn write(path: &Path, text: &str) -> Result<(), Failure> {
    let text: String = text.split_inclusive(['\n', '\r', '\t']).map(shown).collect();
    create(path)?.write_all(text.as_bytes()).map_err(|error| cannot(path, &error))
}

/// An empty file to write to.
///
/// A link is refused: whoever may put one into a folder that others write to chooses what is overwritten.
pub fn create(path: &Path) -> Result<File, Failure> {
    let flags = rustix::fs::OFlags::NOFOLLOW.bits();
    let mut options = OpenOptions::new();
    options.write(true).create(true).truncate(false).mode(0o600);
    let file = options.custom_flags(flags.cast_signed()).open(path).map_err(|error| {
        if error.raw_os_error() == Some(rustix::io::Errno::LOOP.raw_os_error()) {
            let path = path.display();
            return Failure::unreachable(format!("{path} is a link: name the file itself"));
        }
        cannot(path, &error)
    })?;
    let found = file.metadata().map_err(|error| cannot(path, &error))?;
    if rustix::process::geteuid().is_root() && !is_roots_or_the_services(found.uid()) {
        return Err(Failure::unreachable(format!(
            "{} belongs to the user {}, who could read what root puts there: remove it, or name another file",
            path.display(),
            found.uid()
        )));
    }
    if found.is_file() {
        file.set_len(0).map_err(|error| cannot(path, &error))?;
    }
    Ok(file)
}

fn is_roots_or_the_services(user: u32) -> bool {
    let service = nix::unistd::User::from_name("wickline").ok().flatten();
    user == 0 || service.is_some_and(|service| service.uid.as_raw() == user)
}

/// A file that was not there. None: something stands at its name, be it a link that points nowhere, and stays as it is.
pub fn new(path: &Path) -> Result<Option<File>, Failure> {
    match OpenOptions::new().write(true).create_new(true).mode(0o600).open(path) {
        Ok(file) => Ok(Some(file)),
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => Ok(None),
        Err(error) => Err(cannot(path, &error)),
    }
}

/// What the service reads: for its group to read, where root makes it and that group is there, else for its owner
/// alone. Says which.
pub fn for_the_service(file: &File) -> io::Result<&'static str> {
    let group = nix::unistd::Group::from_name("wickline").ok().flatten();
    let group = group.filter(|_| rustix::process::geteuid().is_root());
    let (mode, told) = match &group {
        Some(_) => (0o640, "root:wickline, mode 0640"),
        None => (0o600, "yours alone, mode 0600"),
    };
    if let Some(group) = group {
        std::os::unix::fs::fchown(file, Some(0), Some(group.gid.as_raw()))?;
    }
    file.set_permissions(std::fs::Permissions::from_mode(mode))?;
    Ok(told)
}

/// A configuration at its name, whole or not at all. What stands there must still be `old`, and stays beside it under
/// a dated name; None: nothing may stand there. Says whose it is, and where the old one is now.
pub fn configuration(
    path: &Path,
    text: &str,
    old: Option<&[u8]>,
) -> Result<(&'static str, Option<PathBuf>), Failure> {
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let temp = path.with_file_name(format!(".{name}.{}", std::process::id()));
    let mut file = new(&temp)?.ok_or_else(|| {
        Failure::unreachable(format!("{} is in the way: remove it", temp.display()))
    })?;
    let written = file
        .write_all(text.as_bytes())
        .and_then(|()| for_the_service(&file))
        .and_then(|told| file.sync_all().map(|()| told))
        .map_err(|error| cannot(path, &error));
    let put = written.and_then(|told| Ok((told, take_its_place(&temp, path, old)?)));
    if put.is_err() {
        let _ = std::fs::remove_file(&temp);
    }
    put
}

/// One rename, so that whoever reads the name finds the old one or the new one.
fn take_its_place(
    temp: &Path,
    path: &Path,
    old: Option<&[u8]>,
) -> Result<Option<PathBuf>, Failure> {
    let failed = |error: io::Error| cannot(path, &error);
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let changed = || {
        let path = path.display();
        Failure::wrong(format!("{path} was changed by somebody else meanwhile: it stays as it is"))
    };
    let Some(old) = old else {
        let flags = rustix::fs::RenameFlags::NOREPLACE;
        rustix::fs::renameat_with(rustix::fs::CWD, temp, rustix::fs::CWD, path, flags).map_err(
            |errno| match errno {
                rustix::io::Errno::EXIST => changed(),
                other => failed(other.into()),
            },
        )?;
        File::open(folder).and_then(|folder| folder.sync_all()).map_err(failed)?;
        return Ok(None);
    };
    if path.symlink_metadata().map_err(failed)?.is_symlink() {
        let path = path.display();
        return Err(Failure::unreachable(format!("{path} is a link: name the file itself")));
    }
    if std::fs::read(path).map_err(failed)? != old {
        return Err(changed());
    }
    let mut aside = path.as_os_str().to_owned();
    aside.push(format!(".{}", clock::stamp(clock::now_us())));
    let aside = PathBuf::from(aside);
    std::fs::hard_link(path, &aside).map_err(|error| cannot(&aside, &error))?;
    std::fs::rename(temp, path).map_err(failed)?;
    File::open(folder).and_then(|folder| folder.sync_all()).map_err(failed)?;
    Ok(Some(aside))
}

pub fn cannot(path: &Path, error: &io::Error) -> Failure {
    Failure::unreachable(format!("writing {}: {error}", path.display()))
}

/// A line with its end, or a cell with the tab behind it.
fn shown(piece: &str) -> String {
    let text = piece.trim_end_matches(['\n', '\r', '\t']);
    visible(text) + piece.get(text.len()..).unwrap_or("")
}

#[cfg(test)]
mod tests {
    use super::{configuration, new, write};

    #[test]
    fn a_configuration_takes_the_place_of_the_one_that_was_seen_and_of_no_other() {
        use std::os::unix::fs::PermissionsExt;
        let folder = crate::testing::scratch("file");
        let path = folder.join("wickline.toml");
        let there = || std::fs::read_to_string(&path).expect("it is there");
        let (_, aside) = configuration(&path, "one", None).expect("the name is free");
        assert_eq!((there().as_str(), aside), ("one", None));
        let mode = std::fs::metadata(&path).expect("there").permissions().mode();
        assert_eq!(mode & 0o137, 0, "{mode:o}");
        configuration(&path, "two", None).expect_err("somebody's file is there");
        configuration(&path, "two", Some(b"another")).expect_err("it was changed meanwhile");
        assert_eq!(there(), "one");
        let (_, aside) = configuration(&path, "two", Some(b"one")).expect("as it was seen");
        let aside = aside.expect("the old one is kept");
        assert_eq!((there().as_str(), std::fs::read(&aside).ok()), ("two", Some(b"one".to_vec())));
        let name = aside.file_name().expect("a name").to_string_lossy().into_owned();
        assert!(name.starts_with("wickline.toml.20") && name.ends_with('Z'), "{name}");
        let link = folder.join("link.toml");
        std::os::unix::fs::symlink(&path, &link).expect("linked");
        configuration(&link, "three", Some(b"two")).expect_err("a link");
        configuration(&link, "three", None).expect_err("a link");
        assert_eq!(there(), "two");
        let left = std::fs::read_dir(&folder).expect("a folder").count();
        assert_eq!(left, 3, "nothing half written is left");
    }

    #[test]
    fn a_page_is_for_its_owner_and_obeys_nobody() {
        use std::os::unix::fs::PermissionsExt;
        let path = crate::testing::scratch("file").join("page.html");
        write(&path, "a\u{1b}[2J\u{9b}31m\r\n\tb\u{202e}c\n\n").expect("written");
        let text = std::fs::read_to_string(&path).expect("read");
        assert_eq!(text, "a\\u{1b}[2J\\u{9b}31m\r\n\tb\\u{202e}c\n\n");
        let mode = std::fs::metadata(&path).expect("there").permissions().mode();
        assert_eq!(mode & 0o077, 0, "{mode:o}");
    }

    #[test]
    fn what_a_link_points_at_stays_as_it_is() {
        let folder = crate::testing::scratch("file");
        let (mine, link) = (folder.join("mine"), folder.join("link"));
        std::fs::write(&mine, "kept").expect("written");
        std::os::unix::fs::symlink(&mine, &link).expect("linked");
        let refused = write(&link, "gone").expect_err("a link");
        assert!(refused.text.ends_with("link is a link: name the file itself"), "{}", refused.text);
        assert_eq!(std::fs::read_to_string(&mine).ok().as_deref(), Some("kept"));
    }

    /// As root: what belongs to somebody else would be read by them.
    #[test]
    fn root_writes_into_nobodys_file() {
        if !rustix::process::geteuid().is_root() {
            return;
        }
        let theirs = crate::testing::scratch("file").join("theirs");
        std::fs::write(&theirs, "kept").expect("written");
        std::os::unix::fs::chown(&theirs, Some(4711), Some(4711)).expect("given away");
        let refused = write(&theirs, "a patient").expect_err("theirs");
        assert!(refused.text.contains("belongs to the user 4711"), "{}", refused.text);
        assert_eq!(std::fs::read_to_string(&theirs).ok().as_deref(), Some("kept"));
        std::os::unix::fs::chown(&theirs, Some(0), Some(0)).expect("given back");
        write(&theirs, "page").expect("our own");
        assert_eq!(std::fs::read_to_string(&theirs).ok().as_deref(), Some("page"));
    }

    #[test]
    fn what_stands_at_the_name_of_a_new_file_stays() {
        use std::io::Write;
        use std::os::unix::fs::PermissionsExt;
        let folder = crate::testing::scratch("file");
        let (there, link) = (folder.join("there"), folder.join("link"));
        std::fs::write(&there, "kept").expect("written");
        std::os::unix::fs::symlink(folder.join("nowhere"), &link).expect("linked");
        for taken in [&there, &link] {
            assert!(new(taken).expect("no fault").is_none(), "{}", taken.display());
        }
        assert_eq!(std::fs::read_to_string(&there).ok().as_deref(), Some("kept"));
        assert!(!folder.join("nowhere").exists());
        let own = folder.join("own");
        let mut file = new(&own).expect("no fault").expect("the name is free");
        file.write_all(b"mine").expect("written");
        assert_eq!(std::fs::metadata(&own).expect("there").permissions().mode() & 0o077, 0);
    }
}
