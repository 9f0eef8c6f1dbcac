//! Both sides of the link on one line: it hears whatever is said, and speaks only where nobody else does.
//!
//! What is heard never depends on what we say: the receiver gets every byte, also those that answer us, and what it
//! would say meanwhile is withheld. So a later run over the tape, which knows nothing of our own frames, finds the same
//! records. Turns are taken as NCCLS LIS1-A 6.2 has it: nobody asks for the line inside the other's session; where both
//! ask at once the instrument goes first, and its next enquiry is the one that is answered.
//!
//! An EOT that is none, as a letter D with one bit turned, ends a session for us and not for the analyzer. It would
//! take our enquiry for a no to its frame and our EOT for a yes: a lost result. So nobody is asked who may still be
//! speaking (ours): a quarter of a second after an EOT; twenty seconds after one inside a frame, and after anything
//! else that was said outside of a session, for by then whoever waits for a reply has given up (LIS1-A 6.5.1.2).
//!
//! An answer is worth something for a short time only. It is said once; where it cannot be, it is tried three times at
//! most and not after its time, and what became of it is told ([`Said`]).

use std::collections::VecDeque;

use super::sign::{CR, EOT, LF};
use super::{Closing, Event, Loss, Receiver, Sender, SenderEvent};
use crate::{SECOND, Tick};

#[cfg(test)]
mod tests;

/// How often an answer is tried. Ours.
const TRIES: u8 = 3;

/// After an EOT.
const QUIET: Tick = SECOND / 4;
/// After what may be the middle of something: longer than anybody waits for a reply.
const DOUBTFUL: Tick = 20 * SECOND;

/// What became of an answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Said {
    /// Every frame of it was acknowledged.
    Delivered,
    /// It was not said, and will not be: why, as the end of a sentence.
    Dropped(&'static str),
}

/// One answer, until it is said or dropped.
#[derive(Debug)]
struct Answer {
    /// Whose it is, for whoever offered it.
    to: u64,
    records: Vec<Vec<u8>>,
    /// Not begun after this.
    until: Tick,
    tries: u8,
    /// Why it could not be said the last time.
    why: &'static str,
}

/// One line, heard and answered.
#[derive(Debug)]
pub struct Dialogue {
    receiver: Receiver,
    sender: Sender,
    /// The one that is being said, or is said next.
    current: Option<Answer>,
    /// The one behind it: of several only the last is worth saying.
    next: Option<Answer>,
    /// Nobody is asked before this.
    quiet_until: Tick,
    /// A frame was broken off by what came last.
    broken: bool,
    out: Vec<u8>,
    events: VecDeque<Event>,
    said: VecDeque<(u64, Said)>,
}

impl Default for Dialogue {
    fn default() -> Self {
        Self::host()
    }
}

impl Dialogue {
    /// The computer's side.
    #[must_use]
    pub fn host() -> Self {
        Self::of(Sender::host())
    }

    /// The analyzer's side, for practice and tests.
    #[must_use]
    pub fn instrument() -> Self {
        Self::of(Sender::new())
    }

    fn of(sender: Sender) -> Self {
        Self {
            receiver: Receiver::new(),
            sender,
            current: None,
            next: None,
            quiet_until: Tick::MIN,
            broken: false,
            out: Vec::new(),
            events: VecDeque::new(),
            said: VecDeque::new(),
        }
    }

    /// Takes a message that is said sooner or later, however long that takes: an analyzer's results.
    pub fn offer(&mut self, records: &[Vec<u8>]) {
        self.sender.offer(records);
    }

    /// Messages offered and not yet delivered.
    #[must_use]
    pub fn waiting(&self) -> usize {
        self.sender.waiting()
    }

    /// Takes an answer, which is not begun after `until`; each record without its CR. It takes the place of one that
    /// has not been begun. `to` comes back with what became of it.
    pub fn answer(&mut self, now: Tick, to: u64, records: Vec<Vec<u8>>, until: Tick) {
        let answer = Answer { to, records, until, tries: 0, why: "the line was never free for it" };
        if let Some(before) = self.next.replace(answer) {
            self.drop_answer(before, "another question came before it could be said");
        }
        if !self.sender.is_active()
            && let Some(before) = self.current.take()
        {
            self.sender.forget();
            self.drop_answer(before, "another question came before it could be said");
        }
        self.look(now);
    }

    /// The analyzer does not want to know any more.
    pub fn drop_answers(&mut self, why: &'static str) {
        if self.current.is_some() || self.next.is_some() {
            self.sender.forget();
            self.collect_sender();
        }
        let both = [self.current.take(), self.next.take()];
        both.into_iter().flatten().for_each(|answer| self.drop_answer(answer, why));
    }

    /// Whether the next enquiry gets a yes or a "busy" ([`Receiver::set_ready`]).
    pub fn set_ready(&mut self, ready: bool) {
        self.receiver.set_ready(ready);
    }

    /// Something is under way on the other side ([`Receiver::is_open`]).
    #[must_use]
    pub fn is_open(&self) -> bool {
        self.receiver.is_spoken_to()
    }

    /// Takes what was heard, as [`Receiver::handle_input`] does.
    pub fn handle_input(&mut self, now: Tick, bytes: &[u8], at: u64, flaws: &[usize]) {
        // Nothing is begun here: what was just heard may be an enquiry.
        if self.sender.is_active() {
            self.sender.handle_timeout(now);
            self.collect_sender();
        }
        let mut used = 0;
        for byte in bytes {
            // It becomes active by a timeout alone: from here on all is the receiver's.
            if !self.sender.is_active() {
                break;
            }
            let ours = self.sender.is_answered(now);
            let flawed = flaws.contains(&used);
            self.sender.handle_input(now, &[*byte]);
            let flaw: &[usize] = if flawed { &[0] } else { &[] };
            self.receiver.handle_input(now, &[*byte], at + used as u64, flaw);
            if ours {
                self.receiver.withhold();
            }
            self.collect_sender();
            used += 1;
        }
        if let Some(rest) = bytes.get(used..).filter(|rest| !rest.is_empty()) {
            let flaws: Vec<usize> =
                flaws.iter().filter_map(|flaw| flaw.checked_sub(used)).collect();
            self.receiver.handle_input(now, rest, at + used as u64, &flaws);
            self.look(now);
            self.keep_quiet(now, rest);
        }
        self.look(now);
    }

    /// Whoever has just said this outside of a session may not be at its end.
    fn keep_quiet(&mut self, now: Tick, heard: &[u8]) {
        // NUL, XON and XOFF are no part of anything.
        let empty = |byte: &&u8| matches!(**byte, 0 | 0x11 | 0x13 | CR | LF);
        let Some(last) = heard.iter().rev().find(|byte| !empty(byte)) else { return };
        if !self.receiver.is_spoken_to() {
            let pause = if *last == EOT { QUIET } else { DOUBTFUL };
            self.quiet_until = self.quiet_until.max(now + pause);
        }
    }

    /// Fires every deadline that has passed, and asks for the line where there is something to say and nobody speaks.
    pub fn handle_timeout(&mut self, now: Tick) {
        self.receiver.handle_timeout(now);
        self.look(now);
        if self.may_speak(now) {
            self.sender.handle_timeout(now);
            self.collect_sender();
        }
    }

    fn may_speak(&self, now: Tick) -> bool {
        self.sender.is_active() || (!self.receiver.is_spoken_to() && now >= self.quiet_until)
    }

    /// Answers [`Event::Keep`] ([`Receiver::confirm`]).
    pub fn confirm(&mut self, now: Tick, stored: bool) {
        self.receiver.confirm(now, stored);
        self.look(now);
    }

    /// Appends what is to be sent to `out`. False: there was nothing.
    pub fn poll_transmit(&mut self, out: &mut Vec<u8>) -> bool {
        let any = !self.out.is_empty();
        out.append(&mut self.out);
        any
    }

    /// When [`Dialogue::handle_timeout`] is wanted next; it may be long past, which means now.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<Tick> {
        let idle = !self.sender.is_active();
        let sender = match self.sender.poll_timeout() {
            Some(_) if idle && self.receiver.is_spoken_to() => None,
            Some(due) if idle => Some(due.max(self.quiet_until)),
            due => due,
        };
        let ends = [&self.current, &self.next].into_iter().flatten().map(|a| a.until).min();
        let ends = ends.filter(|_| idle).map(|until| until + 1);
        [self.receiver.poll_timeout(), sender, ends].into_iter().flatten().min()
    }

    /// What was heard, in order.
    pub fn poll_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }

    /// What became of answers, in order.
    pub fn poll_said(&mut self) -> Option<(u64, Said)> {
        self.said.pop_front()
    }

    /// Takes up what either side has done, and what is to be said next.
    fn look(&mut self, now: Tick) {
        if self.sender.is_answered(now) {
            self.receiver.withhold();
        }
        self.receiver.poll_transmit(&mut self.out);
        while let Some(event) = self.receiver.poll_event() {
            match &event {
                Event::SessionClosed { why } => {
                    self.sender.peer_is_done();
                    if self.broken && *why == Closing::Said {
                        self.quiet_until = now + DOUBTFUL;
                    }
                    self.broken = false;
                }
                Event::Dropped { what, .. } => self.broken |= *what == Loss::Frame,
                _ => self.broken = false,
            }
            self.events.push_back(event);
        }
        if self.sender.is_active() {
            return;
        }
        if let Some(late) = self.current.take_if(|answer| answer.until < now) {
            self.sender.forget();
            let why = late.why;
            self.drop_answer(late, why);
        }
        if let Some(late) = self.next.take_if(|answer| answer.until < now) {
            let why = late.why;
            self.drop_answer(late, why);
        }
        if self.current.is_none()
            && let Some(next) = self.next.take()
        {
            self.sender.offer(&next.records);
            self.current = Some(next);
        }
    }

    fn collect_sender(&mut self) {
        self.sender.poll_transmit(&mut self.out);
        while let Some(event) = self.sender.poll_event() {
            match event {
                SenderEvent::Delivered => {
                    let answer = self.current.take();
                    self.said.extend(answer.map(|answer| (answer.to, Said::Delivered)));
                }
                SenderEvent::Kept { why } => {
                    let Some(answer) = &mut self.current else { continue };
                    (answer.tries, answer.why) = (answer.tries + 1, why);
                    if answer.tries >= TRIES
                        && let Some(answer) = self.current.take()
                    {
                        self.sender.forget();
                        self.drop_answer(answer, why);
                    }
                }
            }
        }
    }

    fn drop_answer(&mut self, answer: Answer, why: &'static str) {
        self.said.push_back((answer.to, Said::Dropped(why)));
    }
}
