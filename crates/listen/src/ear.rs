//! One ear for every kind of line: whatever is heard becomes transmissions, cut into lines.
//!
//! It is used for reading, never for answering: what the LIS01 machine would send is thrown away,
//! and every frame counts as kept, because what is read here comes from the tape.
//!
//! Reading the tape twice gives the same transmissions twice: they depend on bytes, marks and times alone, not on
//! how the bytes were cut into reads. [`Ear::is_idle`] is what makes a restart safe: only such a place is kept as
//! the position from which reading goes on.

#[cfg(test)]
mod tests;
mod whole;

use std::collections::VecDeque;

use wickline_normalize::Place;

use crate::Tick;
use crate::dialect::{Dialect, LinkKind};
use crate::link;
use crate::printed::{Assembler, Noise};

pub use self::whole::hear;

/// Longer than any silence that ends a report.
const SILENCE: Tick = 3_600_000_000;

/// Most records of one message, and most bytes; a longer one is cut there and goes on as another.
const MAX_RECORDS: usize = 4_096;
const MAX_BYTES: usize = 2 << 20;

/// Something with a beginning and an end: one printed report, or one LIS02 message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Transmission {
    /// From its first to its last byte on the tape.
    pub place: Place,
    /// In order; at least one.
    pub lines: Vec<Cut>,
    /// Whether it is known to be whole.
    pub ending: Ending,
}

/// One line or record as heard, without its line end.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Cut {
    /// From its first to its last byte on the tape.
    pub place: Place,
    /// As heard, padding, flow control and printer commands apart; in the analyzer's own encoding.
    pub bytes: Vec<u8>,
    /// It holds bytes that the port marked, or more than a line may hold.
    pub flawed: bool,
}

/// How a transmission ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Ending {
    /// It ended as the dialect says that it ends.
    Complete,
    /// Broken off: why, as a sentence without its full stop.
    Cut(String),
}

/// Hears one line of one analyzer.
pub struct Ear {
    way: Way,
}

/// By what the dialect's link is.
enum Way {
    Framed(Box<Framed>),
    Printed(Box<Assembler>),
}

impl Ear {
    /// An ear for lines on which this dialect is spoken.
    #[must_use]
    pub fn new(dialect: &dyn Dialect) -> Self {
        let way = match dialect.link() {
            LinkKind::Lis01 => Way::Framed(Box::default()),
            LinkKind::Printed(rules) => Way::Printed(Box::new(Assembler::new(rules))),
        };
        Self { way }
    }

    /// Takes what was heard: `at` is the place of the first byte, `flaws` the indexes of bytes that
    /// the port marked, in rising order.
    pub fn handle_input(&mut self, now: Tick, bytes: &[u8], at: u64, flaws: &[usize]) {
        match &mut self.way {
            Way::Framed(framed) => {
                framed.link.handle_input(now, bytes, at, flaws);
                framed.pump(now);
            }
            Way::Printed(assembler) => assembler.handle_input(now, bytes, at, flaws),
        }
    }

    /// Fires every deadline that has passed.
    pub fn handle_timeout(&mut self, now: Tick) {
        match &mut self.way {
            Way::Framed(framed) => {
                framed.link.handle_timeout(now);
                framed.pump(now);
            }
            Way::Printed(assembler) => assembler.handle_timeout(now),
        }
    }

    /// The line closed: what was under way is cut.
    pub fn handle_closed(&mut self, now: Tick) {
        match &mut self.way {
            Way::Framed(framed) => {
                framed.link.handle_closed(now);
                framed.pump(now);
            }
            Way::Printed(assembler) => assembler.handle_closed(now),
        }
    }

    /// Bytes were lost here.
    ///
    /// What was under way is cut; what comes next is heard as a beginning.
    pub fn handle_gap(&mut self, now: Tick) {
        match &mut self.way {
            Way::Framed(framed) => {
                framed.link.handle_gap(now);
                framed.pump(now);
            }
            Way::Printed(assembler) => assembler.handle_gap(now),
        }
    }

    /// Nothing more comes: the silence that ends what is under way, each deadline at its own time. The time after it.
    pub fn fall_silent(&mut self, now: Tick) -> Tick {
        let (mut time, most) = (now, now.saturating_add(SILENCE));
        while let Some(deadline) = self.poll_timeout().filter(|deadline| *deadline < most) {
            time = deadline.max(time + 1);
            self.handle_timeout(time);
        }
        time
    }

    /// When [`Ear::handle_timeout`] is wanted next.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<Tick> {
        match &self.way {
            Way::Framed(framed) => framed.link.poll_timeout(),
            Way::Printed(assembler) => assembler.poll_timeout(),
        }
    }

    /// What has ended, in order.
    pub fn poll_transmission(&mut self) -> Option<Transmission> {
        match &mut self.way {
            Way::Framed(framed) => framed.done.pop_front(),
            Way::Printed(assembler) => assembler.poll_transmission(),
        }
    }

    /// What came that was nothing of the kind, since this was asked last. Between frames the link passes over it.
    pub fn take_noise(&mut self) -> Noise {
        match &mut self.way {
            Way::Framed(_) => Noise::default(),
            Way::Printed(assembler) => assembler.take_noise(),
        }
    }

    /// Nothing is under way and nothing waits to be taken: whoever starts reading the tape at this
    /// place loses nothing.
    #[must_use]
    pub fn is_idle(&self) -> bool {
        match &self.way {
            Way::Framed(framed) => {
                framed.link.is_idle() && framed.lines.is_empty() && framed.done.is_empty()
            }
            Way::Printed(assembler) => assembler.is_idle(),
        }
    }
}

/// Records on their way to become a message from H to L.
///
/// An H opens a message and an L ends it; the end of the session ends it as well, cut. A message
/// without H is kept: its records belong to a person.
#[derive(Default)]
struct Framed {
    link: link::Receiver,
    lines: Vec<Cut>,
    bytes: usize,
    done: VecDeque<Transmission>,
}

impl Framed {
    /// What the machine would answer is dropped; every frame counts as kept, for it came from the tape.
    fn pump(&mut self, now: Tick) {
        let mut unsent = Vec::new();
        while let Some(event) = self.link.poll_event() {
            match event {
                link::Event::Keep { .. } => self.link.confirm(now, true),
                link::Event::Record { bytes, place } => self.record(bytes, place),
                link::Event::SessionClosed { why } => {
                    // An acknowledged record may count as delivered at the far end: never dropped.
                    self.end(Ending::Cut(format!("{why} before the message was complete")));
                }
                link::Event::SessionOpened
                | link::Event::Dropped { .. }
                | link::Event::Refused { .. }
                | link::Event::Flawed { .. } => {}
            }
        }
        self.link.poll_transmit(&mut unsent);
    }

    fn record(&mut self, bytes: Vec<u8>, place: Place) {
        let kind = bytes.first().map(u8::to_ascii_uppercase);
        if kind == Some(b'H') {
            self.end(Ending::Cut("a new header came before the end of this message".into()));
        } else if self.lines.len() >= MAX_RECORDS || self.bytes + bytes.len() > MAX_BYTES {
            self.end(Ending::Cut(format!(
                "the message is longer than {MAX_RECORDS} records or {MAX_BYTES} bytes"
            )));
        }
        self.bytes += bytes.len();
        self.lines.push(Cut { place, bytes, flawed: false });
        if kind == Some(b'L') {
            self.end(Ending::Complete);
        }
    }

    /// Nothing is told where nothing was heard.
    fn end(&mut self, ending: Ending) {
        let lines = std::mem::take(&mut self.lines);
        self.bytes = 0;
        let places = lines.iter().map(|line| line.place);
        if let Some(place) = places.reduce(Place::join) {
            self.done.push_back(Transmission { place, lines, ending });
        }
    }
}
