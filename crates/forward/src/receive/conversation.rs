//! One connection to the practice receiver: what comes, and when what is answered.
//!
//! Answers keep their own times: one that is late does not hold up those behind it, as with a receiver that works on
//! several messages at once.

use std::collections::VecDeque;
use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::{Instant, sleep_until};

use super::{Answer, Received, Shared};
use crate::hl7::{Message, is_control_id};
use crate::mllp::{self, MllpRelease, transport_answer};

/// An answer that waits for its time.
struct Due {
    at: Instant,
    answer: Answer,
    blocks: Vec<u8>,
}

/// One connection.
pub(super) struct Conversation {
    stream: TcpStream,
    peer: SocketAddr,
    shared: Arc<Shared>,
    reader: mllp::Reader,
    /// By their time.
    due: VecDeque<Due>,
}

impl Conversation {
    pub fn new(stream: TcpStream, peer: SocketAddr, shared: Arc<Shared>) -> Self {
        let reader = mllp::Reader::default();
        Self { stream, peer, shared, reader, due: VecDeque::new() }
    }

    /// Until the peer ends it, with every answer given, or an error or a scripted end does.
    pub async fn hold(mut self) {
        let _ = self.stream.set_nodelay(true);
        let mut bytes = Vec::with_capacity(8192);
        let mut ended = false;
        while !ended || !self.due.is_empty() {
            bytes.clear();
            let next = self.due.front().map(|due| due.at);
            let read = tokio::select! {
                read = self.stream.read_buf(&mut bytes), if !ended => read.map(Some),
                () = sleep_until(next.unwrap_or_else(Instant::now)), if next.is_some() => Ok(None),
            };
            let went = match read {
                Ok(Some(0)) => {
                    ended = true;
                    Ok(())
                }
                Ok(Some(_)) => self.hear(&bytes).await,
                Ok(None) => Ok(()),
                Err(_) => return,
            };
            if went.is_err() || self.give().await.is_err() {
                return;
            }
        }
    }

    async fn hear(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.reader.handle_input(bytes);
        while let Some(event) = self.reader.poll_event() {
            if let mllp::Event::Block(body) = event {
                self.take(body).await?;
            }
        }
        Ok(())
    }

    /// Takes one message. What is no message gets no answer but the transport's.
    async fn take(&mut self, body: Vec<u8>) -> io::Result<()> {
        let at = Instant::now();
        let message = Message::read(&body).ok();
        let Some(message) = message else { return self.store(true).await };
        let shared = self.shared.clone();
        let manner = &shared.manner;
        let nth = shared.count.fetch_add(1, Ordering::Relaxed);
        let answer = manner.answers[nth % manner.answers.len()];
        let control_id = message.component("MSH", 1, 10, 1);
        if let Some(folder) = &manner.save {
            let unnamed = format!("unnamed-{nth}");
            let name = if is_control_id(&control_id) { &control_id } else { &unnamed };
            tokio::fs::write(folder.join(format!("{name}.hl7")), &body).await?;
        }
        let texts = answer.texts(&message, nth);
        let blocks = texts.iter().flat_map(|text| mllp::frame(text.as_bytes())).collect();
        let peer = self.peer;
        let _ = shared.tell.send(Received { control_id, body, answer, peer }).await;
        self.store(answer != Answer::Nak).await?;
        let late = if answer == Answer::Late { manner.late } else { Duration::ZERO };
        let due = Due { at: at + manner.delay + late, answer, blocks };
        let place = self.due.partition_point(|other| other.at <= due.at);
        self.due.insert(place, due);
        Ok(())
    }

    /// Release 2: the transport answers first.
    async fn store(&mut self, stored: bool) -> io::Result<()> {
        match self.shared.manner.release {
            MllpRelease::One => Ok(()),
            MllpRelease::Two => self.stream.write_all(&transport_answer(stored)).await,
        }
    }

    /// Gives every answer whose time has come, as many as possible at once.
    async fn give(&mut self) -> io::Result<()> {
        let now = Instant::now();
        let mut out = Vec::new();
        while let Some(due) = self.due.pop_front_if(|due| due.at <= now) {
            match due.answer {
                Answer::None | Answer::Nak => {}
                Answer::Junk => out.extend_from_slice(b"NOT HL7 AT ALL\r\n"),
                Answer::Double => out.extend(due.blocks.repeat(2)),
                Answer::Split | Answer::Reset | Answer::Close => {
                    self.stream.write_all(&out).await?;
                    out.clear();
                    self.part(&due).await?;
                }
                _ => out.extend(due.blocks),
            }
        }
        self.stream.write_all(&out).await
    }

    /// Byte by byte, or nothing ever more.
    async fn part(&mut self, due: &Due) -> io::Result<()> {
        match due.answer {
            Answer::Split => {
                for byte in &due.blocks {
                    self.stream.write_all(&[*byte]).await?;
                    tokio::task::yield_now().await;
                }
                return Ok(());
            }
            // No lingering: the peer sees a reset, not an end.
            Answer::Reset => {
                rustix::net::sockopt::set_socket_linger(&self.stream, Some(Duration::ZERO))?;
            }
            _ => {}
        }
        Err(io::Error::from(io::ErrorKind::ConnectionAborted))
    }
}
