//! A practice receiver: real MLLP over real TCP, with answers that are scripted.
//!
//! For practice and tests: it accepts connections as a receiver does and answers as it was told to, well or badly. It
//! keeps no state of the laboratory and decides nothing; nothing in production may depend on it.

mod answer;
mod conversation;

use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicUsize;
use std::time::Duration;

use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio::task::{JoinHandle, JoinSet};

pub use answer::Answer;

use crate::mllp::MllpRelease;
use conversation::Conversation;

/// Messages that may wait to be looked at before the receiver stops reading.
const LOOKED_AT: usize = 1024;

/// Connections at a time; more wait.
const CONNECTIONS: usize = 64;

/// One message as it came, and what was answered.
#[derive(Clone, Debug)]
pub struct Received {
    /// MSH-10 as it came; empty where the message has none.
    pub control_id: String,
    /// The message without its block.
    pub body: Vec<u8>,
    /// What was answered, or not.
    pub answer: Answer,
    /// Who sent it.
    pub peer: SocketAddr,
}

/// How a practice receiver behaves.
#[derive(Clone, Debug)]
pub struct Manner {
    /// Each message gets the next of these, round and round.
    pub answers: Vec<Answer>,
    /// How long after its message an answer is given, whatever else is waiting.
    pub delay: Duration,
    /// How much later a late answer is.
    pub late: Duration,
    /// Which release of MLLP it speaks.
    pub release: MllpRelease,
    /// A folder for the messages.
    pub save: Option<PathBuf>,
}

impl Manner {
    /// Answers at once.
    #[must_use]
    pub fn new(answers: Vec<Answer>) -> Self {
        Self {
            answers,
            delay: Duration::ZERO,
            late: Duration::ZERO,
            release: MllpRelease::One,
            save: None,
        }
    }
}

struct Shared {
    manner: Manner,
    /// How many messages came: which answer is next.
    count: AtomicUsize,
    tell: mpsc::Sender<Received>,
}

/// The receiver, listening until it is dropped.
pub struct Receiver {
    address: SocketAddr,
    shared: Arc<Shared>,
    told: mpsc::Receiver<Received>,
    serving: Option<JoinHandle<()>>,
}

impl Receiver {
    /// Listens on `address` and answers each message with the next of `answers`, round and round.
    /// `late` is how late a late answer is; `save` a folder for the messages.
    ///
    /// `address` is `HOST:PORT`; port 0 takes a free one, which [`Receiver::address`] tells.
    pub async fn bind(
        address: &str,
        answers: Vec<Answer>,
        late: Duration,
        save: Option<PathBuf>,
    ) -> io::Result<Receiver> {
        Self::open(address, Manner { late, save, ..Manner::new(answers) }).await
    }

    /// Listens on `address` and behaves like this.
    ///
    /// An error is the system's: the address is taken or not ours.
    pub async fn open(address: &str, manner: Manner) -> io::Result<Receiver> {
        if manner.answers.is_empty() {
            return Err(io::Error::new(io::ErrorKind::InvalidInput, "no answer to give"));
        }
        let listener = TcpListener::bind(address).await?;
        let address = listener.local_addr()?;
        let (tell, told) = mpsc::channel(LOOKED_AT);
        let shared = Arc::new(Shared { manner, count: AtomicUsize::new(0), tell });
        let serving = Some(tokio::spawn(serve(listener, shared.clone())));
        Ok(Receiver { address, shared, told, serving })
    }

    /// Where it listens.
    #[must_use]
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// The next message. Repeats come as they come. May be dropped while waiting.
    ///
    /// None: the receiver is gone.
    pub async fn next(&mut self) -> Option<Received> {
        self.told.recv().await
    }

    /// Goes away: no listening, every connection dropped.
    pub async fn pause(&mut self) {
        if let Some(serving) = self.serving.take() {
            serving.abort();
            let _ = serving.await;
        }
    }

    /// Comes back on the same address.
    pub async fn resume(&mut self) -> io::Result<()> {
        if self.serving.is_none() {
            let listener = TcpListener::bind(self.address).await?;
            self.serving = Some(tokio::spawn(serve(listener, self.shared.clone())));
        }
        Ok(())
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        if let Some(serving) = &self.serving {
            serving.abort();
        }
    }
}

/// Accepts connections; all of them end with this task.
async fn serve(listener: TcpListener, shared: Arc<Shared>) {
    let mut connections = JoinSet::new();
    loop {
        tokio::select! {
            accepted = listener.accept(), if connections.len() < CONNECTIONS => match accepted {
                Ok((stream, peer)) => {
                    connections.spawn(Conversation::new(stream, peer, shared.clone()).hold());
                }
                // Out of descriptors, say: others may end meanwhile.
                Err(_) => tokio::time::sleep(Duration::from_millis(50)).await,
            },
            Some(_) = connections.join_next() => {}
        }
    }
}

#[cfg(test)]
mod tests;
