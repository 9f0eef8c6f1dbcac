//! A connection as bytes in and out, for who speaks another protocol than MLLP on it.

use std::io;
use std::pin::Pin;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};

use super::wire::{self, Wire};
use super::{Address, Limits};

/// An open connection, plain or under TLS as its address has it.
pub struct Opened(Wire);

impl Opened {
    /// Connects, with this patience for each address of the name. The error says what was tried and why it failed.
    pub async fn connect(address: &Address, patience: Duration) -> Result<Self, String> {
        let mut limits = Limits::with_ack_timeout(patience);
        limits.connect_timeout = patience;
        wire::connect(address, &limits).await.map(Self)
    }
}

impl AsyncRead for Opened {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let most = into.remaining();
        let read = ready!(self.0.poll_read_most(cx, most))?;
        into.put_slice(read);
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for Opened {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        self.0.poll_write(cx, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        self.0.poll_flush(cx)
    }

    /// Dropped, it is ended as a connection to a receiver is.
    fn poll_shutdown(self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        self.poll_flush(cx)
    }
}
