//! Delivery to one receiver: one kept connection, or one folder. The thin driver of `exchange`.

mod address;
mod files;
#[cfg(test)]
mod tests;
mod wire;

use std::time::{Duration, Instant};

pub use address::{Address, Tls};

use crate::Tick;
use crate::exchange::{Bounds, Event, Exchange};
use crate::verdict::Verdict;
use wire::Wire;

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
    pub async fn send(&mut self, control_id: &str, message: &[u8]) -> Outcome {
        if let Address::Folder(folder) = &self.address {
            return match files::write(folder, control_id, message).await {
                Ok(()) => Outcome::Settled { verdict: Verdict::Accepted, answer: Vec::new() },
                Err(error) => {
                    Outcome::NotConnected { why: format!("{}: {error}", folder.display()) }
                }
            };
        }
        self.drop_if_closed().await;
        if self.open.is_none() {
            match wire::connect(&self.address, self.limits.connect_timeout).await {
                Ok(wire) => self.open = Some((wire, Exchange::new(self.bounds()))),
                Err(why) => return Outcome::NotConnected { why },
            }
        }
        let outcome = self.exchange(control_id, message).await;
        if !matches!(outcome, Outcome::Settled { .. }) {
            self.open = None;
        }
        outcome
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
        loop {
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

    async fn exchange(&mut self, control_id: &str, message: &[u8]) -> Outcome {
        let gone = || Outcome::NotConnected { why: "the connection closed".into() };
        let now = self.now();
        let started = self.started;
        let Some((wire, exchange)) = &mut self.open else { return gone() };
        exchange.offer(now, control_id, message);
        let mut out = Vec::new();
        let deadline = started + micros(exchange.poll_timeout().unwrap_or(now));
        let now = || Tick::try_from(started.elapsed().as_micros()).unwrap_or(Tick::MAX);
        exchange.poll_transmit(&mut out);
        match tokio::time::timeout_at(deadline.into(), wire.write_all(&out)).await {
            Ok(Ok(())) => {}
            Ok(Err(error)) => {
                return Outcome::Unanswered { why: format!("while sending: {error}") };
            }
            Err(_) => {
                return Outcome::Unanswered { why: "the receiver took no bytes in time".into() };
            }
        }
        loop {
            match tokio::time::timeout_at(deadline.into(), wire.read()).await {
                Ok(Ok(bytes)) if !bytes.is_empty() => exchange.handle_input(now(), &bytes),
                Ok(_) => exchange.handle_closed(),
                Err(_) => exchange.handle_timeout(now()),
            }
            while let Some(event) = exchange.poll_event() {
                match event {
                    Event::Settled { verdict, answer, .. } => {
                        return Outcome::Settled { verdict, answer };
                    }
                    Event::Unanswered { why, .. } => return Outcome::Unanswered { why },
                    Event::Noise { what } => {
                        tracing::debug!(receiver = %self.address, what, "passed over");
                    }
                }
            }
        }
    }
}

fn micros(tick: Tick) -> Duration {
    Duration::from_micros(u64::try_from(tick).unwrap_or(0))
}
