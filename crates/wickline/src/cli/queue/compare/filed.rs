//! What a receiver says that it filed: its own export, as HL7 messages or as a table with a heading. Each result
//! becomes one record, whatever form it was read from.

use std::io::Read;
use std::path::Path;

use super::super::super::Failure;
use super::{messages, table};
use crate::clock::{SiteClock, moment_of};
use wickline_forward::hl7::SpecimenIn;
use wickline_normalize::Moment;

/// The largest export that is read.
const BYTES_MAX: u64 = 64 << 20;
/// The most results of one export.
const ROWS_MAX: usize = 500_000;

/// One result as the receiver has it. None: its export does not say.
#[derive(Clone, Debug, Default)]
pub struct Filed {
    /// Where it stands in the file: a row, or a message and its OBX.
    pub place: String,
    /// The numbers that its order goes by; ours may be any of them.
    pub orders: Vec<String>,
    pub specimen: Option<String>,
    /// OBR-2: a number of theirs, or a specimen id.
    pub placer: Option<String>,
    /// The names of the result, any of which may be ours.
    pub codes: Vec<String>,
    /// OBX-4; empty in a table.
    pub sub_id: String,
    /// Everything that its value says: a number, or a grade's codes and texts. Empty: no value.
    pub value: Vec<Part>,
    /// Numbers may be written with a decimal comma.
    pub comma: bool,
    pub unit: Option<Vec<String>>,
    pub flag: Option<Vec<String>>,
    pub status: Option<String>,
    /// Microseconds since 1970.
    pub time: Option<i64>,
    /// MSH-10.
    pub control_id: Option<String>,
}

/// One thing that a value says.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Part {
    pub text: String,
    pub is_code: bool,
    /// Whose code it is; empty: nobody says.
    pub system: String,
}

impl Part {
    pub fn text(text: String) -> Self {
        Self { text, ..Self::default() }
    }
}

/// What is known of an export before it is read.
pub struct Form<'a> {
    /// Which of its columns is which: `order=Accession`.
    pub columns: &'a [String],
    /// Where the receiver was told the specimen id.
    pub specimen_in: SpecimenIn,
    pub clock: &'a SiteClock,
}

pub fn read(path: &Path, form: &Form<'_>) -> Result<Vec<Filed>, Failure> {
    let at = |why: String| Failure::wrong(format!("{}: {why}", path.display()));
    let mut bytes = Vec::new();
    let file = std::fs::File::open(path).map_err(|e| at(e.to_string()))?;
    file.take(BYTES_MAX + 1).read_to_end(&mut bytes).map_err(|e| at(e.to_string()))?;
    if u64::try_from(bytes.len()).unwrap_or(u64::MAX) > BYTES_MAX {
        return Err(at(format!("more than {} MiB; give one day at a time", BYTES_MAX >> 20)));
    }
    let filed = of_bytes(&bytes, form).map_err(at)?;
    if filed.is_empty() {
        return Err(at("it holds no result".into()));
    }
    if filed.len() > ROWS_MAX {
        return Err(at(format!("more than {ROWS_MAX} results; give one day at a time")));
    }
    Ok(filed)
}

fn of_bytes(bytes: &[u8], form: &Form<'_>) -> Result<Vec<Filed>, String> {
    if bytes.contains(&0) {
        return Err("it holds zero bytes, as UTF-16 does; save it as UTF-8 (\"CSV UTF-8\")".into());
    }
    if messages::split(bytes).next().is_some() {
        if let Some(column) = form.columns.first() {
            return Err(format!("it holds HL7 messages, and `--column {column}` is for a table"));
        }
        return messages::read(bytes, form);
    }
    if bytes.starts_with(b"FHS|") || bytes.starts_with(b"BHS|") {
        return Err("it holds the head of a batch and no message (MSH)".into());
    }
    table::read(bytes, form)
}

/// A time as HL7 writes it (`20260302091500+0100`) or as people do (`2026-03-02 09:15`); where it has no offset,
/// by the site's clock. None: it is none, or not one alone.
pub fn time(text: &str, clock: &SiteClock) -> Option<i64> {
    // Fractions of a second go: what is in one second is not put in order.
    let (head, rest) = text.trim().split_once('.').unwrap_or((text.trim(), ""));
    let rest = rest.trim_start_matches(|c: char| c.is_ascii_digit());
    let text = format!("{head}{rest}").replacen(' ', "T", 1).replace('Z', "+00:00");
    let moment = Moment::from_digits(&text).or_else(|| moment_of(&text))?;
    clock.us(moment)
}

/// An id without what a spreadsheet puts around it: `'00012345`, `="00012345"`.
pub fn bare(text: &str) -> &str {
    let text = text.trim();
    let quoted = text.strip_prefix("=\"").and_then(|rest| rest.strip_suffix('"'));
    quoted.unwrap_or(text.strip_prefix('\'').unwrap_or(text)).trim()
}

#[cfg(test)]
mod tests {
    use super::{bare, time};
    use crate::clock::SiteClock;

    #[test]
    fn times_are_read_in_both_ways_of_writing_them_or_not_at_all() {
        let lisbon = SiteClock::new("Europe/Lisbon").expect("a zone of the tz database");
        let read = |text: &str| time(text, &lisbon).map(|us| lisbon.rfc3339(us));
        for text in [
            "20260302091500",
            "20260302091500+0000",
            "20260302101500.1234+0100",
            "2026-03-02 09:15:00",
            "2026-03-02 09:15",
            "2026-03-02T09:15:00Z",
            "2026-03-02T09:15:00.5Z",
        ] {
            assert_eq!(read(text).as_deref(), Some("2026-03-02T09:15:00+00:00"), "{text}");
        }
        for text in ["", "09:15", "20260302", "2026-03-02", "2.3.2026 09:15", "20261025013000"] {
            assert_eq!(read(text), None, "{text}");
        }
    }

    #[test]
    fn a_spreadsheets_dress_comes_off_an_id() {
        for text in ["00012345", " 00012345 ", "'00012345", "=\"00012345\""] {
            assert_eq!(bare(text), "00012345", "{text}");
        }
    }
}
