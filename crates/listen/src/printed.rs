//! The line assembler, for analyzers that just print: bytes become lines, lines become one print.
//!
//! A pure machine. Line ends are CR, LF or the pair in either order. A line repeated after a lone
//! CR is overprint (bold by double strike) and counts once. NUL padding and flow control characters
//! are left out. What ends a print is the dialect's to say; what exceeds a bound is counted and
//! the print marked.

#[cfg(test)]
mod tests;

use std::collections::VecDeque;

use wickline_normalize::Place;

use crate::Tick;
use crate::ear::{Cut, Ending, Transmission};

const NUL: u8 = 0x00;
const LF: u8 = 0x0A;
const FF: u8 = 0x0C;
const CR: u8 = 0x0D;
const DC1: u8 = 0x11;
const DC3: u8 = 0x13;

/// Most bytes of one line.
pub const MAX_LINE: usize = 4_096;
/// Most bytes of one print.
pub const MAX_PRINT: usize = 64 * 1024;
/// Most lines of one print.
pub const MAX_LINES: usize = 512;

/// What ends a print. More than one rule may hold; the first to come true ends it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PrintRules {
    /// So many blank lines in a row; 0: blank lines end nothing.
    pub blank_lines: u32,
    pub form_feed: bool,
    /// Silence of so many microseconds.
    pub silence: Tick,
    /// A line that begins with one of these opens a new print, and so ends the one before.
    pub openers: Vec<Vec<u8>>,
}

/// Assembles prints from bytes.
#[derive(Debug)]
pub struct Assembler {
    rules: PrintRules,
    line: Line,
    lines: Vec<Cut>,
    bytes: usize,
    /// Bytes and lines beyond the bounds, of the print under way.
    excess: (usize, usize),
    blanks: u32,
    /// The line end just heard, while its partner may follow.
    ended_by: Option<u8>,
    /// The last line ended with a CR that was not followed by LF.
    overprint: bool,
    /// A NUL just heard behind a line's text: padding, unless text follows on the same line.
    nul: Option<u64>,
    last_heard: Tick,
    done: VecDeque<Transmission>,
    now: Tick,
}

/// The line under way.
#[derive(Debug, Default)]
struct Line {
    bytes: Vec<u8>,
    place: Option<Place>,
    flawed: bool,
}

impl Line {
    fn is_blank(&self) -> bool {
        self.bytes.iter().all(|byte| matches!(byte, b' ' | b'\t'))
    }
}

impl Assembler {
    /// An assembler with nothing under way.
    #[must_use]
    pub fn new(rules: PrintRules) -> Self {
        Self {
            rules,
            line: Line::default(),
            lines: Vec::new(),
            bytes: 0,
            excess: (0, 0),
            blanks: 0,
            ended_by: None,
            overprint: false,
            nul: None,
            last_heard: Tick::MIN,
            done: VecDeque::new(),
            now: Tick::MIN,
        }
    }

    /// Takes what was heard: `at` is the place of the first byte, `flaws` the indexes of bytes that
    /// the port marked, in rising order.
    pub fn handle_input(&mut self, now: Tick, bytes: &[u8], at: u64, flaws: &[usize]) {
        self.handle_timeout(now);
        let mut flaws = flaws.iter().copied().peekable();
        for (index, byte) in bytes.iter().enumerate() {
            while flaws.next_if(|flaw| *flaw < index).is_some() {}
            let flawed = flaws.next_if_eq(&index).is_some();
            self.hear(*byte, at + index as u64, flawed);
        }
        if !bytes.is_empty() {
            self.last_heard = self.now;
        }
    }

    /// Fires the deadline if it has passed.
    pub fn handle_timeout(&mut self, now: Tick) {
        self.now = self.now.max(now);
        if self.poll_timeout().is_some_and(|deadline| deadline <= self.now) {
            self.silent();
        }
    }

    /// The line closed: what was under way is cut.
    pub fn handle_closed(&mut self, now: Tick) {
        self.handle_timeout(now);
        self.end_line(None);
        self.end_print(Ending::Cut("the line was closed before the print ended".into()));
    }

    /// Bytes were lost here: what was under way is cut.
    pub fn handle_gap(&mut self, now: Tick) {
        self.handle_timeout(now);
        self.end_line(None);
        self.end_print(Ending::Cut("bytes were lost before the print ended".into()));
    }

    /// When [`Assembler::handle_timeout`] is wanted next.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<Tick> {
        let waiting = !self.lines.is_empty() || !self.line.bytes.is_empty();
        waiting.then(|| self.last_heard + self.rules.silence)
    }

    /// What has ended, in order.
    pub fn poll_transmission(&mut self) -> Option<Transmission> {
        self.done.pop_front()
    }

    /// Nothing is under way and nothing waits to be taken.
    #[must_use]
    pub fn is_idle(&self) -> bool {
        self.lines.is_empty() && self.line.bytes.is_empty() && self.done.is_empty()
    }

    fn hear(&mut self, byte: u8, at: u64, flawed: bool) {
        match byte {
            // Padding stands before or behind a line's text. A marked NUL is a break or a spoiled byte.
            NUL if !flawed => {
                if !self.line.bytes.is_empty() {
                    self.nul = Some(at);
                }
            }
            DC1 | DC3 if !flawed => {}
            CR | LF if !flawed => {
                self.nul = None;
                let partner = if byte == CR { LF } else { CR };
                if self.ended_by.take() == Some(partner) {
                    self.overprint = false;
                } else {
                    self.end_line(Some(byte));
                    self.ended_by = Some(byte);
                }
            }
            FF if !flawed && self.rules.form_feed => {
                self.nul = None;
                self.end_line(None);
                self.end_print(Ending::Complete);
            }
            _ => {
                self.ended_by = None;
                // Text goes on behind a NUL: a byte was lost or spoiled there, and is not read past.
                if let Some(lost) = self.nul.take() {
                    self.push(NUL, lost, true);
                }
                self.push(byte, at, flawed);
            }
        }
    }

    fn push(&mut self, byte: u8, at: u64, flawed: bool) {
        let here = Place { from: at, to: at + 1 };
        self.line.place = Some(self.line.place.map_or(here, |place| place.join(here)));
        self.line.flawed |= flawed;
        if self.line.bytes.len() < MAX_LINE {
            self.line.bytes.push(byte);
        } else {
            self.line.flawed = true;
            self.excess.0 += 1;
        }
    }

    /// Ends the line under way. `by`: its line end, if it has one.
    fn end_line(&mut self, by: Option<u8>) {
        let line = std::mem::take(&mut self.line);
        let after_lone_cr = std::mem::replace(&mut self.overprint, by == Some(CR));
        if line.is_blank() {
            if by.is_some() {
                self.blank_line();
            }
            return;
        }
        self.blanks = 0;
        let place = line.place.unwrap_or_default();
        if let Some(last) = self.lines.last_mut().filter(|_| after_lone_cr)
            && last.bytes == line.bytes
        {
            last.place = last.place.join(place);
            last.flawed |= line.flawed;
            return;
        }
        if self.rules.openers.iter().any(|opener| begins_with(&line.bytes, opener)) {
            self.end_print(Ending::Complete);
        }
        if self.lines.len() >= MAX_LINES || self.bytes + line.bytes.len() > MAX_PRINT {
            self.excess.1 += 1;
            return;
        }
        self.bytes += line.bytes.len();
        self.lines.push(Cut { place, bytes: line.bytes, flawed: line.flawed });
    }

    fn blank_line(&mut self) {
        self.blanks += 1;
        if self.rules.blank_lines > 0 && self.blanks >= self.rules.blank_lines {
            self.end_print(Ending::Complete);
        }
    }

    /// Silence ends a print, but a line that it leaves without an end was broken off.
    fn silent(&mut self) {
        if self.line.is_blank() {
            self.end_line(None);
            self.end_print(Ending::Complete);
        } else {
            self.end_line(None);
            self.end_print(Ending::Cut("the print stopped in the middle of a line".into()));
        }
    }

    fn end_print(&mut self, ending: Ending) {
        let lines = std::mem::take(&mut self.lines);
        let (bytes, beyond) = std::mem::take(&mut self.excess);
        (self.bytes, self.blanks) = (0, 0);
        let Some(place) = lines.iter().map(|line| line.place).reduce(Place::join) else { return };
        let ending = if bytes > 0 || beyond > 0 {
            Ending::Cut(format!(
                "more than a print may hold: {bytes} bytes and {beyond} lines were left out"
            ))
        } else {
            ending
        };
        self.done.push_back(Transmission { place, lines, ending });
    }
}

fn begins_with(line: &[u8], opener: &[u8]) -> bool {
    let start = line.iter().position(|byte| *byte != b' ').unwrap_or(0);
    !opener.is_empty() && line.get(start..).is_some_and(|line| line.starts_with(opener))
}
