//! The bytes between us and a receiver: TCP, plain or under TLS.
//!
//! Each name is looked up at each connection and its addresses are tried in turn, eight at most. A peer that vanished
//! is noticed by the kernel's own questions, so that a dead connection does not look like a slow receiver for hours.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, Waker, ready};
use std::time::Duration;

use rustix::net::sockopt;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpSocket, TcpStream, lookup_host};
use tokio::time::timeout;
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;
use tokio_rustls::rustls::ClientConfig;

use super::certificate;
use super::tls::in_words;
use super::{Address, Limits};

/// Bytes taken at a time: more than a window of answers, so that one look is enough.
const CHUNK: usize = 16 * 1024;
/// Addresses of one name that are tried at most.
const ADDRESSES: usize = 8;
/// How much longer than an answer may take sent bytes may stay unconfirmed by the peer's host.
const USER_TIMEOUT_MORE: Duration = Duration::from_secs(30);

enum Stream {
    Plain(TcpStream),
    Secured(Box<TlsStream<TcpStream>>),
}

/// An open connection.
pub(super) struct Wire {
    stream: Stream,
    /// What the receiver's certificate must be for.
    host: String,
    /// When the receiver's certificate ends, in Unix seconds.
    pub ends: Option<i64>,
    bytes: Box<[u8]>,
    /// Bytes were written that may not have left yet.
    flushing: bool,
}

impl Wire {
    fn new(stream: Stream, host: &str) -> Self {
        let ends = match &stream {
            Stream::Plain(_) => None,
            Stream::Secured(stream) => {
                let chain = stream.get_ref().1.peer_certificates();
                chain.and_then(<[_]>::first).and_then(|der| certificate::ends(der))
            }
        };
        let bytes = vec![0; CHUNK].into_boxed_slice();
        Self { stream, host: host.to_owned(), ends, bytes, flushing: false }
    }

    /// Waits for bytes; none means closed.
    pub fn poll_read(&mut self, cx: &mut Context<'_>) -> Poll<io::Result<&[u8]>> {
        self.poll_read_most(cx, CHUNK)
    }

    /// The same, and no more than `most` of them.
    pub fn poll_read_most(&mut self, cx: &mut Context<'_>, most: usize) -> Poll<io::Result<&[u8]>> {
        let mut into = ReadBuf::new(&mut self.bytes[..most.min(CHUNK)]);
        let read = match &mut self.stream {
            Stream::Plain(stream) => Pin::new(stream).poll_read(cx, &mut into),
            Stream::Secured(stream) => Pin::new(stream).poll_read(cx, &mut into),
        };
        ready!(read)?;
        let count = into.filled().len();
        Poll::Ready(Ok(self.bytes.get(..count).unwrap_or_default()))
    }

    /// Sends some of the bytes; says how many.
    pub fn poll_write(&mut self, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        self.flushing = true;
        match &mut self.stream {
            Stream::Plain(stream) => Pin::new(stream).poll_write(cx, bytes),
            Stream::Secured(stream) => Pin::new(stream).poll_write(cx, bytes),
        }
    }

    /// Gets out what TLS may have kept back.
    pub fn poll_flush(&mut self, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        if self.flushing
            && let Stream::Secured(stream) = &mut self.stream
        {
            ready!(Pin::new(stream).poll_flush(cx))?;
        }
        self.flushing = false;
        Poll::Ready(Ok(()))
    }

    /// What an error on this connection means.
    pub fn in_words(&self, error: &io::Error) -> String {
        in_words(error, &self.host)
    }
}

impl Drop for Wire {
    /// Under TLS an end is told, so that it cannot be taken for a connection cut off. Only if that can
    /// be done at once, and nothing else would go out with it.
    fn drop(&mut self) {
        if let (Stream::Secured(stream), false) = (&mut self.stream, self.flushing) {
            let _ = Pin::new(stream).poll_shutdown(&mut Context::from_waker(Waker::noop()));
        }
    }
}

/// Where messages go from now on.
pub(super) enum Way {
    Wire(Box<Wire>),
    Folder(PathBuf),
}

/// Opens the first of the addresses that can be, in order. The error names every one and why not.
pub(super) async fn first_open(
    addresses: Vec<Address>,
    limits: Limits,
) -> Result<(Way, String), String> {
    let mut whys = Vec::new();
    for address in &addresses {
        if let Address::Folder(path) = address {
            return Ok((Way::Folder(path.clone()), address.to_string()));
        }
        match connect(address, &limits).await {
            Ok(wire) => return Ok((Way::Wire(Box::new(wire)), address.to_string())),
            Err(why) => whys.push(why),
        }
    }
    if whys.is_empty() { Err("no address to send to".to_owned()) } else { Err(whys.join("; ")) }
}

/// Connects, trying each of the host's addresses in order, each with the same patience. The error
/// names every address and why it failed.
pub(super) async fn connect(address: &Address, limits: &Limits) -> Result<Wire, String> {
    let (host, port) = match address {
        Address::Mllp { host, port } | Address::Mllps { host, port, .. } => (host.as_str(), *port),
        Address::Folder(_) => return Err("a folder is not connected to".to_owned()),
    };
    let config = config(address).await?;
    let patience = limits.connect_timeout;
    let seconds = patience.as_secs_f32();
    let found = match timeout(patience, lookup_host((host, port))).await {
        Ok(found) => found.map_err(|e| format!("{host} is not found: {e}"))?,
        Err(_) => return Err(format!("{host} is not found within {seconds} s")),
    };
    first_of(address, host, found.take(ADDRESSES), limits, config).await
}

/// The addresses of one name, in turn.
async fn first_of(
    address: &Address,
    host: &str,
    found: impl Iterator<Item = SocketAddr>,
    limits: &Limits,
    config: Option<Arc<ClientConfig>>,
) -> Result<Wire, String> {
    let patience = limits.connect_timeout;
    let mut whys = Vec::new();
    for at in found {
        match timeout(patience, open(address, host, at, limits, config.clone())).await {
            Ok(Ok(wire)) => return Ok(wire),
            Ok(Err(error)) => whys.push(format!("{at}: {}", in_words(&error, host))),
            Err(_) => {
                whys.push(format!("{at}: no connection within {} s", patience.as_secs_f32()));
            }
        }
    }
    if whys.is_empty() { Err(format!("{host} has no address")) } else { Err(whys.join("; ")) }
}

/// The files as they are now: renewed on disk is used at the next connection.
async fn config(address: &Address) -> Result<Option<Arc<ClientConfig>>, String> {
    let Address::Mllps { tls, .. } = address else { return Ok(None) };
    let tls = tls.clone();
    let read = tokio::task::spawn_blocking(move || tls.client()).await;
    read.map_err(|e| e.to_string())?.map(|config| Some(Arc::new(config)))
}

/// The error is in words: what was tried, and what that usually means.
async fn open(
    address: &Address,
    host: &str,
    at: SocketAddr,
    limits: &Limits,
    config: Option<Arc<ClientConfig>>,
) -> io::Result<Wire> {
    let socket = if at.is_ipv4() { TcpSocket::new_v4()? } else { TcpSocket::new_v6()? };
    if let Some(source) = limits.source {
        socket.bind(SocketAddr::new(source, 0)).map_err(|e| unbound(source, &e))?;
    }
    let stream = socket.connect(at).await?;
    tune(&stream, limits)?;
    match (address, config) {
        (Address::Mllp { .. }, _) => Ok(Wire::new(Stream::Plain(stream), host)),
        (Address::Mllps { name, .. }, Some(config)) => {
            let stream = TlsConnector::from(config).connect(name.clone(), stream).await?;
            Ok(Wire::new(Stream::Secured(Box::new(stream)), host))
        }
        // Never in clear what is to be secured.
        _ => Err(io::Error::other("no way to secure the connection")),
    }
}

fn unbound(source: IpAddr, error: &io::Error) -> io::Error {
    io::Error::new(error.kind(), format!("not from {source}: {error}"))
}

/// No waiting for more to send; a peer that is gone is noticed within about a minute and a half, or
/// soon after an answer was due.
fn tune(stream: &TcpStream, limits: &Limits) -> io::Result<()> {
    stream.set_nodelay(true)?;
    sockopt::set_socket_keepalive(stream, true)?;
    sockopt::set_tcp_keepidle(stream, Duration::from_secs(60))?;
    sockopt::set_tcp_keepintvl(stream, Duration::from_secs(10))?;
    sockopt::set_tcp_keepcnt(stream, 3)?;
    let unconfirmed = limits.ack_timeout.saturating_add(USER_TIMEOUT_MORE).as_millis();
    sockopt::set_tcp_user_timeout(stream, u32::try_from(unconfirmed).unwrap_or(u32::MAX))?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn each_address_of_a_name_is_tried_in_turn() {
        let bound =
            || async { tokio::net::TcpListener::bind("127.0.0.1:0").await.expect("a port") };
        let (gone, there) = (bound().await, bound().await);
        let at = |l: &tokio::net::TcpListener| l.local_addr().expect("it listens");
        let (away, open) = (at(&gone), at(&there));
        drop(gone);
        let address = Address::Mllp { host: "lis.kestrel.example".into(), port: 2575 };
        let limits = Limits::with_ack_timeout(Duration::from_secs(1));
        let first = |found: Vec<SocketAddr>| {
            first_of(&address, "lis.kestrel.example", found.into_iter(), &limits, None)
        };
        assert!(first(vec![away, open]).await.is_ok());
        let why = first(vec![away, away]).await.err().expect("nobody listens");
        assert_eq!(why.matches(&away.to_string()).count(), 2, "each is named: {why}");
        assert!(first(vec![]).await.err().expect("nothing").contains("has no address"));
    }

    #[tokio::test]
    async fn a_connection_notices_that_its_peer_is_gone() {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.expect("a port");
        let at = listener.local_addr().expect("it listens");
        let stream = TcpStream::connect(at).await.expect("it listens");
        tune(&stream, &Limits::with_ack_timeout(Duration::from_secs(20))).expect("options");
        assert!(stream.nodelay().expect("an option"));
        assert!(sockopt::socket_keepalive(&stream).expect("an option"));
        assert_eq!(sockopt::tcp_keepidle(&stream).expect("an option"), Duration::from_secs(60));
        assert_eq!(sockopt::tcp_keepintvl(&stream).expect("an option"), Duration::from_secs(10));
        assert_eq!(sockopt::tcp_keepcnt(&stream).expect("an option"), 3);
        assert_eq!(sockopt::tcp_user_timeout(&stream).expect("an option"), 50_000);
    }
}
