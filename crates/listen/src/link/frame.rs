//! One frame: how it is written, and how it is collected byte by byte.

use wickline_normalize::Place;

use super::MAX_FRAME_TEXT;
use super::sign::{CR, ETB, ETX, LF, STX};
use crate::Tick;

/// The sum of all bytes from the frame number through ETB or ETX, modulo 256 (NCCLS LIS1-A 6.3.3).
///
/// ```
/// use wickline_listen::link::checksum;
///
/// // The terminator record of the sixth frame, from the number through ETX.
/// assert_eq!(checksum(b"6L|1|N\r\x03"), 0x09);
/// ```
#[must_use]
pub fn checksum(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, byte| sum.wrapping_add(*byte))
}

/// Writes one frame: STX, number, text, ETX or ETB, checksum, CR, LF.
///
/// `number` is taken modulo 8; `last` says ETX, else ETB. The text is not looked at: whoever writes it
/// keeps the control characters of [`super::sign`] out of it.
#[must_use]
pub fn frame(number: u8, text: &[u8], last: bool) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(text.len() + 7);
    bytes.push(STX);
    bytes.push(b'0' + number % 8);
    bytes.extend_from_slice(text);
    bytes.push(if last { ETX } else { ETB });
    let sum = checksum(bytes.get(1..).unwrap_or_default());
    bytes.extend_from_slice(format!("{sum:02X}").as_bytes());
    bytes.extend_from_slice(&[CR, LF]);
    bytes
}

/// How far a frame has come.
///
/// In the order of the frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stage {
    /// The STX is in; the number comes next.
    Number,
    /// Text until ETX or ETB.
    Text,
    /// The high half of the checksum.
    FirstDigit,
    /// The low half.
    SecondDigit,
    /// The checksum is in: LF, or half a second without one, completes the frame.
    Tail,
}

/// A frame while it is heard.
#[derive(Debug)]
pub(super) struct Collecting {
    pub stage: Stage,
    /// The byte in the number's place, whatever it is.
    pub number: u8,
    /// Without number and checksum, 63,993 bytes at most.
    pub text: Vec<u8>,
    /// There was more text than a frame may hold.
    pub too_long: bool,
    /// The port marked one of its bytes.
    pub flawed: bool,
    /// Closed by ETX: the record ends with it.
    pub last: bool,
    /// From STX to the byte heard last.
    pub place: Place,
    /// Where the first byte of text stands on the tape.
    pub text_at: u64,
    /// What came last: an ENQ before silence was an enquiry.
    pub last_byte: u8,
    /// When that came: silence is counted from it.
    pub last_heard: Tick,
    /// The sum of what came, through ETX or ETB.
    sum: u8,
    /// The sum that the frame says; None: no digits.
    said: Option<u8>,
}

impl Collecting {
    /// At its STX; `at` is that byte's place.
    pub fn start(now: Tick, at: u64, flawed: bool) -> Self {
        Self {
            stage: Stage::Number,
            number: 0,
            text: Vec::new(),
            too_long: false,
            flawed,
            last: false,
            place: Place { from: at, to: at + 1 },
            text_at: at + 2,
            last_byte: STX,
            last_heard: now,
            sum: 0,
            said: None,
        }
    }

    /// Takes one byte that is neither STX nor EOT. True: the frame is complete and can be judged.
    pub fn push(&mut self, now: Tick, byte: u8, at: u64, flawed: bool) -> bool {
        self.place.to = at + 1;
        if self.stage == Stage::Tail {
            return byte == LF;
        }
        self.last_byte = byte;
        self.last_heard = now;
        self.flawed |= flawed;
        match self.stage {
            Stage::Number => {
                self.number = byte;
                self.text_at = at + 1;
                self.sum = byte;
                self.stage = Stage::Text;
            }
            Stage::Text => {
                self.sum = self.sum.wrapping_add(byte);
                if byte == ETX || byte == ETB {
                    self.last = byte == ETX;
                    self.stage = Stage::FirstDigit;
                } else if self.text.len() < MAX_FRAME_TEXT {
                    self.text.push(byte);
                } else {
                    self.too_long = true;
                }
            }
            Stage::FirstDigit => {
                self.said = hex(byte).map(|digit| digit << 4);
                self.stage = Stage::SecondDigit;
            }
            Stage::SecondDigit => {
                self.said = self.said.zip(hex(byte)).map(|(high, low)| high | low);
                self.stage = Stage::Tail;
            }
            Stage::Tail => {}
        }
        false
    }

    /// The frame number, if the byte in its place is one.
    pub fn number(&self) -> Option<u8> {
        matches!(self.number, b'0'..=b'7').then(|| self.number - b'0')
    }

    /// False as well where the digits were none.
    pub fn sum_is_right(&self) -> bool {
        self.said == Some(self.sum)
    }
}

/// Standard senders write 0-9 A-F; lower case is taken as well.
fn hex(byte: u8) -> Option<u8> {
    char::from(byte).to_digit(16).and_then(|digit| u8::try_from(digit).ok())
}
