//! The bytes between us and a receiver: TCP, plain or under TLS.

use std::io;
use std::time::Duration;

use rustix::net::sockopt;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpStream, lookup_host};
use tokio_rustls::TlsConnector;

use super::Address;

/// Bytes taken at a time.
const CHUNK: usize = 4096;

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

/// Connects, trying each of the host's addresses in order.
pub(super) async fn connect(address: &Address, patience: Duration) -> Result<Wire, String> {
    let connecting = async {
        match address {
            Address::Mllp { host, port } => Ok(Wire(Box::new(tcp(host, *port).await?))),
            Address::Mllps { host, port, name, config } => {
                let stream = tcp(host, *port).await?;
                let connector = TlsConnector::from(config.clone());
                let stream = connector.connect(name.clone(), stream).await;
                Ok(Wire(Box::new(stream.map_err(|e| format!("TLS: {e}"))?)))
            }
            Address::Folder(_) => Err("a folder is not connected to".to_owned()),
        }
    };
    match tokio::time::timeout(patience, connecting).await {
        Ok(done) => done,
        Err(_) => Err(format!("no connection within {} s", patience.as_secs())),
    }
}

async fn tcp(host: &str, port: u16) -> Result<TcpStream, String> {
    let found = lookup_host((host, port)).await.map_err(|e| format!("{host}: {e}"))?;
    let mut last = format!("{host}: no address");
    for address in found {
        match TcpStream::connect(address).await {
            Ok(stream) => {
                tune(&stream).map_err(|e| format!("{address}: {e}"))?;
                return Ok(stream);
            }
            Err(error) => last = format!("{address}: {error}"),
        }
    }
    Err(last)
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
