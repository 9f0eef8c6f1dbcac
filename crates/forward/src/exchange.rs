//! What is in flight on one connection, and what each answer settles. Pure: no socket, no clock.
//!
//! An answer settles the message whose control id it names, nothing else does. Once anything went
//! unanswered the connection must be closed before another byte is sent: a late answer on it could be
//! taken for the next message's.

use std::collections::VecDeque;

use crate::Tick;
use crate::hl7::Ack;
use crate::mllp::{self, frame_into};
use crate::verdict::{Verdict, verdict};

/// Answers with a wrong control id in a row after which the connection is not worth keeping.
const STRANGERS: u32 = 3;

/// The bounds of one connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Bounds {
    /// Messages in flight at most.
    pub window: usize,
    /// How long an answer may take.
    pub ack_timeout: Tick,
    /// Bytes of an answer at most.
    pub answer_cap: usize,
}

/// What happened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Event {
    /// The receiver answered this message.
    Settled { control_id: String, verdict: Verdict, answer: Vec<u8> },
    /// No answer came: close before anything is sent again. Its state at the receiver is unknown.
    Unanswered { control_id: String, why: String },
    /// Something came that settles nothing. The words quote nothing that was received.
    Noise { what: &'static str },
}

#[derive(Debug)]
struct Flight {
    control_id: String,
    deadline: Tick,
}

/// One connection's exchange.
#[derive(Debug)]
pub struct Exchange {
    bounds: Bounds,
    reader: mllp::Reader,
    flights: VecDeque<Flight>,
    /// Ids settled on this connection, so that a doubled answer is known as one.
    settled: VecDeque<String>,
    strangers: u32,
    /// Nothing more may be sent on this connection.
    over: bool,
    out: Vec<u8>,
    events: VecDeque<Event>,
}

impl Exchange {
    /// A fresh connection.
    #[must_use]
    pub fn new(bounds: Bounds) -> Self {
        Self {
            bounds,
            reader: mllp::Reader::new(bounds.answer_cap),
            flights: VecDeque::new(),
            settled: VecDeque::new(),
            strangers: 0,
            over: false,
            out: Vec::new(),
            events: VecDeque::new(),
        }
    }

    /// True when another message may be offered.
    #[must_use]
    pub fn can_take(&self) -> bool {
        !self.over && self.flights.len() < self.bounds.window
    }

    /// True when nothing more may be sent here: close it.
    #[must_use]
    pub fn is_over(&self) -> bool {
        self.over
    }

    /// Sends one message. Only when [`Exchange::can_take`] says so.
    pub fn offer(&mut self, now: Tick, control_id: &str, message: &[u8]) {
        debug_assert!(self.can_take());
        let deadline = now.saturating_add(self.bounds.ack_timeout);
        self.flights.push_back(Flight { control_id: control_id.to_owned(), deadline });
        frame_into(message, &mut self.out);
    }

    /// Takes what the receiver sent.
    pub fn handle_input(&mut self, now: Tick, bytes: &[u8]) {
        self.handle_timeout(now);
        self.reader.handle_input(bytes);
        while let Some(event) = self.reader.poll_event() {
            match event {
                mllp::Event::Block(block) => self.answer(block),
                mllp::Event::Junk(_) => self.noise("bytes outside any block"),
                mllp::Event::TooLong => self.noise("an answer longer than allowed"),
                mllp::Event::TransportAck(_) => self.noise("a transport answer of MLLP release 2"),
            }
        }
    }

    /// Gives up what is past its deadline.
    pub fn handle_timeout(&mut self, now: Tick) {
        if self.flights.iter().any(|f| f.deadline <= now) {
            self.give_up("no answer in time");
        }
    }

    /// The connection is gone: whatever is in flight is unknown.
    pub fn handle_closed(&mut self) {
        self.give_up("the connection closed before the answer came");
    }

    /// Appends what is to be sent. False: there was nothing.
    pub fn poll_transmit(&mut self, out: &mut Vec<u8>) -> bool {
        let any = !self.out.is_empty();
        out.append(&mut self.out);
        any
    }

    /// When [`Exchange::handle_timeout`] is wanted next.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<Tick> {
        self.flights.iter().map(|f| f.deadline).min()
    }

    /// What happened, in order.
    pub fn poll_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }

    fn answer(&mut self, block: Vec<u8>) {
        let Ok(ack) = Ack::read(&block) else {
            return self.noise("a block that is no acknowledgment");
        };
        let Some(place) = self.flights.iter().position(|f| f.control_id == ack.control_id) else {
            if self.settled.contains(&ack.control_id) {
                return self.noise("an answer that came twice");
            }
            self.noise("an answer to a message that is not in flight");
            self.strangers += 1;
            if self.strangers >= STRANGERS {
                self.give_up("answers came for other messages three times");
            }
            return;
        };
        self.strangers = 0;
        let Some(flight) = self.flights.remove(place) else { return };
        self.settled.push_back(flight.control_id.clone());
        if self.settled.len() > 2 * self.bounds.window + 8 {
            self.settled.pop_front();
        }
        let verdict = verdict(&ack);
        self.events.push_back(Event::Settled {
            control_id: flight.control_id,
            verdict,
            answer: block,
        });
    }

    fn noise(&mut self, what: &'static str) {
        self.events.push_back(Event::Noise { what });
    }

    fn give_up(&mut self, why: &str) {
        self.over = true;
        for flight in self.flights.drain(..) {
            let why = why.to_owned();
            self.events.push_back(Event::Unanswered { control_id: flight.control_id, why });
        }
    }
}

#[cfg(test)]
mod tests;
