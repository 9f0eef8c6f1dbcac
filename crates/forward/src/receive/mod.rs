//! A practice receiver: real MLLP over real TCP, with answers that are scripted.

mod answer;

use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;
use tokio::task::{JoinHandle, JoinSet};

pub use answer::Answer;

use crate::hl7::{Message, is_control_id};
use crate::mllp;

/// Messages that may wait to be looked at before the receiver stops reading.
const LOOKED_AT: usize = 1024;

/// Connections at a time; more wait.
const CONNECTIONS: usize = 64;

/// One message as it came, and what was answered.
#[derive(Clone, Debug)]
pub struct Received {
    pub control_id: String,
    pub body: Vec<u8>,
    pub answer: Answer,
}

struct Shared {
    answers: Vec<Answer>,
    /// How many messages came: which answer is next.
    count: AtomicUsize,
    late: Duration,
    save: Option<PathBuf>,
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
    pub async fn bind(
        address: &str,
        answers: Vec<Answer>,
        late: Duration,
        save: Option<PathBuf>,
    ) -> io::Result<Receiver> {
        if answers.is_empty() {
            return Err(io::Error::new(io::ErrorKind::InvalidInput, "no answer to give"));
        }
        let listener = TcpListener::bind(address).await?;
        let address = listener.local_addr()?;
        let (tell, told) = mpsc::channel(LOOKED_AT);
        let shared = Arc::new(Shared { answers, count: AtomicUsize::new(0), late, save, tell });
        let serving = Some(tokio::spawn(serve(listener, shared.clone())));
        Ok(Receiver { address, shared, told, serving })
    }

    /// Where it listens.
    #[must_use]
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// The next message. Repeats come as they come. May be dropped while waiting.
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
                Ok((stream, _)) => {
                    connections.spawn(converse(stream, shared.clone()));
                }
                // Out of descriptors, say: others may end meanwhile.
                Err(_) => tokio::time::sleep(Duration::from_millis(50)).await,
            },
            Some(_) = connections.join_next() => {}
        }
    }
}

/// One connection. An error or a scripted end closes it.
async fn converse(mut stream: TcpStream, shared: Arc<Shared>) {
    let _ = stream.set_nodelay(true);
    let mut reader = mllp::Reader::default();
    let mut bytes = Vec::with_capacity(8192);
    loop {
        bytes.clear();
        match stream.read_buf(&mut bytes).await {
            Ok(count) if count > 0 => reader.handle_input(&bytes),
            _ => return,
        }
        while let Some(event) = reader.poll_event() {
            let mllp::Event::Block(body) = event else { continue };
            if take(&mut stream, &shared, body).await.is_err() {
                return;
            }
        }
    }
}

/// Takes one message and answers it. What is no message gets no answer. An error ends the connection.
async fn take(stream: &mut TcpStream, shared: &Shared, body: Vec<u8>) -> io::Result<()> {
    let Ok(message) = Message::read(&body) else { return Ok(()) };
    let nth = shared.count.fetch_add(1, Ordering::Relaxed);
    let answer = shared.answers[nth % shared.answers.len()];
    let control_id = message.component("MSH", 1, 10, 1);
    if let Some(folder) = &shared.save {
        let name = if is_control_id(&control_id) { &control_id } else { &format!("unnamed-{nth}") };
        tokio::fs::write(folder.join(format!("{name}.hl7")), &body).await?;
    }
    let block = mllp::frame(answer.text(&message, nth).as_bytes());
    let _ = shared.tell.send(Received { control_id, body, answer }).await;
    give(stream, answer, block, shared.late).await
}

async fn give(
    stream: &mut TcpStream,
    answer: Answer,
    block: Vec<u8>,
    late: Duration,
) -> io::Result<()> {
    let ended = || Err(io::Error::from(io::ErrorKind::ConnectionAborted));
    match answer {
        Answer::None => Ok(()),
        Answer::Late => {
            tokio::time::sleep(late).await;
            stream.write_all(&block).await
        }
        Answer::Junk => stream.write_all(b"NOT HL7 AT ALL\r\n").await,
        Answer::Split => {
            for byte in block {
                stream.write_all(&[byte]).await?;
                tokio::task::yield_now().await;
            }
            Ok(())
        }
        Answer::Double => stream.write_all(&block.repeat(2)).await,
        Answer::Close => ended(),
        Answer::Reset => {
            // No lingering: the peer sees a reset, not an end.
            rustix::net::sockopt::set_socket_linger(&*stream, Some(Duration::ZERO))?;
            ended()
        }
        _ => stream.write_all(&block).await,
    }
}

#[cfg(test)]
mod tests;
