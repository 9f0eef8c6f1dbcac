//! The bytes between us and a receiver: TCP, plain or under TLS.

use std::io;
use std::net::SocketAddr;
use std::time::Duration;

use rustix::net::sockopt;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpStream, lookup_host};
use tokio::time::timeout;
use tokio_rustls::TlsConnector;

use super::Address;

/// Bytes taken at a time.
const CHUNK: usize = 4096;
/// Addresses of one name that are tried at most.
const ADDRESSES: usize = 8;

trait Stream: AsyncRead + AsyncWrite + Send + Unpin {}
impl<T: AsyncRead + AsyncWrite + Send + Unpin> Stream for T {}

/// An open connection.
pub(super) struct Wire(Box<dyn Stream>);

impl Wire {
    /// Waits for bytes; none means closed.
    pub async fn read(&mut self) -> io::Result<Vec<u8>> {
        let mut bytes = Vec::with_capacity(CHUNK);
        self.0.read_buf(&mut bytes).await?;
        Ok(bytes)
    }

    /// What has come already. None: nothing.
    pub async fn read_ready(&mut self) -> Option<io::Result<Vec<u8>>> {
        tokio::select! {
            biased;
            read = self.read() => Some(read),
            () = std::future::ready(()) => None,
        }
    }

    pub async fn write_all(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.0.write_all(bytes).await?;
        self.0.flush().await
    }
}

/// Connects, trying each of the host's addresses in order, each with the same patience. The error
/// names every address and why it failed.
pub(super) async fn connect(address: &Address, patience: Duration) -> Result<Wire, String> {
    let (host, port) = match address {
        Address::Mllp { host, port } | Address::Mllps { host, port, .. } => (host.as_str(), *port),
        Address::Folder(_) => return Err("a folder is not connected to".to_owned()),
    };
    let seconds = patience.as_secs_f32();
    let found = match timeout(patience, lookup_host((host, port))).await {
        Ok(found) => found.map_err(|e| format!("{host} is not found: {e}"))?,
        Err(_) => return Err(format!("{host} is not found within {seconds} s")),
    };
    let mut whys = Vec::new();
    for at in found.take(ADDRESSES) {
        match timeout(patience, open(address, at)).await {
            Ok(Ok(wire)) => return Ok(wire),
            Ok(Err(error)) => whys.push(format!("{at}: {error}")),
            Err(_) => whys.push(format!("{at}: no connection within {seconds} s")),
        }
    }
    if whys.is_empty() { Err(format!("{host} has no address")) } else { Err(whys.join("; ")) }
}

async fn open(address: &Address, at: SocketAddr) -> io::Result<Wire> {
    let stream = TcpStream::connect(at).await?;
    tune(&stream)?;
    let Address::Mllps { name, config, .. } = address else { return Ok(Wire(Box::new(stream))) };
    let secured = TlsConnector::from(config.clone()).connect(name.clone(), stream).await;
    secured
        .map(|stream| Wire(Box::new(stream)))
        .map_err(|e| io::Error::new(e.kind(), format!("TLS: {e}")))
}

/// No waiting for more to send; a peer that is gone is noticed within about a minute and a half.
fn tune(stream: &TcpStream) -> io::Result<()> {
    stream.set_nodelay(true)?;
    sockopt::set_socket_keepalive(stream, true)?;
    sockopt::set_tcp_keepidle(stream, Duration::from_secs(60))?;
    sockopt::set_tcp_keepintvl(stream, Duration::from_secs(10))?;
    sockopt::set_tcp_keepcnt(stream, 3)?;
    Ok(())
}
