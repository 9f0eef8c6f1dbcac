//! Noise: a few bytes alone of which none can be read, as a plug that is drawn makes them.

use std::fmt;

use crate::Tick;
use crate::ear::Cut;

/// Most bytes that stand alone and are noise; more of them may be a print at a wrong speed. Our own choice.
const MOST: usize = 8;

/// After so long a pause noise is over, and what comes then is no part of it. Our own choice: many times what lies
/// between two bytes of one print (a few milliseconds at 1200 baud, a tenth of a second where they come by network),
/// and less than what lies between a plug and the next strip. It drops nothing that can be read, and a print is
/// only read behind it where the dialect knows what a print begins with: one that lost its first byte here does
/// not begin so.
pub(super) const PAUSE: Tick = 300_000;

/// How often bytes came that are no print, and how many they were. They are on the tape like all others.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Noise {
    /// How often.
    pub bursts: u64,
    /// In all of them.
    pub bytes: u64,
}

impl Noise {
    /// There was none.
    #[must_use]
    pub fn is_none(&self) -> bool {
        self.bursts == 0
    }

    /// Counts what another counted.
    pub fn add(&mut self, more: Noise) {
        self.bursts = self.bursts.saturating_add(more.bursts);
        self.bytes = self.bytes.saturating_add(more.bytes);
    }

    /// Counts the lines of a print that is none. False: it may be a part of a result, and is a print.
    pub(super) fn takes(&mut self, lines: &[Cut]) -> bool {
        let noise = is_noise(lines.iter().map(|line| line.bytes.as_slice()));
        if noise {
            let bytes: usize = lines.iter().map(|line| line.bytes.len()).sum();
            self.add(Noise { bursts: 1, bytes: u64::try_from(bytes).unwrap_or(u64::MAX) });
        }
        noise
    }
}

/// Whether these lines are a few bytes of which none can be read.
pub(super) fn is_noise<'a>(lines: impl Iterator<Item = &'a [u8]>) -> bool {
    let mut bytes = 0;
    for line in lines {
        bytes += line.len();
        if bytes > MOST || can_be_read(line) {
            return false;
        }
    }
    bytes > 0
}

impl fmt::Display for Noise {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = |n: u64| if n == 1 { "" } else { "s" };
        write!(
            f,
            "{} byte{} in {} burst{}",
            self.bytes,
            word(self.bytes),
            self.bursts,
            word(self.bursts)
        )
    }
}

/// A letter, a digit or a sign of ASCII, or a letter in UTF-8. In the code pages of one byte no word and no number is
/// of bytes above 7F alone.
fn can_be_read(bytes: &[u8]) -> bool {
    bytes.iter().any(u8::is_ascii_graphic)
        || str::from_utf8(bytes).is_ok_and(|text| text.chars().any(char::is_alphanumeric))
}
