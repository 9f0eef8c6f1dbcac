//! What each field of a record was taken for (NCCLS LIS2-A2 clauses 6 to 12).
//!
//! This names what [`super`] reads and decides nothing: it serves people who look at a capture.

use crate::dialect::anatomy::{self, LineAnatomy};
use crate::dialect::codepage::Encoding;
use crate::dialect::text::decode;
use crate::ear::Transmission;

use super::record::Delimiters;

/// Fields of which something is read; every other one is read past.
const READ: &[(char, usize, &str)] = &[
    ('H', 5, "sender"),
    ('H', 12, "processing"),
    ('H', 14, "date"),
    ('P', 3, "patient"),
    ('P', 4, "patient"),
    ('P', 5, "patient"),
    ('P', 6, "patient"),
    ('P', 8, "patient"),
    ('P', 9, "patient"),
    ('O', 3, "specimen"),
    ('O', 4, "number"),
    ('O', 5, "strip"),
    ('O', 6, "priority"),
    ('O', 8, "date"),
    ('O', 12, "action"),
    ('O', 26, "status"),
    ('R', 3, "label"),
    ('R', 4, "value"),
    ('R', 5, "unit"),
    ('R', 7, "mark"),
    ('R', 9, "status"),
    ('R', 11, "operator"),
    ('R', 12, "date"),
    ('R', 13, "date"),
    ('C', 4, "comment"),
    ('L', 3, "ending"),
];

pub(super) fn anatomy(transmission: &Transmission) -> Vec<LineAnatomy> {
    let mut delimiters = Delimiters::default();
    let texts = decode(transmission, Encoding::Latin1);
    let records = texts.iter().enumerate();
    records
        .map(|(index, line)| {
            let text: &str = &line.text;
            let kind = text.chars().next().unwrap_or(' ').to_ascii_uppercase();
            if kind == 'H' {
                delimiters = Delimiters::read(text).unwrap_or_default();
            }
            if !"HPORCLQMS".contains(kind) {
                return anatomy::line(index, text, &[], "not understood");
            }
            let found: Vec<(&str, &'static str)> = numbered(kind, text, delimiters.field)
                .filter_map(|(n, f)| read(kind, n, f))
                .collect();
            anatomy::line(index, text, &found, "ignored")
        })
        .collect()
}

fn read(kind: char, number: usize, field: &str) -> Option<(&str, &'static str)> {
    let (.., what) = READ.iter().find(|(k, n, _)| (*k, *n) == (kind, number))?;
    Some((field, what))
}

/// The fields by their numbers. A header's second holds the delimiters, and is not cut by them.
fn numbered(kind: char, text: &str, delimiter: char) -> impl Iterator<Item = (usize, &str)> {
    let header = kind == 'H';
    let fields = text.split(delimiter).enumerate();
    // `H|\^&|..` is cut right behind its H: the field behind that is the second.
    fields.map(move |(n, field)| (n + 1, field)).filter(move |(n, _)| !header || *n > 2)
}
