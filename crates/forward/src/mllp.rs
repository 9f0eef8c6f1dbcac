//! MLLP blocks: 0x0B, the message, 0x1C 0x0D (HL7 Minimal Lower Layer Protocol, release 1).
//!
//! Release 2 adds answers of one byte from the peer's transport. They are always recognised, so that a
//! stray one is not taken for a message.
//!
//! A block has no length: it ends where its two end bytes are. A message that holds them would end early, which is why
//! messages are written without control characters ([`crate::hl7::write`]). Reading takes any cut of the bytes and
//! keeps at most one unfinished block.

use std::collections::VecDeque;
use std::str::FromStr;

use memchr::{memchr, memchr2};

const START: u8 = 0x0B;
const END: u8 = 0x1C;
const CARRIAGE_RETURN: u8 = 0x0D;
const ACKNOWLEDGED: u8 = 0x06;
const NOT_ACKNOWLEDGED: u8 = 0x15;

/// The longest block that is read.
pub const BLOCK_MAX: usize = 1 << 20;
/// Junk without end is told in portions of this many bytes.
const JUNK_PORTION: usize = 64 * 1024;

/// Which release of the protocol a receiver speaks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum MllpRelease {
    /// Blocks alone.
    #[default]
    One,
    /// Each block is answered by the transport before anything else; one block at a time.
    Two,
}

impl FromStr for MllpRelease {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "1" => Ok(MllpRelease::One),
            "2" => Ok(MllpRelease::Two),
            _ => Err(format!("`{}` is no release of MLLP; allowed: 1, 2", text.escape_debug())),
        }
    }
}

/// The transport's answer of release 2: the block is stored, or it is not.
#[must_use]
pub fn transport_answer(stored: bool) -> [u8; 4] {
    [START, if stored { ACKNOWLEDGED } else { NOT_ACKNOWLEDGED }, END, CARRIAGE_RETURN]
}

/// A message in its block.
#[must_use]
pub fn frame(message: &[u8]) -> Vec<u8> {
    let mut block = Vec::with_capacity(message.len() + 3);
    frame_into(message, &mut block);
    block
}

/// Adds a message in its block.
///
/// To the end of `out`; nothing in the message is looked at.
pub fn frame_into(message: &[u8], out: &mut Vec<u8>) {
    out.push(START);
    out.extend_from_slice(message);
    out.extend_from_slice(&[END, CARRIAGE_RETURN]);
}

/// What was found in the bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Event {
    /// A whole block, without its frame.
    Block(Vec<u8>),
    /// So many bytes belonged to no block.
    Junk(usize),
    /// A block went beyond the limit and is skipped.
    TooLong,
    /// Release 2: the peer's transport stored (true) or refused (false) a block.
    TransportAck(bool),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Phase {
    Outside,
    Inside,
    /// Inside, after 0x1C.
    Ending,
    /// In a block that is too long.
    Skipping,
    SkippingEnd,
}

/// Finds blocks, however the bytes are cut.
#[derive(Debug)]
pub struct Reader {
    phase: Phase,
    block: Vec<u8>,
    junk: usize,
    limit: usize,
    events: VecDeque<Event>,
}

impl Default for Reader {
    fn default() -> Self {
        Self::new(BLOCK_MAX)
    }
}

impl Reader {
    /// A reader of blocks of at most `limit` bytes.
    #[must_use]
    pub fn new(limit: usize) -> Self {
        Self { phase: Phase::Outside, block: Vec::new(), junk: 0, limit, events: VecDeque::new() }
    }

    /// Takes bytes as they came.
    ///
    /// Never fails: what is no block is counted.
    pub fn handle_input(&mut self, bytes: &[u8]) {
        let mut rest = bytes;
        while !rest.is_empty() {
            let taken = match self.phase {
                Phase::Outside => self.outside(rest),
                Phase::Inside => self.inside(rest),
                Phase::Skipping => self.skipping(rest),
                Phase::Ending | Phase::SkippingEnd => self.ending(rest),
            };
            rest = rest.get(taken..).unwrap_or_default();
        }
    }

    /// The next thing found.
    ///
    /// In the order of the bytes.
    pub fn poll_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }

    /// Bytes that belong to no block and were not told yet.
    #[must_use]
    pub fn junk(&self) -> usize {
        self.junk
    }

    /// True when no block has begun that has not ended.
    #[must_use]
    pub fn is_between(&self) -> bool {
        self.phase == Phase::Outside
    }

    fn outside(&mut self, rest: &[u8]) -> usize {
        let at = memchr(START, rest);
        let between = rest.get(..at.unwrap_or(rest.len())).unwrap_or_default();
        // Line ends after a block are common practice and say nothing.
        let junk = between.iter().filter(|b| !matches!(b, b'\r' | b'\n')).count();
        self.waste(junk);
        match at {
            Some(at) => {
                self.begin();
                at + 1
            }
            None => rest.len(),
        }
    }

    fn inside(&mut self, rest: &[u8]) -> usize {
        let at = memchr2(START, END, rest);
        let text = rest.get(..at.unwrap_or(rest.len())).unwrap_or_default();
        if self.block.len() + text.len() > self.limit {
            return self.give_up();
        }
        self.block.extend_from_slice(text);
        match at {
            Some(at) if rest.get(at) == Some(&START) => {
                self.restart();
                at + 1
            }
            Some(at) => {
                self.phase = Phase::Ending;
                at + 1
            }
            None => rest.len(),
        }
    }

    /// Nothing is taken: the same bytes are looked at again as bytes to skip.
    fn give_up(&mut self) -> usize {
        self.block = Vec::new();
        self.events.push_back(Event::TooLong);
        self.phase = Phase::Skipping;
        0
    }

    fn skipping(&mut self, rest: &[u8]) -> usize {
        let Some(at) = memchr2(START, END, rest) else { return rest.len() };
        if rest.get(at) == Some(&START) {
            self.begin();
        } else {
            self.phase = Phase::SkippingEnd;
        }
        at + 1
    }

    /// After 0x1C: only 0x0D ends the block.
    fn ending(&mut self, rest: &[u8]) -> usize {
        let skipping = self.phase == Phase::SkippingEnd;
        match rest.first() {
            Some(&CARRIAGE_RETURN) => {
                self.phase = Phase::Outside;
                if !skipping {
                    self.finish();
                }
                1
            }
            _ if skipping => {
                self.phase = Phase::Skipping;
                0
            }
            _ => {
                // It was text after all; `inside` sees to it if that makes the block too long.
                self.block.push(END);
                self.phase = Phase::Inside;
                0
            }
        }
    }

    fn begin(&mut self) {
        if self.junk > 0 {
            self.events.push_back(Event::Junk(self.junk));
            self.junk = 0;
        }
        self.block.clear();
        self.phase = Phase::Inside;
    }

    /// A block begins before the one before it ended: that one was none.
    fn restart(&mut self) {
        self.waste(self.block.len() + 1);
        self.begin();
    }

    /// A block of one byte ACK or NAK is the transport's.
    fn finish(&mut self) {
        let block = std::mem::take(&mut self.block);
        self.events.push_back(match block.as_slice() {
            [ACKNOWLEDGED] => Event::TransportAck(true),
            [NOT_ACKNOWLEDGED] => Event::TransportAck(false),
            _ => Event::Block(block),
        });
    }

    fn waste(&mut self, bytes: usize) {
        self.junk += bytes;
        while self.junk >= JUNK_PORTION {
            self.events.push_back(Event::Junk(JUNK_PORTION));
            self.junk -= JUNK_PORTION;
        }
    }
}

#[cfg(test)]
mod tests;
