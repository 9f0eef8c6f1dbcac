//! The side of the link that has something to say: stop and wait, six tries a frame (S1 to S11, timers included).
//!
//! An analyzer's own, for practice lines and tests, and the computer's, which answers an analyzer that asks. They
//! differ in one thing: where both ask for the line at once, the analyzer goes first.
//!
//! - S1: a waiting message makes it ask (ENQ), if no pause forbids.
//! - S2 S7 S8: ACK lets the next frame go; after the last one EOT ends the session and the message is delivered.
//! - S3: NAK to the enquiry means busy: it asks again after 10 s.
//! - S4: ENQ to the enquiry means that both asked: the instrument asks again after 1 s, the computer after 20 s, unless
//!   the instrument has said what it had to say before.
//! - S5 S11: no answer within 15 s ends the session; the message is kept and sent again whole.
//! - S6: anything else is no answer to an enquiry. Where something else came, S5 ends without an EOT (ours): somebody
//!   is speaking who did not hear us, and would take it for the yes to a frame (S9).
//! - S9: EOT to a frame takes it and asks for the line; it goes on and then pauses for 15 s.
//! - S10: anything else makes it send the frame again, six times in all, then it ends and keeps the message.

#[cfg(test)]
mod tests;

use std::collections::VecDeque;

use super::SENT_FRAME_TEXT;
use super::frame::frame;
use super::sign::{ACK, CR, ENQ, EOT, NAK};
use crate::{SECOND, Tick};

/// How long an answer may take (NCCLS LIS1-A 6.2.6, 6.5.1.2).
const ANSWER: Tick = 15 * SECOND;
/// Pause after a "busy" (LIS1-A 6.2.6).
const BUSY: Tick = 10 * SECOND;
/// Pause of the instrument after both sides asked for the line: it has priority (LIS1-A 6.2.7.1).
const CONTENTION: Tick = SECOND;
/// Pause of the computer after that: it waits for the instrument's next enquiry (LIS1-A 6.2.7.1).
const YIELDED: Tick = 20 * SECOND;
/// For how long two enquiries can have crossed on the line: one that comes later was asked by somebody who did not hear
/// ours. Ours.
const CROSSING: Tick = 3 * SECOND;
/// Pause after the receiver asked us to yield the line (LIS1-A 6.5.2).
const YIELD: Tick = 15 * SECOND;
/// Pause before a kept message is tried again. Ours.
const AGAIN: Tick = 10 * SECOND;
const UNANSWERED: &str = "no answer to the enquiry";
/// How often one frame is sent in all (LIS1-A 6.5.1.2).
const TRIES: u8 = 6;

/// What became of the oldest message offered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SenderEvent {
    /// Every frame was acknowledged.
    Delivered,
    /// Not this time: kept, and sent again from its beginning later.
    Kept {
        /// In words, for whoever practises.
        why: &'static str,
    },
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Phase {
    /// Between sessions, perhaps in a pause.
    Idle,
    /// Sent ENQ at this time; `noise`: something came that answers no enquiry.
    Asking { since: Tick, noise: bool },
    /// Sent this frame.
    Sending { frame: usize, tries: u8, deadline: Tick },
}

/// The sending side of one line.
#[derive(Debug)]
pub struct Sender {
    phase: Phase,
    /// Messages not yet delivered, each as its frames.
    waiting: VecDeque<Vec<Vec<u8>>>,
    /// Pause after both sides asked for the line.
    contention: Tick,
    /// No enquiry before this.
    not_before: Tick,
    /// What that waits for is that the other side has its say.
    yields_to_peer: bool,
    /// The receiver asked for the line in this session.
    yields: bool,
    out: Vec<u8>,
    events: VecDeque<SenderEvent>,
}

impl Default for Sender {
    fn default() -> Self {
        Self::new()
    }
}

impl Sender {
    /// An instrument with nothing to say.
    #[must_use]
    pub fn new() -> Self {
        Self::waiting_so_long(CONTENTION)
    }

    /// A computer with nothing to say.
    #[must_use]
    pub(super) fn host() -> Self {
        Self::waiting_so_long(YIELDED)
    }

    fn waiting_so_long(contention: Tick) -> Self {
        Self {
            phase: Phase::Idle,
            waiting: VecDeque::new(),
            contention,
            not_before: Tick::MIN,
            yields_to_peer: false,
            yields: false,
            out: Vec::new(),
            events: VecDeque::new(),
        }
    }

    /// Takes one message, from H to L, each record without its CR. It goes out when
    /// [`Sender::poll_timeout`] is due.
    ///
    /// Records longer than one frame's text go on in further frames; an empty list is a session without
    /// a frame.
    pub fn offer(&mut self, records: &[Vec<u8>]) {
        let mut frames = Vec::new();
        for record in records {
            let mut text = record.clone();
            text.push(CR);
            let mut pieces = text.chunks(SENT_FRAME_TEXT).peekable();
            while let Some(piece) = pieces.next() {
                let number = u8::try_from((frames.len() + 1) % 8).unwrap_or(0);
                frames.push(frame(number, piece, pieces.peek().is_none()));
            }
        }
        self.waiting.push_back(frames);
    }

    /// Messages offered and not yet delivered.
    #[must_use]
    pub fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// Takes what the receiver answered.
    pub fn handle_input(&mut self, now: Tick, bytes: &[u8]) {
        for byte in bytes {
            self.handle_timeout_before(now);
            match (self.phase, *byte) {
                (Phase::Asking { .. }, ACK) => self.send(now, 0, 0),
                (Phase::Asking { .. }, NAK) => self.pause(now + BUSY, Some("the receiver is busy")),
                (Phase::Asking { .. }, ENQ) => {
                    self.pause(now + self.contention, None);
                    self.yields_to_peer = true;
                }
                (Phase::Sending { frame, .. }, ACK) => self.send(now, frame + 1, 0),
                (Phase::Sending { frame, .. }, EOT) => {
                    self.yields = true;
                    self.send(now, frame + 1, 0);
                }
                (Phase::Sending { frame, tries, .. }, _) => {
                    if tries < TRIES {
                        self.send(now, frame, tries);
                    } else {
                        self.give_up(now, "one frame was refused six times");
                    }
                }
                (Phase::Asking { since, .. }, _) => {
                    self.phase = Phase::Asking { since, noise: true }
                }
                (Phase::Idle, _) => {}
            }
        }
    }

    /// Fires what is due: an enquiry, or the end of patience.
    pub fn handle_timeout(&mut self, now: Tick) {
        if self.poll_timeout().is_none_or(|due| due > now) {
            return;
        }
        match self.phase {
            Phase::Idle => {
                self.out.push(ENQ);
                self.phase = Phase::Asking { since: now, noise: false };
            }
            // Where the other side was saying something, an EOT would be its answer: a yes.
            Phase::Asking { noise: true, .. } => self.pause(now + AGAIN, Some(UNANSWERED)),
            Phase::Asking { .. } => self.give_up(now, UNANSWERED),
            Phase::Sending { .. } => self.give_up(now, "no answer to a frame"),
        }
    }

    /// Appends what is to be sent to `out`. False: there was nothing.
    pub fn poll_transmit(&mut self, out: &mut Vec<u8>) -> bool {
        let any = !self.out.is_empty();
        out.append(&mut self.out);
        any
    }

    /// When [`Sender::handle_timeout`] is wanted next; it may be long past, which means now.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<Tick> {
        match self.phase {
            Phase::Idle => (!self.waiting.is_empty()).then_some(self.not_before),
            Phase::Asking { since, .. } => Some(since + ANSWER),
            Phase::Sending { deadline, .. } => Some(deadline),
        }
    }

    /// It has asked for the line, or has it.
    pub(super) fn is_active(&self) -> bool {
        self.phase != Phase::Idle
    }

    /// Whether what comes now is for this side alone: an answer to it, or an enquiry that crossed its own.
    pub(super) fn is_answered(&self, now: Tick) -> bool {
        match self.phase {
            Phase::Idle => false,
            Phase::Asking { since, .. } => now < since + CROSSING,
            Phase::Sending { .. } => true,
        }
    }

    /// The other side has had its say: whoever waited for that need wait no longer.
    pub(super) fn peer_is_done(&mut self) {
        if std::mem::take(&mut self.yields_to_peer) {
            self.not_before = Tick::MIN;
        }
    }

    /// Forgets what waits. A session that is open is ended.
    pub(super) fn forget(&mut self) {
        if self.is_active() {
            self.out.push(EOT);
        }
        self.phase = Phase::Idle;
        self.waiting.clear();
        self.yields = false;
    }

    /// What happened, in order.
    pub fn poll_event(&mut self) -> Option<SenderEvent> {
        self.events.pop_front()
    }

    /// An answer that comes after the deadline is no answer.
    fn handle_timeout_before(&mut self, now: Tick) {
        if !matches!(self.phase, Phase::Idle) {
            self.handle_timeout(now);
        }
    }

    /// Sends a frame of the oldest message, or ends the session when there is none left.
    fn send(&mut self, now: Tick, frame: usize, tries: u8) {
        let bytes = self.waiting.front().and_then(|frames| frames.get(frame));
        if let Some(bytes) = bytes {
            self.out.extend_from_slice(bytes);
            self.phase = Phase::Sending { frame, tries: tries + 1, deadline: now + ANSWER };
            return;
        }
        self.out.push(EOT);
        self.waiting.pop_front();
        self.events.push_back(SenderEvent::Delivered);
        let yields = std::mem::take(&mut self.yields);
        self.pause(if yields { now + YIELD } else { Tick::MIN }, None);
        self.yields_to_peer = yields;
    }

    /// The message stays the oldest and begins again from its first frame.
    fn give_up(&mut self, now: Tick, why: &'static str) {
        self.out.push(EOT);
        self.yields = false;
        self.pause(now + AGAIN, Some(why));
        // Whoever speaks meanwhile is there again.
        self.yields_to_peer = true;
    }

    fn pause(&mut self, until: Tick, kept: Option<&'static str>) {
        self.phase = Phase::Idle;
        (self.not_before, self.yields_to_peer) = (until, false);
        self.events.extend(kept.map(|why| SenderEvent::Kept { why }));
    }
}
