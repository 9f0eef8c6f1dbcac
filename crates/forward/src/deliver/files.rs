//! A folder as receiver: each message a file, whole or not there.
//!
//! Written to a name of its own first, synced, and then renamed, so that whoever watches the folder never
//! sees half a message. The same message again is written again; a file with another content is left alone.

use std::fs;
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::Path;

use crate::hl7::is_control_id;

/// How writing ended.
pub(super) enum Filed {
    /// It is there whole and stays there.
    Written,
    /// A file of this name is there and says something else. It was not touched.
    Taken,
}

/// Writes `<control_id>.hl7` so that it is there whole, and stays there, once this returns. Blocks.
pub(super) fn write(folder: &Path, name: &str, message: &[u8]) -> io::Result<Filed> {
    if !is_control_id(name) {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "this control id is no file name"));
    }
    fs::DirBuilder::new().recursive(true).mode(0o700).create(folder)?;
    let (file, part) = (folder.join(format!("{name}.hl7")), folder.join(format!(".{name}.part")));
    match fs::read(&file) {
        Ok(there) if there != message => return Ok(Filed::Taken),
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        // The same again is written again: the first time its sync may have failed.
        _ => {}
    }
    // Left over from a crash: ours, and worth nothing.
    match fs::remove_file(&part) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    let mut new = fs::OpenOptions::new().create_new(true).write(true).mode(0o600).open(&part)?;
    new.write_all(message)?;
    new.sync_all()?;
    fs::rename(&part, &file)?;
    // The name is only safe once the folder is.
    fs::File::open(folder)?.sync_all()?;
    Ok(Filed::Written)
}
