//! What is in flight on one connection, and what each answer settles. Pure: no socket, no clock.
//!
//! An answer settles the message whose control id it names, nothing else does, and only once that
//! message was sent whole. Once anything went unanswered the connection must be closed before another
//! byte is sent: a late answer on it could be taken for the next message's.
//!
//! The driver sends [`Exchange::unsent`], says how much went out, feeds what came, and asks for events until there are
//! none. Time comes with each call, so that every order of sends, answers and deadlines can be played in a test.
//!
//! What the rules rest on: MSA-2 names the message (HL7 v2.5.1 2.9.2); release 2 of MLLP answers each block before
//! anything else; that a receiver may answer late, twice, out of turn or to somebody else is common experience.

use std::collections::VecDeque;
use std::sync::Arc;

use crate::Tick;
use crate::hl7::{Ack, AckCode};
use crate::mllp::{self, MllpRelease, frame_into, transport_answer};
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
    /// A commit (CA) is not the end: the application's answer is waited for.
    pub application: bool,
    /// Which release of MLLP the receiver speaks.
    pub release: MllpRelease,
}

/// What happened. `key` is what the message was offered with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Event {
    /// The receiver answered this message.
    Settled {
        /// Which message.
        key: i64,
        /// What becomes of it.
        verdict: Verdict,
        /// The block as it came.
        answer: Vec<u8>,
    },
    /// No answer came: close before anything is sent again. If any of it was sent (`begun`), its
    /// state at the receiver is unknown.
    Unanswered {
        /// Which message.
        key: i64,
        /// A byte of it was sent: the receiver may have it.
        begun: bool,
        /// What did not come.
        why: String,
    },
    /// Something came that settles nothing. The words quote nothing that was received.
    Noise {
        /// In words, for the log.
        what: &'static str,
    },
}

#[derive(Debug)]
struct Flight {
    key: i64,
    control_id: Arc<str>,
    deadline: Tick,
    /// Its place among all bytes of the connection.
    begin: u64,
    end: u64,
    /// Release 2: the receiver's transport has it.
    stored: bool,
    /// The commit that was answered, while the application's answer is waited for.
    commit: Option<Vec<u8>>,
}

/// One connection's exchange.
#[derive(Debug)]
pub struct Exchange {
    bounds: Bounds,
    reader: mllp::Reader,
    flights: VecDeque<Flight>,
    /// Ids settled on this connection, so that a doubled answer is known as one.
    settled: VecDeque<Arc<str>>,
    strangers: u32,
    /// Something was answered on this connection.
    answered: bool,
    /// Bytes came after the last answer that meant something.
    loose: bool,
    /// How many bytes came since that answer.
    idle_talk: usize,
    /// Nothing more may be sent on this connection.
    over: bool,
    out: Vec<u8>,
    /// How many bytes of `out` are sent, and of the connection.
    taken: usize,
    sent: u64,
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
            answered: false,
            loose: false,
            idle_talk: 0,
            over: false,
            out: Vec::new(),
            taken: 0,
            sent: 0,
            events: VecDeque::new(),
        }
    }

    /// True when another message may be offered.
    ///
    /// False for ever once the connection [`is over`](Exchange::is_over).
    #[must_use]
    pub fn can_take(&self) -> bool {
        !self.over && self.flights.len() < self.bounds.window
    }

    /// True when nothing more may be sent here: close it.
    ///
    /// It becomes so when anything went unanswered, or when answers to others came three times in a
    /// row.
    #[must_use]
    pub fn is_over(&self) -> bool {
        self.over
    }

    /// True when no message waits for an answer.
    #[must_use]
    pub fn is_idle(&self) -> bool {
        self.flights.is_empty()
    }

    /// True when a receiver that hangs up now has answered before and said nothing since: many hang
    /// up on an idle connection, or after each answer, and that may cross a message on its way.
    #[must_use]
    pub fn is_kept_and_silent(&self) -> bool {
        self.answered && !self.loose && !self.over && self.reader.is_between()
    }

    /// Sends one message. Only when [`Exchange::can_take`] says so.
    ///
    /// Its patience begins now, and not when its last byte has left.
    pub fn offer(&mut self, now: Tick, key: i64, control_id: &Arc<str>, message: &[u8]) {
        debug_assert!(self.can_take());
        let begin = self.queued();
        frame_into(message, &mut self.out);
        self.flights.push_back(Flight {
            key,
            control_id: control_id.clone(),
            deadline: now.saturating_add(self.bounds.ack_timeout),
            begin,
            end: self.queued(),
            stored: false,
            commit: None,
        });
    }

    /// What is to be sent, in this order.
    #[must_use]
    pub fn unsent(&self) -> &[u8] {
        self.out.get(self.taken..).unwrap_or_default()
    }

    /// So many bytes of it are sent.
    ///
    /// More than [`Exchange::unsent`] has counts as all of it.
    pub fn handle_sent(&mut self, bytes: usize) {
        let bytes = bytes.min(self.unsent().len());
        self.taken += bytes;
        self.sent += bytes as u64;
        if self.taken == self.out.len() {
            self.out.clear();
            self.taken = 0;
        }
    }

    /// Takes what the receiver sent.
    ///
    /// A block that is no acknowledgment, names nobody or comes too early settles nothing.
    pub fn handle_input(&mut self, now: Tick, bytes: &[u8]) {
        self.idle_talk = self.idle_talk.saturating_add(bytes.len());
        self.reader.handle_input(bytes);
        while let Some(event) = self.reader.poll_event() {
            match event {
                mllp::Event::Block(block) => self.answer(block),
                mllp::Event::Junk(_) => self.noise("bytes outside any block"),
                mllp::Event::TooLong => self.noise("an answer longer than allowed"),
                mllp::Event::TransportAck(stored) => self.transport(stored),
            }
        }
        self.loose |= self.reader.junk() > 0;
        if self.idle_talk > self.bounds.answer_cap.saturating_mul(2) && !self.over {
            self.give_up(Some("more came than an answer may be long, and none of it was one"));
        }
        self.handle_timeout(now);
    }

    /// Gives up what is past its deadline. What was committed counts as accepted: the receiver said
    /// that it has it.
    pub fn handle_timeout(&mut self, now: Tick) {
        while let Some(flight) = self.flights.front().filter(|f| f.deadline <= now) {
            if flight.commit.is_none() {
                return self.give_up(None);
            }
            if let Some(flight) = self.flights.pop_front() {
                self.committed(flight);
            }
        }
    }

    /// The connection is gone: whatever is in flight is unknown.
    ///
    /// What was committed counts as accepted all the same.
    pub fn handle_closed(&mut self, why: &str) {
        self.give_up(Some(why));
    }

    /// When [`Exchange::handle_timeout`] is wanted next.
    ///
    /// None: nothing is in flight.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<Tick> {
        // All have the same patience: the first sent is the first whose time is up.
        self.flights.front().map(|f| f.deadline)
    }

    /// True when [`Exchange::poll_event`] has something to tell.
    #[must_use]
    pub fn has_event(&self) -> bool {
        !self.events.is_empty()
    }

    /// What happened, in order.
    pub fn poll_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }

    /// Bytes of this connection up to now, sent or not.
    fn queued(&self) -> u64 {
        self.sent + self.unsent().len() as u64
    }

    fn answer(&mut self, block: Vec<u8>) {
        let Ok(ack) = Ack::read(&block) else {
            return self.noise("a block that is no acknowledgment");
        };
        if self.bounds.release == MllpRelease::Two && !self.over {
            self.out.extend_from_slice(&transport_answer(true));
        }
        let Some(place) = self.flights.iter().position(|f| *f.control_id == *ack.control_id) else {
            return self.stranger(&ack);
        };
        let Some(flight) = self.flights.get_mut(place) else { return };
        if flight.end > self.sent {
            return self.noise("an answer before its message was sent whole");
        }
        if self.bounds.application && ack.code == AckCode::Ca {
            if flight.commit.is_some() {
                return self.noise("an answer that came twice");
            }
            flight.commit = Some(block);
            return self.heard();
        }
        let Some(flight) = self.flights.remove(place) else { return };
        self.settle(flight, verdict(&ack), block);
    }

    /// The receiver speaks of what we sent.
    fn heard(&mut self) {
        (self.strangers, self.answered, self.loose, self.idle_talk) = (0, true, false, 0);
    }

    fn settle(&mut self, flight: Flight, verdict: Verdict, answer: Vec<u8>) {
        self.heard();
        self.settled.push_back(flight.control_id);
        if self.settled.len() > 2 * self.bounds.window + 8 {
            self.settled.pop_front();
        }
        self.events.push_back(Event::Settled { key: flight.key, verdict, answer });
    }

    fn committed(&mut self, mut flight: Flight) {
        let answer = flight.commit.take().unwrap_or_default();
        self.settle(flight, Verdict::Accepted, answer);
    }

    /// A doubled answer is no stranger: many receivers send one after a pause.
    fn stranger(&mut self, ack: &Ack) {
        if self.settled.iter().any(|id| **id == *ack.control_id) {
            return self.noise("an answer that came twice");
        }
        self.noise("an answer to a message that is not in flight");
        self.strangers += 1;
        if self.strangers >= STRANGERS {
            self.give_up(Some("answers came for other messages three times"));
        }
    }

    /// Release 2: the receiver's transport answers the oldest block that it has not answered.
    fn transport(&mut self, stored: bool) {
        if self.bounds.release == MllpRelease::One {
            return self.noise("a transport answer of MLLP release 2");
        }
        let sent = self.sent;
        let Some(flight) = self.flights.iter_mut().find(|f| !f.stored && f.end <= sent) else {
            return self.noise("a transport answer to no block of ours");
        };
        self.loose = true;
        if stored {
            flight.stored = true;
        } else {
            self.give_up(Some("the receiver's transport did not store it (MLLP release 2)"));
        }
    }

    fn noise(&mut self, what: &'static str) {
        self.loose = true;
        self.events.push_back(Event::Noise { what });
    }

    /// Without a `why` the time is up.
    ///
    /// Those that were committed are accepted: the receiver said that it has them.
    fn give_up(&mut self, why: Option<&str>) {
        self.over = true;
        for flight in std::mem::take(&mut self.flights) {
            if flight.commit.is_some() {
                self.committed(flight);
                continue;
            }
            let why = why.unwrap_or_else(|| self.missing(&flight)).to_owned();
            let begun = flight.begin < self.sent;
            self.events.push_back(Event::Unanswered { key: flight.key, begun, why });
        }
        self.out = Vec::new();
        self.taken = 0;
    }

    /// What did not come in time.
    fn missing(&self, flight: &Flight) -> &'static str {
        if flight.end > self.sent {
            "the receiver took no bytes in time"
        } else if self.bounds.release == MllpRelease::Two && !flight.stored {
            "no answer in time, not even from the transport (MLLP release 2)"
        } else {
            "no answer in time"
        }
    }
}

#[cfg(test)]
mod simulation;
#[cfg(test)]
mod tests;
