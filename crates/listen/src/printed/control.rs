//! Control characters by their names (ISO/IEC 6429, ASCII), as dialect files call them.

/// Every name, in the order of the codes from 00.
pub(crate) const NAMES: [&str; 32] = [
    "NUL", "SOH", "STX", "ETX", "EOT", "ENQ", "ACK", "BEL", "BS", "HT", "LF", "VT", "FF", "CR",
    "SO", "SI", "DLE", "DC1", "DC2", "DC3", "DC4", "NAK", "SYN", "ETB", "CAN", "EM", "SUB", "ESC",
    "FS", "GS", "RS", "US",
];

/// A set of control characters.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Controls(u32);

impl Controls {
    /// Takes one in; bytes that are no control characters are left out.
    pub fn insert(&mut self, byte: u8) {
        self.0 |= 1_u32.checked_shl(u32::from(byte)).unwrap_or(0);
    }

    /// False for every byte from 20 on.
    #[must_use]
    pub fn has(self, byte: u8) -> bool {
        1_u32.checked_shl(u32::from(byte)).is_some_and(|bit| self.0 & bit != 0)
    }

    /// True when nothing was taken in.
    #[must_use]
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }
}

/// The code of a control character. None: no name of one.
#[must_use]
pub(crate) fn code(name: &str) -> Option<u8> {
    NAMES.iter().position(|known| *known == name).and_then(|place| u8::try_from(place).ok())
}

/// The name of a control character, for a person.
#[must_use]
pub fn name(letter: char) -> String {
    let place = usize::try_from(u32::from(letter)).unwrap_or(usize::MAX);
    match NAMES.get(place) {
        Some(name) => (*name).to_owned(),
        None if letter == '\u{7f}' => "DEL".to_owned(),
        None => format!("U+{place:04X}"),
    }
}
