//! Noise: a few bytes alone of which none can be read, as a plug that is drawn makes them.

use std::fmt;

use crate::ear::Cut;

/// Most bytes that stand alone and are noise; more of them may be a print at a wrong speed. Our own choice.
const MOST: usize = 8;

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
        let bytes: usize = lines.iter().map(|line| line.bytes.len()).sum();
        let noise = bytes <= MOST && !lines.iter().any(|line| can_be_read(&line.bytes));
        if noise {
            self.add(Noise { bursts: 1, bytes: u64::try_from(bytes).unwrap_or(u64::MAX) });
        }
        noise
    }
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
