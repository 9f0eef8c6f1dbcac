//! TCP lines: serial device servers that we connect to, and analyzers that connect to us.

use std::convert::Infallible;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use rustix::net::sockopt;
use tokio::net::{TcpListener, TcpStream};
use tracing::warn;

use super::{LineKind, LineSpec, Port};

const CONNECT_LIMIT: Duration = Duration::from_secs(10);
/// A dead peer looks like silence: after so much of it the kernel asks, so often, three times.
const KEEP_ALIVE_AFTER: Duration = Duration::from_secs(30);
const KEEP_ALIVE_EVERY: Duration = Duration::from_secs(10);

pub(super) async fn connect(addr: &str) -> io::Result<TcpStream> {
    let about = |error: io::Error| {
        let hint = "is the device server on, and is the port right?";
        io::Error::new(error.kind(), format!("connecting to {addr}: {error}; {hint}"))
    };
    let stream = tokio::time::timeout(CONNECT_LIMIT, TcpStream::connect(addr))
        .await
        .unwrap_or_else(|_| Err(io::Error::new(io::ErrorKind::TimedOut, "no answer within 10 s")))
        .map_err(about)?;
    keep_alive(&stream).map_err(about)?;
    Ok(stream)
}

fn keep_alive(stream: &TcpStream) -> io::Result<()> {
    stream.set_nodelay(true)?;
    sockopt::set_socket_keepalive(stream, true)?;
    sockopt::set_tcp_keepidle(stream, KEEP_ALIVE_AFTER)?;
    sockopt::set_tcp_keepintvl(stream, KEEP_ALIVE_EVERY)?;
    sockopt::set_tcp_keepcnt(stream, 3)?;
    Ok(())
}

/// Waits for an analyzer to connect, one at a time.
///
/// Bound once for a line; each analyzer that comes in is a [`Port`] of its own.
pub struct Listener {
    door: Door,
}

/// Where analyzers knock. A port that came through it keeps it watched, so that a second caller is
/// turned away at once instead of waiting in the kernel's queue.
#[derive(Clone)]
pub(super) struct Door {
    socket: Arc<TcpListener>,
    allow: Vec<IpAddr>,
    /// A refusal was told since the last analyzer came in: strangers must not fill the log.
    told: bool,
}

impl Listener {
    /// Binds the address of a line on which the analyzer connects to us.
    ///
    /// The error names the address; one that is not of this machine, or taken, is refused by the
    /// system.
    pub async fn bind(spec: &LineSpec) -> io::Result<Listener> {
        let LineKind::Listen { addr, allow } = &spec.kind else {
            let text = format!("{spec} is not a line on which the analyzer connects to us");
            return Err(io::Error::new(io::ErrorKind::InvalidInput, text));
        };
        let socket = TcpListener::bind(addr).await.map_err(|error| {
            io::Error::new(error.kind(), format!("waiting for an analyzer at {addr}: {error}"))
        })?;
        let door = Door { socket: Arc::new(socket), allow: allow.clone(), told: false };
        Ok(Listener { door })
    }

    /// The address that was bound.
    pub fn local_addr(&self) -> io::Result<SocketAddr> {
        self.door.socket.local_addr()
    }

    /// Waits until an analyzer that may connect has done so. May be dropped while waiting.
    ///
    /// A caller who is not allowed is turned away and told in the log once until somebody may come in.
    pub async fn accept(&mut self) -> io::Result<Port> {
        loop {
            let (stream, peer) = self.door.socket.accept().await?;
            if !self.door.admits(peer.ip()) {
                self.door.refuse(peer, "it is not in `allow`");
                continue;
            }
            if keep_alive(&stream).is_err() {
                // It hung up again before it could be heard.
                continue;
            }
            self.door.told = false;
            return Ok(Port::accepted(stream, self.door.clone()));
        }
    }
}

impl Door {
    fn admits(&self, peer: IpAddr) -> bool {
        let peer = peer.to_canonical();
        if self.allow.is_empty() { peer.is_loopback() } else { self.allow.contains(&peer) }
    }

    fn refuse(&mut self, peer: SocketAddr, why: &str) {
        if !std::mem::replace(&mut self.told, true) {
            warn!(%peer, why, "connection refused on an analyzer's line");
        }
    }
}

/// Refuses whoever connects while another analyzer is heard. Never returns.
pub(super) async fn turn_away(door: Option<&mut Door>) -> Infallible {
    let Some(door) = door else { return std::future::pending().await };
    loop {
        match door.socket.accept().await {
            Ok((_, peer)) => door.refuse(peer, "another analyzer is being heard"),
            // Out of descriptors, most likely: nothing to refuse, and no reason to spin.
            Err(_) => tokio::time::sleep(Duration::from_secs(1)).await,
        }
    }
}
