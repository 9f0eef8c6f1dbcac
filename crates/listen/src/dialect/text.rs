//! From a transmission's bytes to text, and from its lines to the lines of a report.

use std::borrow::Cow;

use wickline_normalize::{Hold, Private, RawLine, Reason};

use crate::ear::{Cut, Ending, Transmission};

/// What bytes above 7F mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Encoding {
    /// UTF-8; what is not valid stays visible as U+FFFD and the line is marked.
    Utf8,
    /// UTF-8 if the whole transmission is valid UTF-8, else ISO 8859-1 throughout: the text of one
    /// is never valid in the other by chance, and a kept print, which is UTF-8, can be read again.
    Latin1,
}

/// Every line as text, and whether the bytes of each were valid.
pub(super) fn decode(transmission: &Transmission, encoding: Encoding) -> Vec<(Cow<'_, str>, bool)> {
    let lines = transmission.lines.iter();
    let whole: Option<Vec<_>> = lines
        .clone()
        .map(|cut| str::from_utf8(&cut.bytes).ok().map(|t| (t.into(), true)))
        .collect();
    match (whole, encoding) {
        (Some(lines), _) => lines,
        (None, Encoding::Latin1) => lines.map(|cut| (latin1(&cut.bytes).into(), true)).collect(),
        (None, Encoding::Utf8) => {
            let lossy = |cut| {
                let text = String::from_utf8_lossy(cut);
                let valid = matches!(text, Cow::Borrowed(_));
                (text, valid)
            };
            lines.map(|cut| lossy(&cut.bytes)).collect()
        }
    }
}

/// ISO 8859-1 is the first 256 characters of Unicode.
pub(super) fn latin1(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| char::from(*byte)).collect()
}

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
    Some(text.trim()).filter(|text| !text.is_empty())
}
