//! Check characters that an analyzer prints over its lines, so that a byte that was lost or spoiled is noticed.
//!
//! A sum of bytes modulo 256, as LIS01-A2 6.3.3 has it for its frames, or their exclusive or, as the sentences of NMEA
//! 0183 have it; two hexadecimal digits either way. Both give the same whatever the order, so that a line end, which
//! is no part of a line's text, can be counted with it.

use crate::link::checksum;

/// How a print is checked.
#[derive(Clone, Debug)]
pub(super) struct Check {
    pub kind: Kind,
    pub place: Place,
    /// Control characters that are counted with each line, as its line end.
    pub with: Vec<u8>,
}

/// How bytes are put together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Add,
    Xor,
}

/// Where the check characters stand.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Place {
    /// At the end of each line, behind this sign, which may be counted; empty: behind nothing.
    EachLine { behind: String, counted: bool },
    /// In a line of their own that begins so, over the lines above it.
    OwnLine(String),
}

/// Every kind by its name in a dialect file.
pub(super) const KINDS: &[(&str, Kind)] = &[("add", Kind::Add), ("xor", Kind::Xor)];

impl Check {
    /// What the bytes of a line come to, with those that are counted beside them.
    pub fn of(&self, line: &[u8]) -> u8 {
        self.kind.join(self.kind.over(line), self.kind.over(&self.with))
    }

    /// What is counted of a line, and the characters at its end. None: there are none.
    pub fn split<'t>(&self, line: &'t str) -> Option<(&'t str, &'t str)> {
        let Place::EachLine { behind, counted } = &self.place else { return None };
        let line = line.trim_ascii_end();
        let (body, digits) = line.split_at_checked(line.len().checked_sub(2)?)?;
        let bare = body.strip_suffix(behind.as_str())?;
        value(digits)?;
        Some((if *counted { body } else { bare }, digits))
    }

    /// What of a line is there to be read, once its check characters are known.
    pub fn rest<'t>(&self, counted: &'t str) -> &'t str {
        match &self.place {
            Place::EachLine { behind, counted: true } => {
                counted.strip_suffix(behind.as_str()).unwrap_or(counted)
            }
            _ => counted,
        }
    }

    /// The characters of a line of their own. None: it is another line.
    pub fn own<'t>(&self, line: &'t str) -> Option<&'t str> {
        let Place::OwnLine(begins) = &self.place else { return None };
        Some(line.trim_ascii().strip_prefix(begins.as_str())?.trim_ascii())
    }
}

impl Check {
    /// Lines with their check characters, as the analyzer prints them; `sent` gives a text's bytes.
    pub fn printed(&self, lines: Vec<String>, sent: impl Fn(&str) -> Vec<u8>) -> Vec<String> {
        let mut sum = 0;
        let print = |line: String| match &self.place {
            Place::EachLine { behind, counted } => {
                let body = if *counted { format!("{line}{behind}") } else { line.clone() };
                format!("{line}{behind}{:02X}", self.of(&sent(&body)))
            }
            Place::OwnLine(begins) => match self.own(&line) {
                Some(_) => format!("{begins} {:02X}", std::mem::take(&mut sum)),
                None => {
                    sum = self.kind.join(sum, self.of(&sent(&line)));
                    line
                }
            },
        };
        lines.into_iter().map(print).collect()
    }
}

impl Kind {
    fn over(self, bytes: &[u8]) -> u8 {
        match self {
            Kind::Add => checksum(bytes),
            Kind::Xor => bytes.iter().fold(0, |sum, byte| sum ^ byte),
        }
    }

    /// Of two texts what both together come to.
    pub fn join(self, one: u8, other: u8) -> u8 {
        match self {
            Kind::Add => one.wrapping_add(other),
            Kind::Xor => one ^ other,
        }
    }
}

/// What two hexadecimal digits say.
pub(super) fn value(digits: &str) -> Option<u8> {
    let all = digits.len() == 2 && digits.bytes().all(|digit| digit.is_ascii_hexdigit());
    all.then(|| u8::from_str_radix(digits, 16).ok())?
}

#[cfg(test)]
mod tests {
    use super::{Check, Kind, Place, value};

    fn check(kind: Kind, behind: &str, counted: bool, with: &[u8]) -> Check {
        let place = Place::EachLine { behind: behind.to_owned(), counted };
        Check { kind, place, with: with.to_vec() }
    }

    /// The frames of `fixtures/listen/checksums.txt`, each without its STX as a line that ends with CR, or with
    /// nothing, and ETX or ETB.
    #[test]
    fn sums_agree_with_frames_of_other_programs() {
        let vectors = include_str!("../../../../fixtures/listen/checksums.txt");
        let mut looked = 0;
        for line in vectors.lines().filter(|line| !line.starts_with('#')) {
            let byte = |word| u8::from_str_radix(word, 16).expect("hex");
            let bytes: Vec<u8> = line.split(' ').map(byte).collect();
            let body = &bytes[1..bytes.len() - 4];
            let ends = body.iter().rev().take_while(|byte| **byte < 0x20).count();
            let (text, with) = body.split_at(body.len() - ends);
            let digits = str::from_utf8(&bytes[bytes.len() - 4..bytes.len() - 2]).expect("digits");
            assert_eq!(Some(check(Kind::Add, "", false, with).of(text)), value(digits), "{line}");
            looked += 1;
        }
        assert!(looked >= 10, "{looked} frames");
    }

    /// Two sentences as examples of NMEA 0183 print them everywhere: the exclusive or of what stands between `$` and
    /// `*` (from memory, and computed once more by another program).
    #[test]
    fn the_exclusive_or_agrees_with_published_sentences() {
        for line in [
            "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
            "GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
        ] {
            let check = check(Kind::Xor, "*", false, &[]);
            let (counted, digits) = check.split(line).expect("it has check characters");
            assert_eq!(Some(check.of(counted.as_bytes())), value(digits), "{line}");
        }
    }

    #[test]
    fn what_stands_at_the_end_of_a_line_and_what_is_counted() {
        let (bare, sign) = (check(Kind::Add, "", false, &[]), check(Kind::Add, "*", true, &[]));
        assert_eq!(bare.split("NIT NEG E5  "), Some(("NIT NEG ", "E5")));
        assert_eq!(sign.split("NIT NEG*e5"), Some(("NIT NEG*", "e5")));
        assert_eq!(sign.rest("NIT NEG*"), "NIT NEG");
        for line in ["NIT NEG", "NIT NEG*", "NIT NEG*E", "*+5", "", "E", "NIT NEG E5", "µµ"] {
            assert_eq!(sign.split(line), None, "{line}");
        }
    }
}
