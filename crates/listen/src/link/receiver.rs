//! The computer's side of the link: a pure machine that withholds each ACK until the tape is safe.
//!
//! What it delivers depends on what was heard and when, and on nothing else: not on how the bytes
//! were cut into reads, not on how punctually timeouts were fired, not on how long a confirmation
//! took. That is why a later run over the tape finds what the live run accepted. Three habits make
//! it so: every deadline is fired at its own time before later input is looked at; input that comes
//! while a frame waits for its confirmation is queued with its own time; and timers run from what
//! was heard, never from what we answered.
//!
//! The rules, as NCCLS LIS1-A has them; (ours) marks what it leaves open:
//!
//! - R1 R2: ENQ at rest is answered ACK and opens a session, or NAK where we cannot keep results.
//! - R3 R5: at rest and between frames other bytes are read past.
//! - R4 R14: STX begins a frame, or begins it again.
//! - R6 R7 R15 R17: EOT, or 30 s without a byte, ends the session; what was not whole is dropped and told.
//! - R8 (ours): ENQ inside a session begins it again; a second one within a second is noise, unless the first one got
//!   no answer because we were asking for the line ourselves (see [`super::Dialogue`]).
//! - R9: a good frame in its turn is confirmed, taken and acknowledged.
//! - R10: the frame before it once more is acknowledged and not taken again.
//! - R11 (ours): a first frame numbered 0 repeats nothing and is refused.
//! - R12 R13: any other number, a wrong sum, marked bytes or too much text is refused.
//! - R16 (ours): 2 s of silence inside a frame refuse it; the standard would wait 30 s.
//! - R18: EOT in place of ACK takes the frame and asks the sender to yield the line.
//! - R19: a line that closes ends the session; records that were taken stay taken.
//!
//! Each has a test that bears its number.

#[cfg(test)]
mod tests;

use std::collections::VecDeque;

use wickline_normalize::Place;

use super::frame::{Collecting, Stage};
use super::sign::{ACK, CR, ENQ, EOT, LF, NAK, STX};
use super::{Closing, Event, Loss, MAX_PART, Refusal};
use crate::{SECOND, Tick};

/// How long the sender may be silent between frames (NCCLS LIS1-A 6.5.2).
const PATIENCE: Tick = 30 * SECOND;
/// How long it may be silent inside a frame. Ours: the standard knows only the thirty seconds.
const SILENCE: Tick = 2 * SECOND;
/// How long to wait for the LF after the checksum. Ours.
const TAIL: Tick = SECOND / 2;
/// A second enquiry so soon after the first gets no second answer. Ours: no sender asks again
/// before its fifteen seconds are over, but an EOT with one bit turned is an ENQ, and the ACK to it
/// would be taken for the first frame's.
const DOUBLED: Tick = SECOND;
/// An answer later than this is not sent: the sender gives up after 15 s (LIS1-A 6.5.1.2), and a
/// late ACK would be taken for the answer to whatever it sent since.
const ANSWER_LIMIT: Tick = 14 * SECOND;
/// Most bytes queued while a frame waits for its confirmation; beyond it they count as lost.
const MAX_INBOX: usize = 256 * 1024;

/// At most one frame is under way, and at most one waits for its confirmation.
#[derive(Debug)]
enum Phase {
    /// No session: only an enquiry means anything.
    Idle,
    /// In a session, between frames.
    Wait {
        deadline: Tick,
    },
    Frame(Collecting),
    /// A good new frame waits for the word of the tape.
    Confirm(Collecting, Tick),
}

/// In the order in which it was heard; a gap stands for everything that was too much.
#[derive(Debug)]
enum Input {
    Bytes { now: Tick, bytes: Vec<u8>, at: u64, flaws: Vec<usize> },
    Closed(Tick),
    Gap(Tick),
}

impl Input {
    /// What `used` bytes leave of one read.
    fn rest(now: Tick, bytes: &[u8], at: u64, flaws: &[usize], used: usize) -> Option<Input> {
        let rest = bytes.get(used..).filter(|rest| !rest.is_empty())?;
        let flaws = flaws.iter().filter_map(|flaw| flaw.checked_sub(used)).collect();
        Some(Input::Bytes { now, bytes: rest.to_vec(), at: at + used as u64, flaws })
    }
}

/// The receiving side of one line.
#[derive(Debug)]
pub struct Receiver {
    phase: Phase,
    /// Whether an enquiry is welcome.
    ready: bool,
    /// Whether we want the sender to yield the line.
    wants_line: bool,
    /// When the enquiry came that opened this session.
    opened: Tick,
    /// It got no answer: the line was ours then.
    unanswered: bool,
    /// The number of the next new frame, 0 to 7.
    expected: u8,
    /// A frame was accepted in this session: only then can one be a repeat.
    seen: bool,
    /// Bytes were lost: the session and the expected number are no longer certain.
    unsure: bool,
    /// Text of the frames that ETB closed, until ETX ends the record.
    part: Vec<u8>,
    /// For each frame in `part`: where its text begins, in `part` and on the tape.
    runs: Vec<(usize, u64)>,
    part_place: Place,
    /// Text of the last accepted frame, to know a repeat when `unsure`.
    accepted: Vec<u8>,
    /// Number and text of a frame refused only for its marked bytes.
    doubted: Option<(u8, Vec<u8>)>,
    /// What came while a frame waited for its confirmation, and how many bytes that are.
    inbox: VecDeque<Input>,
    queued: usize,
    /// Answers that are due.
    out: Vec<u8>,
    events: VecDeque<Event>,
    now: Tick,
}

impl Default for Receiver {
    fn default() -> Self {
        Self::new()
    }
}

impl Receiver {
    /// A receiver with no session, ready for one.
    ///
    /// Frames are expected from 1; nothing has been heard yet.
    #[must_use]
    pub fn new() -> Self {
        Self {
            phase: Phase::Idle,
            ready: true,
            wants_line: false,
            opened: Tick::MIN,
            unanswered: false,
            expected: 1,
            seen: false,
            unsure: false,
            part: Vec::new(),
            runs: Vec::new(),
            part_place: Place::default(),
            accepted: Vec::new(),
            doubted: None,
            inbox: VecDeque::new(),
            queued: 0,
            out: Vec::new(),
            events: VecDeque::new(),
            now: Tick::MIN,
        }
    }

    /// Whether the next enquiry gets a yes (R1) or a "busy" (R2).
    ///
    /// Holds for enquiries alone: a session that is open goes on, and frames that cannot be kept are
    /// refused.
    pub fn set_ready(&mut self, ready: bool) {
        self.ready = ready;
    }

    /// Whether to ask the sender, at each frame, to yield the line (R18).
    ///
    /// An analyzer may ignore it; nothing depends on it here.
    pub fn ask_for_line(&mut self, wanted: bool) {
        self.wants_line = wanted;
    }

    /// Something is under way: a session or a frame. What is not certain about an earlier one is not.
    #[must_use]
    pub fn is_open(&self) -> bool {
        !matches!(self.phase, Phase::Idle) || !self.inbox.is_empty()
    }

    /// No session, no frame, nothing queued: the tape may be read from here on without loss.
    #[must_use]
    pub fn is_idle(&self) -> bool {
        matches!(self.phase, Phase::Idle) && !self.unsure && self.inbox.is_empty()
    }

    /// What is due is not said, for the line is ours: it was no answer that anybody waits for. An enquiry that crossed
    /// ours comes again, and gets its answer then.
    pub(super) fn withhold(&mut self) {
        if !self.out.is_empty() {
            self.out.clear();
            self.unanswered = matches!(self.phase, Phase::Wait { .. }) && !self.seen;
        }
    }

    /// Whether the other side may be speaking: a session that it was not let into is none.
    pub(super) fn is_spoken_to(&self) -> bool {
        match self.phase {
            Phase::Idle => !self.inbox.is_empty(),
            Phase::Wait { .. } => !self.unanswered || !self.inbox.is_empty(),
            Phase::Frame(_) | Phase::Confirm(..) => true,
        }
    }

    /// Takes what was heard: `at` is the place of the first byte, `flaws` the indexes of bytes that
    /// the port marked as received with an error, in rising order.
    ///
    /// While a frame waits for its confirmation, input is queued with its time, 256 KiB at most; what
    /// is beyond counts as a gap.
    pub fn handle_input(&mut self, now: Tick, bytes: &[u8], at: u64, flaws: &[usize]) {
        let now = self.tick(now);
        let used = self.hear(now, bytes, at, flaws);
        let Some(rest) = Input::rest(now, bytes, at, flaws, used) else { return };
        if self.queued + bytes.len() - used > MAX_INBOX {
            // One mark is enough for however much is lost here.
            if !matches!(self.inbox.back(), Some(Input::Gap(_))) {
                self.inbox.push_back(Input::Gap(now));
            }
            return;
        }
        self.queued += bytes.len() - used;
        self.inbox.push_back(rest);
    }

    /// Fires every deadline that has passed.
    pub fn handle_timeout(&mut self, now: Tick) {
        let now = self.tick(now);
        self.expire_until(now);
    }

    /// The port closed or the far end hung up (R19).
    pub fn handle_closed(&mut self, now: Tick) {
        let now = self.tick(now);
        if self.is_confirming() {
            self.inbox.push_back(Input::Closed(now));
        } else {
            self.expire_until(now);
            self.closed();
        }
    }

    /// Bytes were lost here: the frame under way is abandoned, the session stays.
    pub fn handle_gap(&mut self, now: Tick) {
        let now = self.tick(now);
        if self.is_confirming() {
            self.inbox.push_back(Input::Gap(now));
        } else {
            self.expire_until(now);
            self.gap(now);
        }
    }

    /// Answers [`Event::Keep`]: `stored` when every byte of its place is safe on the tape. Only
    /// then is the frame taken and acknowledged; otherwise the sender is asked to repeat it.
    ///
    /// Ignored where no frame waits. A confirmation later than 14 s after its frame is acted on but not
    /// answered: the sender has given up by then and will send again.
    pub fn confirm(&mut self, now: Tick, stored: bool) {
        let now = self.tick(now);
        let phase = std::mem::replace(&mut self.phase, Phase::Idle);
        let Phase::Confirm(frame, judged) = phase else {
            self.phase = phase;
            return;
        };
        self.phase = Phase::Wait { deadline: judged + PATIENCE };
        if stored {
            self.accept(frame, judged);
        } else {
            self.refuse(judged, Refusal::NotStored);
        }
        self.catch_up(now);
    }

    /// Appends what is to be sent to `out`. False: there was nothing.
    ///
    /// Send it at once: nothing in here is repeated by itself.
    pub fn poll_transmit(&mut self, out: &mut Vec<u8>) -> bool {
        let any = !self.out.is_empty();
        out.append(&mut self.out);
        any
    }

    /// When [`Receiver::handle_timeout`] is wanted next. None while a confirmation is awaited.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<Tick> {
        match &self.phase {
            Phase::Idle | Phase::Confirm(..) => None,
            Phase::Wait { deadline } => Some(*deadline),
            Phase::Frame(frame) if frame.stage == Stage::Tail => Some(frame.last_heard + TAIL),
            Phase::Frame(frame) => Some(frame.last_heard + SILENCE),
        }
    }

    /// What happened, in order.
    pub fn poll_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }

    /// Time never runs backwards in here, whatever the driver says.
    fn tick(&mut self, now: Tick) -> Tick {
        self.now = self.now.max(now);
        self.now
    }

    fn is_confirming(&self) -> bool {
        matches!(self.phase, Phase::Confirm(..))
    }

    /// Hears bytes until they end or a frame has to be confirmed; says how many were used.
    fn hear(&mut self, now: Tick, bytes: &[u8], at: u64, flaws: &[usize]) -> usize {
        let mut flaws = flaws.iter().copied().peekable();
        self.expire_until(now);
        for (index, byte) in bytes.iter().enumerate() {
            if self.is_confirming() {
                return index;
            }
            while flaws.next_if(|flaw| *flaw < index).is_some() {}
            let flawed = flaws.next_if_eq(&index).is_some();
            if !self.hear_byte(now, *byte, at + index as u64, flawed) {
                return index;
            }
        }
        bytes.len()
    }

    /// False: the byte ended a frame that has to be confirmed first, and is to be heard again then.
    fn hear_byte(&mut self, now: Tick, byte: u8, at: u64, flawed: bool) -> bool {
        match (&mut self.phase, byte) {
            (Phase::Frame(frame), STX) if frame.stage != Stage::Tail => {
                *frame = Collecting::start(now, at, flawed); // R14
            }
            (Phase::Frame(frame), EOT) if frame.stage != Stage::Tail => {
                let place = frame.place;
                self.drop_frame(place);
                self.end_session(Closing::Said); // R15
            }
            (Phase::Frame(frame), _) => {
                if frame.stage == Stage::Tail && matches!(byte, STX | EOT) {
                    // The next thing has begun without an LF: the frame ends before this byte. An
                    // ENQ here can only be a spoiled CR, and a second ACK would be taken for the
                    // next frame's.
                    self.judge(now);
                    return !self.is_confirming() && self.hear_byte(now, byte, at, flawed);
                }
                if frame.push(now, byte, at, flawed) {
                    self.judge(now);
                }
            }
            (Phase::Wait { deadline }, ENQ) if !self.seen && now < self.opened + DOUBLED => {
                // Whether the first got its answer is known here and not to whoever reads the tape: for both the
                // session goes on from now.
                *deadline = now + PATIENCE;
                if std::mem::take(&mut self.unanswered) {
                    self.answer(now, ACK);
                }
            }
            (Phase::Idle | Phase::Wait { .. }, ENQ) => self.enquired(now), // R1 R2 R8
            (Phase::Wait { .. }, STX) => {
                self.phase = Phase::Frame(Collecting::start(now, at, flawed)); // R4
            }
            (Phase::Idle, STX) if self.unsure => {
                // The enquiry may have been among the lost bytes.
                self.events.push_back(Event::SessionOpened);
                self.phase = Phase::Frame(Collecting::start(now, at, flawed));
            }
            (Phase::Idle, EOT) => self.unsure = false,
            (Phase::Wait { .. }, EOT) => self.end_session(Closing::Said), // R6
            (Phase::Idle | Phase::Wait { .. }, _) => {}                   // R3 R5
            (Phase::Confirm(..), _) => return false,
        }
        true
    }

    fn expire_until(&mut self, now: Tick) {
        while let Some(deadline) = self.poll_timeout().filter(|deadline| *deadline <= now) {
            match &self.phase {
                Phase::Frame(frame) if frame.stage == Stage::Tail => self.judge(deadline),
                Phase::Frame(frame) => {
                    let (place, enquired) = (frame.place, frame.last_byte == ENQ);
                    // An STX alone is noise (LF with a turned bit is one). Nobody waits for an
                    // answer to it, and one too many would be taken for the next frame's.
                    let begun = frame.stage != Stage::Number;
                    self.drop_frame(place);
                    self.phase = Phase::Wait { deadline: deadline + PATIENCE };
                    if enquired {
                        self.enquired(deadline);
                    } else if begun {
                        self.refuse(deadline, Refusal::Silence); // R16
                    }
                }
                Phase::Wait { .. } => self.end_session(Closing::Silence), // R7 R17
                Phase::Idle | Phase::Confirm(..) => return,
            }
        }
    }

    /// Where a session was open, it ends as restarted.
    fn enquired(&mut self, now: Tick) {
        if !matches!(self.phase, Phase::Idle) {
            self.end_session(Closing::Restarted);
        }
        self.unsure = false;
        self.unanswered = false;
        if self.ready {
            (self.opened, self.expected, self.seen) = (now, 1, false);
            self.phase = Phase::Wait { deadline: now + PATIENCE };
            self.events.push_back(Event::SessionOpened);
            self.answer(now, ACK);
        } else {
            self.refuse(now, Refusal::NotReady);
        }
    }

    /// Decides on a complete frame.
    ///
    /// A frame is judged once, at the time of its last byte.
    fn judge(&mut self, now: Tick) {
        let phase = std::mem::replace(&mut self.phase, Phase::Wait { deadline: now + PATIENCE });
        let Phase::Frame(frame) = phase else { return };
        let number = frame.number();
        let refusal = match number {
            _ if frame.too_long => Some(Refusal::TooLong),
            None => Some(Refusal::FrameNumber),
            Some(_) if !frame.sum_is_right() => Some(Refusal::Checksum), // R13
            Some(number) if self.is_repeat(number, &frame) => {
                self.events.push_back(Event::Dropped { what: Loss::Repeat, place: frame.place });
                return self.answer_yes(now); // R10
            }
            Some(number) if number != self.expected && !self.unsure => Some(Refusal::OutOfTurn),
            Some(number) if frame.flawed && !self.same_again(number, &frame) => {
                self.doubted = Some((number, frame.text.clone()));
                Some(Refusal::Flawed)
            }
            Some(_) if self.part.len() + frame.text.len() > MAX_PART => Some(Refusal::TooLong),
            Some(_) => None,
        };
        match refusal {
            Some(why) => self.refuse(now, why), // R11 R12 R13
            None => {
                if frame.flawed {
                    self.events.push_back(Event::Flawed { place: frame.place });
                }
                self.events.push_back(Event::Keep { place: frame.place });
                self.phase = Phase::Confirm(frame, now);
            }
        }
    }

    /// A frame before the expected one is a repeat, but only if there was one: a first frame that
    /// is numbered 0 is not the repeat of anything (R11).
    fn is_repeat(&self, number: u8, frame: &Collecting) -> bool {
        self.seen
            && number == (self.expected + 7) % 8
            && (!self.unsure || frame.text == self.accepted)
    }

    /// Some adapters mark a whole packet for one bad byte. The sender is asked once to repeat; the
    /// same text again under a right checksum is then taken.
    fn same_again(&self, number: u8, frame: &Collecting) -> bool {
        self.doubted.as_ref().is_some_and(|(n, text)| *n == number && *text == frame.text)
    }

    /// Only here a frame's text becomes part of a record, and only after its confirmation.
    fn accept(&mut self, frame: Collecting, judged: Tick) {
        let number = frame.number().unwrap_or(self.expected);
        if number != self.expected {
            self.drop_part(); // Only when unsure: what it continued is lost.
        }
        if self.part.is_empty() && self.runs.is_empty() {
            self.part_place = frame.place;
        }
        self.part_place = self.part_place.join(frame.place);
        self.runs.push((self.part.len(), frame.text_at));
        self.part.extend_from_slice(&frame.text);
        self.accepted = frame.text;
        self.expected = (number + 1) % 8;
        (self.seen, self.unsure, self.doubted) = (true, false, None);
        if frame.last {
            self.deliver();
        }
        self.answer_yes(judged); // R9
    }

    /// Many senders put a whole message into one run of frames: each CR ends a record all the same.
    fn deliver(&mut self) {
        let part = std::mem::take(&mut self.part);
        let runs = std::mem::take(&mut self.runs);
        let on_tape = |index: usize| {
            let run = runs.partition_point(|(start, _)| *start <= index).saturating_sub(1);
            runs.get(run).map_or(0, |(start, at)| at + (index - start) as u64)
        };
        let mut from = 0;
        for record in part.split(|byte| *byte == CR || *byte == LF) {
            let to = from + record.len();
            if !record.is_empty() {
                let place = Place { from: on_tape(from), to: on_tape(to - 1) + 1 };
                self.events.push_back(Event::Record { bytes: record.to_vec(), place });
            }
            from = to + 1;
        }
    }

    fn drop_part(&mut self) {
        if !self.runs.is_empty() {
            self.events.push_back(Event::Dropped { what: Loss::Part, place: self.part_place });
        }
        self.part = Vec::new();
        self.runs.clear();
    }

    fn drop_frame(&mut self, place: Place) {
        self.events.push_back(Event::Dropped { what: Loss::Frame, place });
    }

    fn end_session(&mut self, why: Closing) {
        self.drop_part();
        self.phase = Phase::Idle;
        // After lost bytes silence proves nothing: the sender may go on in a session we did not
        // hear.
        self.unsure &= why == Closing::Silence;
        (self.seen, self.unanswered) = (false, false);
        (self.doubted, self.accepted) = (None, Vec::new());
        self.events.push_back(Event::SessionClosed { why });
    }

    fn closed(&mut self) {
        if let Phase::Frame(frame) = &self.phase {
            let place = frame.place;
            self.drop_frame(place);
        }
        match self.phase {
            Phase::Idle => self.unsure = false,
            _ => self.end_session(Closing::HungUp), // R19
        }
    }

    fn gap(&mut self, now: Tick) {
        self.unsure = true;
        if let Phase::Frame(frame) = &self.phase {
            let place = frame.place;
            self.drop_frame(place);
            self.phase = Phase::Wait { deadline: now + PATIENCE };
        }
    }

    fn catch_up(&mut self, now: Tick) {
        while !self.is_confirming() {
            match self.inbox.pop_front() {
                Some(Input::Bytes { now: then, bytes, at, flaws }) => {
                    self.queued -= bytes.len();
                    let used = self.hear(then, &bytes, at, &flaws);
                    if let Some(rest) = Input::rest(then, &bytes, at, &flaws, used) {
                        self.queued += bytes.len() - used;
                        self.inbox.push_front(rest);
                    }
                }
                Some(Input::Closed(then)) => {
                    self.expire_until(then);
                    self.closed();
                }
                Some(Input::Gap(then)) => {
                    self.expire_until(then);
                    self.gap(then);
                }
                None => return self.expire_until(now),
            }
        }
    }

    /// R18: EOT instead of ACK accepts the frame and asks the sender to stop.
    fn answer_yes(&mut self, cause: Tick) {
        self.answer(cause, if self.wants_line { EOT } else { ACK });
    }

    fn refuse(&mut self, cause: Tick, why: Refusal) {
        self.events.push_back(Event::Refused { why });
        self.answer(cause, NAK);
    }

    fn answer(&mut self, cause: Tick, byte: u8) {
        if self.now - cause <= ANSWER_LIMIT {
            self.out.push(byte);
        }
    }
}
