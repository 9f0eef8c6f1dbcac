//! What makes two prints one run: class, number, specimen, day, time and readings, and nothing that
//! only says how they were carried (message times, sequence numbers, the mark of a repeat).
//!
//! Two prints with one identity are a repeat: kept, linked, never sent twice. Whatever differs in a way that
//! could matter to a patient makes another identity, so that a doubt ends before a person and not in a chart.

use crate::class::Class;
use crate::report::{PrintedReading, Private, Report, Status};

/// A text that is equal for two prints of the same run on the same analyzer. The printed specimen
/// id is part of it: the same number under another id is no repeat, a person must look.
pub(crate) fn of(report: &Report, class: Class, day: &str) -> String {
    let mut text = String::with_capacity(64 + 24 * report.readings.len());
    text.push_str(class.code());
    field(&mut text, '|', report.number.as_deref().unwrap_or(""));
    field(&mut text, '|', report.specimen.as_ref().map_or("", Private::expose));
    field(&mut text, '|', day);
    field(&mut text, '|', &report.taken.map(|t| t.digits()).unwrap_or_default());
    for reading in &report.readings {
        field(&mut text, '|', &reading.label);
        for part in reading.parts.iter().map(|p| p.trim()).filter(|p| !p.is_empty()) {
            field(&mut text, '=', part);
        }
        field(&mut text, ' ', reading.unit.as_deref().unwrap_or(""));
        // Nothing where a value is printed once, so that what was kept before stays what it was.
        if let Some(second) = &reading.second {
            field(&mut text, '=', &second.value);
            field(&mut text, ' ', &second.unit);
        }
        field(&mut text, '!', reading.mark.as_ref().map_or("", |m| m.text.as_str()));
        match reading.status {
            Status::Final => {}
            Status::Unread => text.push_str(";unread"),
            Status::Correction => text.push_str(";correction"),
            Status::NotFinal(code) => field(&mut text, ';', code.encode_utf8(&mut [0; 4])),
        }
    }
    let mut doubts: Vec<&str> = report.doubts.iter().map(|d| d.reason.code()).collect();
    doubts.sort_unstable();
    doubts.dedup();
    for doubt in doubts {
        field(&mut text, '?', doubt);
    }
    text
}

/// The part of an identity that says day, time and readings: what is left when the same strip is sent
/// again under another class or specimen.
pub(crate) fn run(identity: &str) -> &str {
    let mut escaped = false;
    let mut bars = identity.char_indices().filter(|(_, letter)| {
        let bar = *letter == '|' && !escaped;
        escaped = *letter == '\\' && !escaped;
        bar
    });
    // Class, number and specimen stand before the third bar.
    bars.nth(2).and_then(|(at, _)| identity.get(at..)).unwrap_or(identity)
}

/// Appends a field so that no printed text can pass for two fields.
fn field(text: &mut String, before: char, value: &str) {
    text.push(before);
    for letter in value.chars() {
        if matches!(letter, '\\' | '|' | '=' | ' ' | '!' | ';' | '?') {
            text.push('\\');
        }
        text.push(letter);
    }
}

/// True when two printed readings say the same; on which line they stand does not count.
pub(crate) fn same_reading(a: &PrintedReading, b: &PrintedReading) -> bool {
    let mark = |r: &PrintedReading| r.mark.as_ref().map(|m| m.text.clone());
    a.label == b.label
        && a.parts == b.parts
        && a.unit == b.unit
        && a.second == b.second
        && a.status == b.status
        && a.taken == b.taken
        && mark(a) == mark(b)
}
