//! The simulated analyzer's end of a line: a pseudo-terminal, a TCP connection or a real port.

use std::io;
use std::os::fd::OwnedFd;

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use tokio::io::unix::AsyncFd;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use wickline_listen::line::{LineSpec, Port};

/// How often a pseudo-terminal is looked at whose far end was gone once.
const IDLE: std::time::Duration = std::time::Duration::from_millis(1);

/// Where the simulated analyzer is heard.
pub enum SimPort {
    Pty { master: AsyncFd<OwnedFd>, path: String },
    Tcp(TcpStream),
    Serial(Port),
}

impl SimPort {
    /// A new pseudo-terminal. Its path is where the daemon listens.
    pub fn pty() -> io::Result<Self> {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&master)?;
        unlockpt(&master)?;
        let path = ptsname(&master, Vec::new())?.to_string_lossy().into_owned();
        // Raw from the start: nothing must be echoed before the daemon has opened it.
        let mut attributes = tcgetattr(&master)?;
        attributes.make_raw();
        tcsetattr(&master, OptionalActions::Now, &attributes)?;
        rustix::io::ioctl_fionbio(&master, true)?;
        #[expect(
            deprecated,
            reason = "its successor is unsafe; the descriptor is owned by what it returns"
        )]
        let master = AsyncFd::new(master)?;
        Ok(SimPort::Pty { master, path })
    }

    /// Connects to a line that listens.
    pub async fn connect(address: &str) -> io::Result<Self> {
        let stream = TcpStream::connect(address).await?;
        stream.set_nodelay(true)?;
        Ok(SimPort::Tcp(stream))
    }

    /// A real serial port.
    pub async fn serial(spec: &LineSpec) -> io::Result<Self> {
        Port::open(spec).await.map(SimPort::Serial)
    }

    /// Reads what the daemon says. Empty: nobody is there for now.
    pub async fn read(&mut self, out: &mut Vec<u8>) -> io::Result<()> {
        match self {
            SimPort::Pty { master, .. } => loop {
                let mut guard = master.readable().await?;
                let mut buffer = [0_u8; 1024];
                match guard.try_io(|fd| Ok(rustix::io::read(fd.get_ref(), &mut buffer)?)) {
                    Ok(Ok(count)) => {
                        out.extend_from_slice(&buffer[..count]);
                        return Ok(());
                    }
                    // No one has the other end open; they may come.
                    Ok(Err(error)) if error.raw_os_error() == Some(5) => {
                        return Err(io::ErrorKind::NotConnected.into());
                    }
                    Ok(Err(error)) => return Err(error),
                    // Once the far end was gone, readiness stays on for good: do not spin.
                    Err(_would_block) => tokio::time::sleep(IDLE).await,
                }
            },
            SimPort::Tcp(stream) => {
                if stream.read_buf(out).await? == 0 {
                    return Err(io::ErrorKind::UnexpectedEof.into());
                }
                Ok(())
            }
            SimPort::Serial(port) => {
                let mut flaws = Vec::new();
                match port.read(out, &mut flaws).await? {
                    wickline_listen::line::Got::Closed => Err(io::ErrorKind::UnexpectedEof.into()),
                    _ => Ok(()),
                }
            }
        }
    }

    /// Writes all of it.
    pub async fn write_all(&mut self, mut bytes: &[u8]) -> io::Result<()> {
        match self {
            SimPort::Pty { master, .. } => {
                while !bytes.is_empty() {
                    let mut guard = master.writable().await?;
                    match guard.try_io(|fd| Ok(rustix::io::write(fd.get_ref(), bytes)?)) {
                        Ok(written) => bytes = &bytes[written?..],
                        Err(_would_block) => {}
                    }
                }
                Ok(())
            }
            SimPort::Tcp(stream) => stream.write_all(bytes).await,
            SimPort::Serial(port) => port.write_all(bytes).await,
        }
    }
}
