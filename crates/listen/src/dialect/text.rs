//! From a transmission's bytes to text, and from its lines to the lines of a report.

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
pub(super) fn decode(transmission: &Transmission, encoding: Encoding) -> Vec<(String, bool)> {
    let utf8 = |cut: &Cut| std::str::from_utf8(&cut.bytes).map(str::to_owned).ok();
    let valid: Option<Vec<String>> = transmission.lines.iter().map(utf8).collect();
    match (valid, encoding) {
        (Some(lines), _) => lines.into_iter().map(|line| (line, true)).collect(),
        (None, Encoding::Latin1) => {
            transmission.lines.iter().map(|cut| (latin1(&cut.bytes), true)).collect()
        }
        (None, Encoding::Utf8) => {
            let lossy = |cut: &Cut| {
                let text = String::from_utf8_lossy(&cut.bytes);
                let valid = matches!(text, std::borrow::Cow::Borrowed(_));
                (text.into_owned(), valid)
            };
            transmission.lines.iter().map(lossy).collect()
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
