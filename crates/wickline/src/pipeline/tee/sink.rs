//! Where a copy goes: a file for its owner alone, or a TCP connection of which nothing is read.

use std::fmt;
use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::net::SocketAddr;
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rustix::fs::OFlags;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

use crate::settings::bench::TeeTo;
use crate::store::disk_room::{folder_of, free_bytes};

const CONNECT_LIMIT: Duration = Duration::from_secs(10);
/// Longest that a far end may take nothing.
const WRITE_LIMIT: Duration = Duration::from_secs(30);

/// Where programs connect that want the copy, one at a time.
pub(super) struct Door {
    socket: TcpListener,
    address: SocketAddr,
}

impl Door {
    pub async fn bind(address: SocketAddr) -> io::Result<Self> {
        let about = |error: io::Error| about(&format!("waiting at {address}"), &error);
        let socket = TcpListener::bind(address).await.map_err(about)?;
        let address = socket.local_addr()?;
        Ok(Self { socket, address })
    }
}

impl fmt::Display for Door {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "listen:{}", self.address)
    }
}

/// An open way.
pub(super) enum Sink {
    File { file: Option<File>, path: PathBuf, low_water: u64 },
    Tcp(TcpStream),
}

impl Sink {
    pub async fn open(to: &TeeTo, door: Option<&mut Door>, low_water: u64) -> io::Result<Self> {
        match (to, door) {
            (TeeTo::File(path), _) => {
                let opened = path.clone();
                let file = tokio::task::spawn_blocking(move || own_file(&opened)).await??;
                has_room(path, low_water)?;
                Ok(Sink::File { file: Some(file), path: path.clone(), low_water })
            }
            (TeeTo::Tcp(address), _) => {
                let connecting = TcpStream::connect(address.as_str());
                let stream = tokio::time::timeout(CONNECT_LIMIT, connecting)
                    .await
                    .unwrap_or_else(|_| Err(io::ErrorKind::TimedOut.into()))
                    .map_err(|error| about(&format!("connecting to {address}"), &error))?;
                Ok(Sink::Tcp(stream))
            }
            (TeeTo::Listen(_), Some(door)) => Ok(Sink::Tcp(door.socket.accept().await?.0)),
            (TeeTo::Listen(address), None) => {
                Err(io::Error::other(format!("{address} is not bound")))
            }
        }
    }

    /// Writes as much as goes at once; says how much. Not to be dropped but for good.
    pub async fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self {
            Sink::File { file, path, low_water } => {
                let own = file.take().ok_or_else(|| io::Error::other("the file was given up"))?;
                let (path, bytes, low_water) = (path.clone(), bytes.to_vec(), *low_water);
                let work = move || {
                    let count = append(&own, &path, &bytes, low_water)?;
                    Ok::<_, io::Error>((own, count))
                };
                let (own, count) = tokio::task::spawn_blocking(work).await??;
                *file = Some(own);
                Ok(count)
            }
            Sink::Tcp(stream) => match tokio::time::timeout(WRITE_LIMIT, stream.write(bytes)).await
            {
                Ok(Ok(0)) => Err(hung_up()),
                Ok(done) => done,
                Err(_) => {
                    let text = "the program that is connected took nothing for 30 s";
                    Err(io::Error::new(io::ErrorKind::TimedOut, text))
                }
            },
        }
    }

    /// Resolves when the far end hangs up. What it says is read past: nobody talks to the analyzer but we.
    pub async fn gone(&mut self) -> io::Error {
        let Sink::Tcp(stream) = self else { return std::future::pending().await };
        let mut chunk = [0; 512];
        loop {
            match stream.read(&mut chunk).await {
                Ok(0) => return hung_up(),
                Ok(_) => {}
                Err(error) => return error,
            }
        }
    }
}

fn hung_up() -> io::Error {
    io::Error::new(io::ErrorKind::BrokenPipe, "the program that was connected hung up")
}

fn about(doing: &str, error: &io::Error) -> io::Error {
    io::Error::new(error.kind(), format!("{doing}: {error}"))
}

/// A file that its owner alone may read: what stands there holds patients' results.
fn own_file(path: &Path) -> io::Result<File> {
    let shown = path.display();
    // Not through a link, and never waiting for the other end of what is no file.
    let flags = (OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::CLOEXEC).bits().cast_signed();
    let file =
        OpenOptions::new().append(true).create(true).mode(0o600).custom_flags(flags).open(path);
    let file = file.map_err(|error| {
        if error.raw_os_error() == Some(rustix::io::Errno::LOOP.raw_os_error()) {
            return io::Error::new(
                error.kind(),
                format!("{shown} is a link: name the file itself"),
            );
        }
        about(&format!("opening {shown}"), &error)
    })?;
    let found = file.metadata()?;
    let wrong = match () {
        () if !found.is_file() => Some("is no file".to_owned()),
        () if found.nlink() != 1 => Some("has a second name".to_owned()),
        () if found.mode() & 0o077 != 0 => Some(format!(
            "has mode {:04o}, and others must not read it: chmod 0600 {shown}",
            found.mode() & 0o7777
        )),
        () => None,
    };
    match wrong {
        Some(wrong) => {
            Err(io::Error::new(io::ErrorKind::PermissionDenied, format!("{shown} {wrong}")))
        }
        None => Ok(file),
    }
}

/// The stores' own room stays theirs: a copy that fills the disk would stop the analyzers.
fn has_room(path: &Path, low_water: u64) -> io::Result<()> {
    let (free, wanted) = (free_bytes(folder_of(path))?, low_water.saturating_mul(2));
    if free < wanted {
        let text =
            format!("{} MiB free, and below {} MiB nothing is copied", free >> 20, wanted >> 20);
        return Err(io::Error::new(io::ErrorKind::StorageFull, text));
    }
    Ok(())
}

fn append(mut file: &File, path: &Path, bytes: &[u8], low_water: u64) -> io::Result<usize> {
    has_room(path, low_water)?;
    let (own, there) = (file.metadata()?, std::fs::symlink_metadata(path));
    let same = there.is_ok_and(|there| (there.dev(), there.ino()) == (own.dev(), own.ino()));
    if !same {
        let text = format!("{} was moved or deleted: a new one is begun", path.display());
        return Err(io::Error::new(io::ErrorKind::NotFound, text));
    }
    file.write(bytes)
}
