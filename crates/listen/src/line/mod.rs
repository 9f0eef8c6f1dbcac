//! The line itself: a serial port or a TCP connection. The only room that touches the world.
//!
//! Nothing is interpreted here. A port that vanished reads as [`Got::Closed`], never as silence,
//! and is to be dropped at once and opened again by its name.
//!
//! A driver opens a line, reads until [`Got::Closed`] or an error, drops it and opens it again after a pause. What
//! happened to single bytes (parity, framing, breaks) comes with the bytes and is judged by those who know frames
//! and reports; here a damaged byte is as good as any.

mod holder;
mod opening;
mod parmrk;
mod remote;
mod rfc2217;
mod serial;
mod spec;
mod takeover;
mod tcp;
#[cfg(test)]
mod tests;
mod trouble;

use std::io;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

pub use holder::holder;
pub use spec::{LineKind, LineSpec, SPEEDS};
pub use tcp::{Caller, Knock, Listener, Takeover};
pub use trouble::{Counts, Trouble};

/// Longest that a write may take: what we send is an answer of one byte.
const WRITE_LIMIT: Duration = Duration::from_secs(5);
/// Bytes taken from the line at a time.
const CHUNK: usize = 4096;

/// What one read found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Got {
    /// Bytes, some of them perhaps marked.
    Bytes,
    /// Bytes, with at least one break among them: a marked 00.
    Break,
    /// The port vanished or the far end hung up.
    Closed,
}

/// An open line.
pub struct Port {
    way: Way,
}

/// A serial port has marks and settings, here or at a server; a TCP connection has neither.
enum Way {
    Serial(serial::Serial),
    Remote(Box<remote::Remote>),
    Tcp(TcpStream),
}

impl Port {
    /// Opens a serial line or connects to a TCP one. For a line on which the analyzer connects to
    /// us see [`Listener`].
    ///
    /// Errors name the line, what was tried and what to look at: the adapter, the group of the port,
    /// who else has it.
    pub async fn open(spec: &LineSpec) -> io::Result<Port> {
        let way = match &spec.kind {
            LineKind::Serial { path } => Way::Serial(serial::Serial::open(spec, path).await?),
            LineKind::Tcp { addr } => Way::Tcp(tcp::connect(addr).await?),
            LineKind::Rfc2217 { addr } => {
                Way::Remote(Box::new(remote::Remote::open(addr, &spec.wanted()).await?))
            }
            LineKind::Listen { addr, .. } => {
                let text = format!("the analyzer connects to {addr}: bind a `Listener` and accept");
                return Err(io::Error::new(io::ErrorKind::InvalidInput, text));
            }
        };
        Ok(Port { way })
    }

    fn accepted(stream: TcpStream) -> Port {
        Port { way: Way::Tcp(stream) }
    }

    /// Waits for bytes and appends them; `flaws` gets the indexes, in `bytes`, of those that
    /// arrived with an error. May be dropped while waiting without losing a byte.
    ///
    /// An error other than the end of the line is the system's; the line is to be dropped then, too.
    pub async fn read(&mut self, bytes: &mut Vec<u8>, flaws: &mut Vec<usize>) -> io::Result<Got> {
        match &mut self.way {
            Way::Serial(serial) => serial.read(bytes, flaws).await,
            Way::Remote(remote) => remote.read(bytes, flaws).await,
            Way::Tcp(stream) => {
                let mut chunk = [0; CHUNK];
                let count = stream.read(&mut chunk).await?;
                bytes.extend_from_slice(chunk.get(..count).unwrap_or_default());
                Ok(if count == 0 { Got::Closed } else { Got::Bytes })
            }
        }
    }

    /// What went wrong beneath the bytes since it was opened. None: a TCP connection does not tell.
    ///
    /// A port of this machine tells of breaks and of bytes with an error, by its marks. Bytes that its driver lost
    /// (overruns) leave no mark.
    #[must_use]
    pub fn troubles(&self) -> Option<Counts> {
        match &self.way {
            Way::Serial(serial) => Some(serial.counts()),
            Way::Remote(remote) => Some(remote.counts()),
            Way::Tcp(_) => None,
        }
    }

    /// Sets an open serial port to another speed and framing, and drops what waits to be read: it was heard in the
    /// old ones. The port stays ours, and its modem lines as they are; nothing is sent.
    pub fn reset(&mut self, spec: &LineSpec) -> io::Result<()> {
        match &mut self.way {
            Way::Serial(serial) => serial.reset(spec),
            Way::Remote(_) | Way::Tcp(_) => {
                let text = "setting another speed: only an open port of this machine takes one";
                Err(io::Error::new(io::ErrorKind::InvalidInput, text))
            }
        }
    }

    /// Sends bytes, within a bounded time. Nothing is flushed: that would wait in the kernel until
    /// the last bit has left, and hold up every other line meanwhile.
    ///
    /// The error after 5 s means that the far end takes nothing: a cable, or flow control that never
    /// lets go.
    pub async fn write_all(&mut self, bytes: &[u8]) -> io::Result<()> {
        let writing = async {
            match &mut self.way {
                Way::Serial(serial) => serial.write_all(bytes).await,
                Way::Remote(remote) => remote.write_all(bytes).await,
                Way::Tcp(stream) => stream.write_all(bytes).await,
            }
        };
        match tokio::time::timeout(WRITE_LIMIT, writing).await {
            Ok(done) => done,
            Err(_) => Err(io::Error::new(
                io::ErrorKind::TimedOut,
                format!("sending {} bytes: the line took none for 5 s", bytes.len()),
            )),
        }
    }
}
