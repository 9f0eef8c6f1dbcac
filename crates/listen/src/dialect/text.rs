//! From a transmission's bytes to text, and from its lines to the lines of a report.
//!
//! A kept report is read again from its lines, which are UTF-8 whatever the analyzer sent: that is why valid UTF-8 is
//! taken as such before the dialect's encoding is asked.

use std::borrow::Cow;

use wickline_normalize::{Hold, Private, RawLine, Reason};

use super::codepage::{Encoding, UNDEFINED, reader};
use crate::ear::{Cut, Ending, Transmission};

const BS: char = '\u{8}';
const CR: char = '\r';

/// One line as text.
pub(super) struct Line<'t> {
    pub text: Cow<'t, str>,
    /// Its bytes were valid.
    pub valid: bool,
    /// It is of printable ASCII alone, as nearly every line is.
    pub plain: bool,
}

/// Every line as text.
///
/// UTF-8 if the whole transmission is valid UTF-8, else the encoding throughout: text of a code page
/// is next to never valid UTF-8 by chance, and a kept print, which is UTF-8, can be read again. What
/// is not valid stays visible as U+FFFD.
pub(super) fn decode(transmission: &Transmission, encoding: Encoding) -> Vec<Line<'_>> {
    let mut lines = Vec::with_capacity(transmission.lines.len());
    for cut in &transmission.lines {
        let Ok(text) = str::from_utf8(&cut.bytes) else {
            return decode_by(transmission, encoding);
        };
        let plain = is_plain(&cut.bytes);
        let valid = plain || !text.contains(UNDEFINED);
        lines.push(Line { text: Cow::Borrowed(text), valid, plain });
    }
    lines
}

fn decode_by(transmission: &Transmission, encoding: Encoding) -> Vec<Line<'_>> {
    let read = reader(encoding);
    let line = |cut| {
        let text = match encoding {
            Encoding::Utf8 => String::from_utf8_lossy(cut),
            _ => Cow::Owned(read(cut)),
        };
        let valid = !text.contains(UNDEFINED);
        Line { text, valid, plain: false }
    };
    transmission.lines.iter().map(|cut| line(&cut.bytes)).collect()
}

/// No early end, so that many bytes are looked at in one step.
fn is_plain(bytes: &[u8]) -> bool {
    bytes.iter().fold(true, |plain, byte| plain & (0x20..0x7F).contains(byte))
}

/// ISO 8859-1 is the first 256 characters of Unicode.
pub(super) fn latin1(bytes: &[u8]) -> String {
    bytes.iter().copied().map(char::from).collect()
}

/// What printing over a line leaves on the paper: a carriage return goes back to the first column, a
/// backspace one column. A blank leaves no ink and the same letter twice is bold; None: two letters
/// stand in one place.
pub(super) fn overprint(text: &str) -> Option<String> {
    let mut paper: Vec<char> = Vec::with_capacity(text.len());
    let mut column = 0_usize;
    for letter in text.chars() {
        match letter {
            CR => column = 0,
            BS => column = column.saturating_sub(1),
            '\t' => return None,
            _ => {
                match paper.get_mut(column) {
                    None => paper.push(letter),
                    Some(ink) if *ink == ' ' => *ink = letter,
                    Some(ink) if *ink == letter || letter == ' ' => {}
                    Some(_) => return None,
                }
                column += 1;
            }
        }
    }
    Some(paper.into_iter().collect())
}

/// Whether a line was printed over.
pub(super) fn is_overprinted(text: &str) -> bool {
    text.bytes().any(|byte| matches!(byte, 0x08 | b'\r'))
}

/// The first control character that is no part of a text.
pub(super) fn control(text: &str) -> Option<char> {
    text.chars().find(|letter| letter.is_control() && *letter != '\t')
}

/// As the report keeps it: decoded, with its place.
pub(super) fn raw_line(cut: &Cut, text: &str) -> RawLine {
    RawLine { place: cut.place, text: Private::new(text) }
}

/// The doubt that a marked line raises.
pub(super) fn flaw(line: usize) -> Hold {
    let detail = "bytes of this line arrived with a parity or framing error, or it was too long";
    Hold::new(Reason::LineError, detail).at(line)
}

/// The doubt that a broken-off transmission raises. Its detail is the reason alone, so that a kept
/// report can be read again from its doubts.
pub(super) fn cut(ending: &Ending) -> Option<Hold> {
    match ending {
        Ending::Complete => None,
        Ending::Cut(why) => Some(Hold::new(Reason::Incomplete, why.clone())),
    }
}

/// A text field that is there.
pub(super) fn given(text: &str) -> Option<&str> {
    Some(trimmed(text)).filter(|text| !text.is_empty())
}

/// What stands between the signs.
#[expect(
    clippy::manual_pattern_char_comparison,
    reason = "most pieces are a few letters, too few for a search by many bytes at once to gain"
)]
pub(super) fn apart(text: &str, sign: char) -> impl Iterator<Item = &str> {
    text.split(move |letter| letter == sign)
}

/// Without blanks at its ends. Nearly every text has ink there, which its first and last byte tell.
pub(super) fn trimmed(text: &str) -> &str {
    match text.as_bytes() {
        [] => text,
        [only] if only.is_ascii_graphic() => text,
        [first, .., last] if first.is_ascii_graphic() && last.is_ascii_graphic() => text,
        _ => text.trim(),
    }
}

#[cfg(test)]
mod tests {
    use super::overprint;

    #[test]
    fn the_same_letter_twice_is_bold_and_a_blank_leaves_no_ink() {
        for (text, paper) in [
            ("GLU 2+\rGLU 2+", Some("GLU 2+")),
            ("GLU 2+\r       *", Some("GLU 2+ *")),
            ("G\u{8}GL\u{8}LU\u{8}U", Some("GLU")),
            ("µ 5\r  5", Some("µ 5")),
            ("GLU 2+\rGLU 3+", None),
            ("GLU 2+\u{8}-", None),
            ("GLU\t2+\rGLU", None),
            ("\u{8}\u{8}A", Some("A")),
        ] {
            assert_eq!(overprint(text).as_deref(), paper, "{text:?}");
        }
    }
}
