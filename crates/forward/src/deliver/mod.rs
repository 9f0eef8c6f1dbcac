//! Delivery to one receiver: one kept connection, or one folder. The thin driver of `exchange`.

mod address;
mod files;
#[cfg(test)]
mod tests;
mod wire;

use std::path::Path;
use std::time::{Duration, Instant};

use tokio::time::timeout_at;

pub use address::{Address, Tls};

use crate::Tick;
use crate::exchange::{Bounds, Event, Exchange};
use crate::verdict::Verdict;
use files::Filed;
use wire::Wire;

/// Looks at an idle connection before its next use.
const IDLE_READS: usize = 16;

/// How long things may take, and how large an answer may be.
#[derive(Clone, Debug)]
pub struct Limits {
    pub connect_timeout: Duration,
    pub ack_timeout: Duration,
    /// Bytes of an answer at most.
    pub answer_cap: usize,
}

impl Limits {
    /// The usual limits with this patience for an acknowledgment.
    #[must_use]
    pub fn with_ack_timeout(ack_timeout: Duration) -> Self {
        Self { connect_timeout: Duration::from_secs(10), ack_timeout, answer_cap: 1 << 20 }
    }
}

/// How one sending ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The receiver answered; `answer` is what it said, for the ledger.
    Settled { verdict: Verdict, answer: Vec<u8> },
    /// Nothing was sent.
    NotConnected { why: String },
    /// Sent, perhaps, and not answered: send the same bytes again.
    Unanswered { why: String },
}

/// Sends messages to one receiver, one at a time. Connects when needed and keeps the connection.
pub struct Courier {
    address: Address,
    limits: Limits,
    open: Option<(Wire, Exchange)>,
    started: Instant,
}

impl Courier {
    #[must_use]
    pub fn new(address: Address, limits: Limits) -> Self {
        Self { address, limits, open: None, started: Instant::now() }
    }

    /// Sends one message and waits for what becomes of it. After anything but an answer the
    /// connection is closed, so that a late answer can never meet another message.
    ///
    /// Receivers may hang up on a connection that idles, many after each answer. When that crosses a
    /// message on its way, with no byte of an answer, the same bytes go once more at once.
    pub async fn send(&mut self, control_id: &str, message: &[u8]) -> Outcome {
        if let Address::Folder(folder) = &self.address {
            return file(folder, control_id, message).await;
        }
        self.drop_if_closed().await;
        let kept = self.open.is_some();
        match self.attempt(control_id, message).await {
            End::HungUp { why } if kept => match self.attempt(control_id, message).await {
                // It was sent before: whether it arrived is unknown.
                End::Other(Outcome::NotConnected { why: then }) => {
                    Outcome::Unanswered { why: format!("{why}; then {then}") }
                }
                end => end.outcome(),
            },
            end => end.outcome(),
        }
    }

    async fn attempt(&mut self, control_id: &str, message: &[u8]) -> End {
        if self.open.is_none() {
            match wire::connect(&self.address, self.limits.connect_timeout).await {
                Ok(wire) => self.open = Some((wire, Exchange::new(self.bounds()))),
                Err(why) => return End::Other(Outcome::NotConnected { why }),
            }
        }
        let end = self.exchange(control_id, message).await;
        if !matches!(end, End::Other(Outcome::Settled { .. })) {
            self.open = None;
        }
        end
    }

    fn bounds(&self) -> Bounds {
        let ack_timeout = Tick::try_from(self.limits.ack_timeout.as_micros()).unwrap_or(Tick::MAX);
        Bounds { window: 1, ack_timeout, answer_cap: self.limits.answer_cap }
    }

    fn now(&self) -> Tick {
        Tick::try_from(self.started.elapsed().as_micros()).unwrap_or(Tick::MAX)
    }

    /// A peer may close an idle connection at any time: noticed here, that is no failure.
    async fn drop_if_closed(&mut self) {
        let now = self.now();
        let Some((wire, exchange)) = &mut self.open else { return };
        // A peer that talks without end keeps nothing waiting.
        for _ in 0..IDLE_READS {
            match wire.read_ready().await {
                None => break,
                Some(Ok(bytes)) if !bytes.is_empty() => exchange.handle_input(now, &bytes),
                Some(_) => {
                    self.open = None;
                    return;
                }
            }
        }
        while exchange.poll_event().is_some() {}
        if !exchange.can_take() {
            self.open = None;
        }
    }

    async fn exchange(&mut self, control_id: &str, message: &[u8]) -> End {
        let (now, started) = (self.now(), self.started);
        let Some((wire, exchange)) = &mut self.open else {
            return End::HungUp { why: "the connection closed".into() };
        };
        exchange.offer(now, control_id, message);
        let mut out = Vec::new();
        let deadline = started + micros(exchange.poll_timeout().unwrap_or(now));
        let now = || Tick::try_from(started.elapsed().as_micros()).unwrap_or(Tick::MAX);
        exchange.poll_transmit(&mut out);
        match timeout_at(deadline.into(), wire.write_all(&out)).await {
            Ok(Ok(())) => {}
            Ok(Err(error)) => return End::HungUp { why: format!("while sending: {error}") },
            Err(_) => {
                let why = "the receiver took no bytes in time".into();
                return End::Other(Outcome::Unanswered { why });
            }
        }
        let mut silent = true;
        loop {
            match timeout_at(deadline.into(), wire.read()).await {
                Ok(Ok(bytes)) if !bytes.is_empty() => {
                    silent = false;
                    exchange.handle_input(now(), &bytes);
                }
                Ok(_) if silent => {
                    return End::HungUp { why: "the connection closed without an answer".into() };
                }
                Ok(_) => exchange.handle_closed(),
                Err(_) => exchange.handle_timeout(now()),
            }
            while let Some(event) = exchange.poll_event() {
                match event {
                    Event::Settled { verdict, answer, .. } => {
                        return End::Other(Outcome::Settled { verdict, answer });
                    }
                    Event::Unanswered { why, .. } => {
                        return End::Other(Outcome::Unanswered { why });
                    }
                    Event::Noise { what } => {
                        tracing::debug!(receiver = %self.address, what, "passed over");
                    }
                }
            }
        }
    }
}

/// How one attempt ended.
enum End {
    /// Closed with no byte of an answer.
    HungUp {
        why: String,
    },
    Other(Outcome),
}

impl End {
    fn outcome(self) -> Outcome {
        match self {
            End::HungUp { why } => Outcome::Unanswered { why },
            End::Other(outcome) => outcome,
        }
    }
}

async fn file(folder: &Path, control_id: &str, message: &[u8]) -> Outcome {
    let settled = |verdict| Outcome::Settled { verdict, answer: Vec::new() };
    match files::write(folder, control_id, message).await {
        Ok(Filed::Written) => settled(Verdict::Accepted),
        Ok(Filed::Taken) => settled(Verdict::RefusedError {
            detail: format!(
                "{}/{control_id}.hl7 is there and says something else; it was not touched",
                folder.display()
            ),
        }),
        Err(error) => Outcome::NotConnected { why: format!("{}: {error}", folder.display()) },
    }
}

fn micros(tick: Tick) -> Duration {
    Duration::from_micros(u64::try_from(tick).unwrap_or(0))
}
