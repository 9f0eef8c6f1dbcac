//! Files that a command writes where a person asked for them: for their eyes alone, through no link, and without a sign
//! that a terminal obeys or that turns text around.

use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use super::Failure;
use super::output::visible;

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
    options.write(true).create(true).truncate(true).mode(0o600);
    options.custom_flags(flags.cast_signed()).open(path).map_err(|error| {
        if error.raw_os_error() == Some(rustix::io::Errno::LOOP.raw_os_error()) {
            let path = path.display();
            return Failure::unreachable(format!("{path} is a link: name the file itself"));
        }
        cannot(path, &error)
    })
}

/// A file that was not there. None: something stands at its name, be it a link that points nowhere, and stays as it is.
pub fn new(path: &Path) -> Result<Option<File>, Failure> {
    match OpenOptions::new().write(true).create_new(true).mode(0o600).open(path) {
        Ok(file) => Ok(Some(file)),
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => Ok(None),
        Err(error) => Err(cannot(path, &error)),
    }
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
    use super::{new, write};

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
