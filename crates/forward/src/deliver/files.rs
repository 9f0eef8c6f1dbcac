//! A folder as receiver: each message a file, whole or not there.

use std::fs;
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::Path;

use crate::hl7::is_control_id;

/// Writes `<control_id>.hl7` so that it is there whole, and stays there, once this returns.
pub(super) async fn write(folder: &Path, control_id: &str, message: &[u8]) -> io::Result<()> {
    if !is_control_id(control_id) {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "this control id is no file name"));
    }
    let (folder, name, message) = (folder.to_owned(), control_id.to_owned(), message.to_vec());
    let written = tokio::task::spawn_blocking(move || place(&folder, &name, &message));
    written.await.map_err(io::Error::other)?
}

fn place(folder: &Path, name: &str, message: &[u8]) -> io::Result<()> {
    fs::DirBuilder::new().recursive(true).mode(0o700).create(folder)?;
    let temporary = folder.join(format!(".{name}.part"));
    let mut file = fs::OpenOptions::new()
        .create(true)
        .write(true)
        .truncate(true)
        .mode(0o600)
        .open(&temporary)?;
    file.write_all(message)?;
    file.sync_all()?;
    fs::rename(&temporary, folder.join(format!("{name}.hl7")))?;
    // The name is only safe once the folder is.
    fs::File::open(folder)?.sync_all()
}
