//! What an answer means for the message that it answers, and for those behind it.
//!
//! Three questions decide: was it accepted; if not, is the content wrong (a person must look, the next goes on), the
//! header (every message would be refused, so the queue stops), or neither (the same bytes later)? Which codes mean
//! which is a ruling of ours, on the ground of table 0357; any AR or CR that says nothing of it counts as busy.

use crate::hl7::{Ack, AckCode, AckError};

/// The most characters of a receiver's own words that are kept.
pub const DETAIL_MAX: usize = 500;

/// What becomes of a message. `detail` is the receiver's own words: they may quote a patient, so
/// they belong in the ledger and before a person, never in a log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Done.
    Accepted,
    /// This message's content is refused: it needs a person, the next goes on.
    RefusedError {
        /// The receiver's words, [`DETAIL_MAX`] characters at most.
        detail: String,
    },
    /// The header is refused: every later message would be too, so the queue stops.
    RefusedReject {
        /// The receiver's words, [`DETAIL_MAX`] characters at most.
        detail: String,
    },
    /// Nothing is wrong with the message: the same bytes again, later.
    Busy {
        /// The receiver's words, [`DETAIL_MAX`] characters at most.
        detail: String,
    },
}

/// Table 0357, the rejections that speak of the header: message type, event, processing id, version.
const HEADER: [&str; 4] = ["200", "201", "202", "203"];
/// Rejections by family that speak of content: unknown key, duplicate key.
const CONTENT: [&str; 2] = ["204", "205"];

/// Judges an answer by its code and, for a rejection, by what the receiver says is wrong (HL7 v2.5.1
/// section 2.9.2; IHE ITI TF-2 appendix C for the errors that are not to be sent again).
///
/// Warnings and information beside a code decide nothing.
#[must_use]
pub fn verdict(ack: &Ack) -> Verdict {
    let detail = || detail(ack);
    match ack.code {
        AckCode::Aa | AckCode::Ca => Verdict::Accepted,
        AckCode::Ae | AckCode::Ce => Verdict::RefusedError { detail: detail() },
        AckCode::Ar | AckCode::Cr => {
            let faults = || ack.errors.iter().filter(|e| e.is_fault());
            let coded = |codes: &[&str], e: &AckError| codes.contains(&e.code.as_str());
            if faults().any(|e| coded(&HEADER, e) || in_header(e)) {
                Verdict::RefusedReject { detail: detail() }
            } else if faults().any(|e| coded(&CONTENT, e)) {
                Verdict::RefusedError { detail: detail() }
            } else {
                Verdict::Busy { detail: detail() }
            }
        }
    }
}

fn in_header(error: &AckError) -> bool {
    error
        .location
        .strip_prefix("MSH")
        .is_some_and(|rest| rest.chars().next().is_none_or(|c| !c.is_ascii_alphanumeric()))
}

/// The receiver's own words on one line, bounded, with no raw control character.
fn detail(ack: &Ack) -> String {
    let mut parts = Vec::new();
    if !ack.text.is_empty() {
        parts.push(ack.text.clone());
    }
    parts.extend(ack.errors.iter().map(told));
    let said = if parts.is_empty() { "gives no reason".to_owned() } else { parts.join("; ") };
    bounded(&format!("{}: {said}", ack.code.text()))
}

/// Code and text, where it is, and what the receiver wrote for people.
fn told(error: &AckError) -> String {
    let mut told = [error.code.as_str(), error.text.as_str()].join(" ").trim().to_owned();
    if !error.location.is_empty() {
        told = format!("{told} at {}", error.location).trim().to_owned();
    }
    if !error.words.is_empty() {
        told =
            if told.is_empty() { error.words.clone() } else { format!("{told}: {}", error.words) };
    }
    told
}

/// At most [`DETAIL_MAX`] characters; control and invisible formatting characters escaped.
fn bounded(text: &str) -> String {
    let mut shown = String::new();
    let mut left = DETAIL_MAX - 3;
    for c in text.chars() {
        let piece: String = match c {
            ' ' => " ".into(),
            c if c.is_control() || c.is_whitespace() || is_unseen(c) => {
                c.escape_default().collect()
            }
            c => c.into(),
        };
        let length = piece.chars().count();
        if length > left {
            return shown + "...";
        }
        left -= length;
        shown.push_str(&piece);
    }
    shown
}

/// Marks that turn the direction of writing or cannot be seen: they could disguise what was said.
fn is_unseen(c: char) -> bool {
    matches!(c, '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}')
}

#[cfg(test)]
mod tests;
