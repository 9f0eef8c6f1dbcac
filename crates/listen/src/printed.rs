//! The line assembler, for analyzers that just print: bytes become lines, lines become one print.
//!
//! A pure machine. Line ends are CR, LF or the pair in either order; a line repeated after a lone CR
//! is overprint (bold by double strike) and counts once. Where the dialect says that a lone CR only
//! goes back to print over the line, it stays in the line, and the dialect looks at what is left on
//! the paper. Records of a fixed length have no line ends: there each so many bytes are a line. Padding,
//! flow control and what only a printer obeys are left out. What begins and ends a print is the
//! dialect's to say; what exceeds a bound is counted and the print marked. A few bytes alone, none of which can be
//! read, are no print but noise, as a plug makes: they are counted, and nobody has to settle them. They are over after
//! a pause that is shorter than the silence (`noise::PAUSE`), so that the print behind them stands alone.
//!
//! Silence is measured between reads, by the ticks that the driver gives: an analyzer that pauses longer than the
//! dialect's silence inside one report is cut in two, and both halves are told as what they are. A first or last line
//! that the dialect knows is therefore the better sign, and `must_end` makes it the only one.
//!
//! The order of what is looked at, byte by byte: a marked byte is text, whatever it looks like, since it may have been
//! any; then printer sequences; then padding (NUL and DEL before or behind a line's text), flow control, line ends,
//! control characters that begin or end a print; the rest is text.

pub(crate) mod command;
pub(crate) mod control;
mod noise;
#[cfg(test)]
mod tests;

use std::collections::VecDeque;

use wickline_normalize::Place;

use self::command::{Belongs, Sequence};
pub use self::command::{Commands, Printer};
pub use self::control::{Controls, name as control_name};
pub use self::noise::Noise;
use crate::Tick;
use crate::ear::{Cut, Ending, Transmission};

const NUL: u8 = 0x00;
const LF: u8 = 0x0A;
const CR: u8 = 0x0D;
const DC1: u8 = 0x11;
const DC3: u8 = 0x13;
const DEL: u8 = 0x7F;

/// All bits of a byte.
pub(crate) const BITS: u8 = 0xFF;

/// Most bytes of one line.
pub const MAX_LINE: usize = 4_096;
/// Most bytes of one print.
pub const MAX_PRINT: usize = 64 * 1024;
/// Most lines of one print.
pub const MAX_LINES: usize = 512;

const BROKEN_LINE: &str = "the print stopped in the middle of a line";

/// What begins and ends a print, and what its bytes are. More than one rule may hold; the first to
/// come true ends it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PrintRules {
    /// So many blank lines in a row; 0: blank lines end nothing.
    pub blank_lines: u32,
    /// Silence of so many microseconds.
    pub silence: Tick,
    /// A line that begins with one of these opens a new print, and so ends the one before. Where
    /// there are any, a print that begins otherwise was not heard from its beginning.
    pub openers: Vec<Vec<u8>>,
    /// A line that begins with one of these is the last.
    pub closers: Vec<Vec<u8>>,
    /// A control character that opens a print, as an opener does.
    pub begins: Controls,
    /// A control character that ends a print.
    pub ends: Controls,
    /// A control character between the pages of a print: it ends a line and nothing else.
    pub pages: Controls,
    /// Only a last line or a control character ends a whole print; what ends otherwise was cut.
    pub must_end: bool,
    /// Every so many bytes are a line, which then has no end of its own; 0: line ends end lines.
    pub length: usize,
    /// The bits of each byte that are text.
    pub mask: u8,
    /// XON and XOFF are flow control, not text.
    pub flow: bool,
    /// A CR without LF goes back to print over the line.
    pub overprint: bool,
    /// What stands in the line for a printer alone.
    pub printer: Printer,
}

impl Default for PrintRules {
    /// Three seconds of silence, every bit of a byte, and nothing else that begins, ends or is left
    /// out.
    fn default() -> Self {
        Self {
            blank_lines: 0,
            silence: 3 * crate::SECOND,
            openers: Vec::new(),
            closers: Vec::new(),
            begins: Controls::default(),
            ends: Controls::default(),
            pages: Controls::default(),
            must_end: false,
            length: 0,
            mask: BITS,
            flow: false,
            overprint: false,
            printer: Printer::None,
        }
    }
}

/// What ended a print.
#[derive(Clone, Debug, PartialEq, Eq)]
enum By {
    /// Its last line or a control character.
    Mark,
    /// A blank line, silence, or the first line of the next.
    Pause,
    /// It was broken off: why.
    Break(&'static str),
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
    /// The print under way was opened by a control character.
    begun: bool,
    sequence: Sequence,
    /// The line end just heard, while its partner may follow.
    ended_by: Option<u8>,
    /// The last line ended with a CR that was not followed by LF.
    after_lone_cr: bool,
    /// A CR just heard that will print over the line, unless LF follows.
    returned: Option<u64>,
    /// Padding just heard behind a line's text, unless text follows on the same line.
    padding: Option<(u8, u64)>,
    last_heard: Tick,
    done: VecDeque<Transmission>,
    /// What was no print, until somebody asks.
    noise: Noise,
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
            begun: false,
            sequence: Sequence::default(),
            ended_by: None,
            after_lone_cr: false,
            returned: None,
            padding: None,
            last_heard: Tick::MIN,
            done: VecDeque::new(),
            noise: Noise::default(),
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
            self.hear(*byte & self.rules.mask, at + index as u64, flawed);
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
        self.break_off("the line was closed before the print ended");
    }

    /// Bytes were lost here: what was under way is cut.
    pub fn handle_gap(&mut self, now: Tick) {
        self.handle_timeout(now);
        self.break_off("bytes were lost before the print ended");
    }

    /// When [`Assembler::handle_timeout`] is wanted next.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<Tick> {
        let pause =
            if self.is_noise() { noise::PAUSE.min(self.rules.silence) } else { self.rules.silence };
        self.is_under_way().then(|| self.last_heard + pause)
    }

    /// What has ended, in order.
    pub fn poll_transmission(&mut self) -> Option<Transmission> {
        self.done.pop_front()
    }

    /// What came that was no print, since this was asked last.
    pub fn take_noise(&mut self) -> Noise {
        std::mem::take(&mut self.noise)
    }

    /// Nothing is under way and nothing waits to be taken.
    #[must_use]
    pub fn is_idle(&self) -> bool {
        !self.is_under_way() && self.done.is_empty()
    }

    /// A report has begun and not ended, by what a report begins with: a whole line, or the sign before it. A byte
    /// or a blank is none yet.
    #[must_use]
    pub fn is_begun(&self) -> bool {
        (self.begun || !self.lines.is_empty())
            && self.excess == (0, 0)
            && self.is_opened(&self.lines, self.begun)
    }

    /// Whether these lines are from the beginning of a report, or none is there yet to tell.
    fn is_opened(&self, lines: &[Cut], begun: bool) -> bool {
        let opened = self.rules.openers.is_empty()
            || lines.first().is_none_or(|line| begins(&line.bytes, &self.rules.openers));
        opened && (begun || self.rules.begins.is_empty())
    }

    fn is_under_way(&self) -> bool {
        !self.lines.is_empty()
            || !self.line.bytes.is_empty()
            || self.begun
            || self.sequence.is_open()
    }

    /// Noise is all that is under way, and what begins a print will tell whether the next one is heard from its
    /// beginning: without that the noise may be its first byte, spoiled, and only the silence parts them.
    fn is_noise(&self) -> bool {
        let told = !self.rules.openers.is_empty() || !self.rules.begins.is_empty();
        let open = self.begun || self.sequence.is_open() || self.excess != (0, 0);
        let last = Some(self.line.bytes.as_slice()).filter(|_| !self.line.is_blank());
        let lines = self.lines.iter().map(|line| line.bytes.as_slice()).chain(last);
        told && !open && noise::is_noise(lines)
    }

    fn hear(&mut self, byte: u8, at: u64, flawed: bool) {
        if flawed {
            // A marked byte may have been any: it ends and commands nothing.
            self.give_up_sequence();
            self.text(byte, at, true);
            return;
        }
        match self.sequence.hear(&self.rules.printer, byte, at) {
            Belongs::Inside => return,
            Belongs::Outside => {}
            Belongs::Broken => {
                self.give_up_sequence();
                return self.hear(byte, at, false);
            }
        }
        match byte {
            // Padding stands before or behind a line's text. A marked NUL is a break or spoiled.
            NUL | DEL => {
                if !self.line.bytes.is_empty() {
                    self.padding = Some((byte, at));
                }
            }
            DC1 | DC3 if self.rules.flow => {}
            CR | LF if self.rules.length > 0 => self.text(byte, at, false),
            CR if self.rules.overprint => self.carriage_return(at),
            CR | LF => self.line_end(byte),
            _ if self.rules.begins.has(byte) => {
                self.end_line(None);
                self.end_print(By::Break("a new report began before the end of this one"));
                self.begun = true;
            }
            _ if self.rules.ends.has(byte) => {
                let by = self.last_line_lacks_its_end();
                self.end_line(None);
                self.end_print(by.map_or(By::Mark, By::Break));
            }
            _ if self.rules.pages.has(byte) => {
                if !self.line.is_blank() {
                    self.line.flawed |= self.last_line_lacks_its_end().is_some();
                    self.end_line(Some(byte));
                }
                self.line = Line::default();
                (self.padding, self.returned) = (None, None);
            }
            _ => self.text(byte, at, false),
        }
    }

    /// Goes back over the line, unless it ends there.
    fn carriage_return(&mut self, at: u64) {
        if self.ended_by.take() != Some(LF) && !self.line.bytes.is_empty() {
            self.returned = Some(at);
        }
    }

    fn line_end(&mut self, byte: u8) {
        let partner = if byte == CR { LF } else { CR };
        if self.ended_by.take() == Some(partner) && !self.rules.overprint {
            self.after_lone_cr = false;
        } else {
            self.end_line(Some(byte));
            self.ended_by = Some(byte);
        }
    }

    /// Padding in the middle of a line is kept and marks it: there a byte was lost.
    fn text(&mut self, byte: u8, at: u64, flawed: bool) {
        self.ended_by = None;
        // Text goes on behind padding: a byte was lost or spoiled there, and is not read past.
        if let Some((lost, place)) = self.padding.take() {
            self.push(lost, place, true);
        }
        if let Some(place) = self.returned.take() {
            self.push(CR, place, false);
        }
        self.push(byte, at, flawed);
    }

    /// A sequence that is none is text.
    fn give_up_sequence(&mut self) {
        for (byte, at) in self.sequence.give_up() {
            self.text(byte, at, false);
        }
    }

    fn break_off(&mut self, why: &'static str) {
        self.give_up_sequence();
        self.end_line(None);
        self.end_print(By::Break(why));
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
        if self.rules.length > 0 && self.line.bytes.len() >= self.rules.length {
            self.end_line(Some(LF));
        }
    }

    /// Why the line under way is no whole line, whatever ends the print: where lines have a fixed length, blanks are
    /// part of it.
    fn last_line_lacks_its_end(&self) -> Option<&'static str> {
        (self.rules.length > 0 && !self.line.bytes.is_empty()).then_some(BROKEN_LINE)
    }

    /// Ends the line under way. `by`: its line end, if it has one.
    fn end_line(&mut self, by: Option<u8>) {
        (self.padding, self.returned) = (None, None);
        let line = std::mem::take(&mut self.line);
        let after_lone_cr = std::mem::replace(&mut self.after_lone_cr, by == Some(CR));
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
        if !self.lines.is_empty() && begins(&line.bytes, &self.rules.openers) {
            self.end_print(By::Pause);
        }
        if self.lines.len() >= MAX_LINES || self.bytes + line.bytes.len() > MAX_PRINT {
            self.excess.1 += 1;
            return;
        }
        self.bytes += line.bytes.len();
        // Without its line end it may have been longer: whatever broke it off ends the print.
        let last = by.is_some() && begins(&line.bytes, &self.rules.closers);
        self.lines.push(Cut { place, bytes: line.bytes, flawed: line.flawed });
        if last {
            self.end_print(By::Mark);
        }
    }

    fn blank_line(&mut self) {
        if self.lines.is_empty() {
            return;
        }
        self.blanks += 1;
        if self.rules.blank_lines > 0 && self.blanks >= self.rules.blank_lines {
            self.end_print(By::Pause);
        }
    }

    /// Silence ends a print, but a line that it leaves without an end was broken off.
    ///
    /// A line without its line end counts as broken off unless it is blank or a printer has gone back
    /// over it.
    fn silent(&mut self) {
        self.give_up_sequence();
        let whole = (self.line.is_blank() || self.returned.is_some())
            && self.last_line_lacks_its_end().is_none();
        self.end_line(None);
        self.end_print(if whole { By::Pause } else { By::Break(BROKEN_LINE) });
    }

    /// Says why it is cut where it is: too much in it, broken off, not begun by a first line, or not
    /// ended by a last.
    fn end_print(&mut self, by: By) {
        let lines = std::mem::take(&mut self.lines);
        let (bytes, beyond) = std::mem::take(&mut self.excess);
        let begun = std::mem::take(&mut self.begun);
        (self.bytes, self.blanks) = (0, 0);
        let Some(place) = lines.iter().map(|line| line.place).reduce(Place::join) else { return };
        if !begun && (bytes, beyond) == (0, 0) && self.noise.takes(&lines) {
            return;
        }
        let opened = self.is_opened(&lines, begun);
        let why = match by {
            By::Break(why) => Some(why),
            By::Pause if self.rules.must_end => Some("the end of the report was not heard"),
            _ if !opened => Some("the beginning of the report was not heard"),
            _ => None,
        };
        let ending = if bytes > 0 || beyond > 0 {
            Ending::Cut(format!(
                "more than a print may hold: {bytes} bytes and {beyond} lines were left out"
            ))
        } else {
            why.map_or(Ending::Complete, |why| Ending::Cut(why.to_owned()))
        };
        self.done.push_back(Transmission { place, lines, ending });
    }
}

/// Whether a line begins with one of these, blanks aside.
pub(crate) fn begins(line: &[u8], with: &[Vec<u8>]) -> bool {
    let start = line.iter().position(|byte| *byte != b' ').unwrap_or(0);
    let text = line.get(start..).unwrap_or(line);
    with.iter().any(|beginning| text.starts_with(beginning))
}
