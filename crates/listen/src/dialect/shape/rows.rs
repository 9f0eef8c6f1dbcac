//! How a dialect file says that a line holds more than one thing, or that a reading is told by its place.

use wickline_normalize::sheet::{Keys, Spot};
use wickline_normalize::words::quote;

use super::forms::twofold;
use super::load::{MAX_COLUMN, one_of, sign_of};
use crate::dialect::calendar::Calendar;
use crate::dialect::entry::{CELLS, Cell};
use crate::dialect::form::Form;
use crate::dialect::record::{Apart, Record, Table};

/// Fields of a record with a form of their own at most, and fields by their widths.
const MAX_FIELDS: usize = 40;
const MAX_WIDTHS: usize = 200;

/// The table `record`, where it is given. `length` is that of a line without an end.
pub(super) fn record(root: &Keys<'_, '_>, calendar: &Calendar, length: usize) -> Option<Record> {
    let keys = root.table("record")?;
    let apart = if keys.has("widths") { widths(&keys, length) } else { sign(&keys) };
    let mut fields = Vec::new();
    for text in keys.texts("fields") {
        match Form::of(&text.value, calendar) {
            Ok(forms) => {
                twofold(&keys, "fields", &text, &forms, calendar);
                fields.push(forms);
            }
            Err(allowed) => keys.fault(text.at, "fields", quote(&text.value), allowed),
        }
    }
    if fields.len() > MAX_FIELDS {
        let found = format!("{} forms", fields.len());
        keys.fault(keys.place("fields"), "fields", found, format!("at most {MAX_FIELDS}"));
    }
    let heading = keys.texts("heading").into_iter().map(|name| name.value).collect();
    keys.close();
    Some(Record { apart: apart?, fields, heading })
}

/// The sign between fields.
fn sign(keys: &Keys<'_, '_>) -> Option<Apart> {
    let (quoted, _) = (keys.switch("quoted"), keys.numbers("widths", 0));
    let split = keys.needed("split", ",")?;
    let sign = sign_of(&split.value);
    if sign.is_none() {
        let allowed = "\"tab\" or one sign such as \",\" or \";\"";
        keys.fault(split.at, "split", quote(&split.value), allowed);
    }
    Some(Apart::Sign { sign: sign?, quoted })
}

/// How many characters each field has.
fn widths(keys: &Keys<'_, '_>, length: usize) -> Option<Apart> {
    let fault = |found: String, allowed: &str| {
        keys.fault(keys.place("widths"), "widths", found, allowed);
    };
    let (_, _) = (keys.text("split"), keys.switch("quoted"));
    if let Some(other) = ["split", "quoted"].into_iter().find(|key| keys.has(key)) {
        fault(format!("{other} beside it"), "a sign between the fields, or their widths, not both");
    }
    let widths = keys.numbers("widths", MAX_COLUMN);
    let widths: Vec<usize> =
        widths.iter().filter_map(|width| usize::try_from(width.value).ok()).collect();
    if widths.is_empty() || widths.len() > MAX_WIDTHS || widths.contains(&0) {
        let allowed =
            format!("1 to {MAX_WIDTHS} widths in characters, each from 1 to {MAX_COLUMN}");
        let found = if widths.contains(&0) {
            "a width of 0".to_owned()
        } else {
            format!("{} widths", widths.len())
        };
        fault(found, &allowed);
    }
    let sum: usize = widths.iter().sum();
    if length > 0 && sum != length {
        fault(format!("{sum} characters"), &format!("widths that add up to line.length, {length}"));
    }
    Some(Apart::Widths { widths, exact: length > 0 })
}

/// The labels of readings that have none, in the order in which they come.
pub(super) fn order(keys: &Keys<'_, '_>) -> Vec<String> {
    let labels = keys.texts("order");
    for (n, label) in labels.iter().enumerate() {
        let twice = labels.iter().take(n).any(|other| other.value == label.value);
        let found =
            if twice { format!("{} twice", quote(&label.value)) } else { quote(&label.value) };
        if twice || !label.value.contains(char::is_alphabetic) {
            keys.fault(label.at, "order", found, "each label once, as the strip knows it");
        }
    }
    labels.into_iter().map(|label| label.value).collect()
}

/// Readings in columns that are headed once.
pub(super) fn table(keys: &Keys<'_, '_>) -> Option<Table> {
    let headed = keys.text("headed");
    let rows: Vec<(String, Cell)> = keys
        .pairs("rows")
        .into_iter()
        .filter_map(|(word, cell): (Spot<String>, Spot<String>)| {
            Some((word.value, one_of(keys, "rows", &cell, CELLS)?))
        })
        .collect();
    let blank: Vec<String> = keys.texts("blank").into_iter().map(|word| word.value).collect();
    let Some(headed) = headed else {
        if !rows.is_empty() || !blank.is_empty() {
            let allowed = "headed = \"PADS\" beside them: how the line begins that names the pads";
            keys.fault(keys.at, "headed", "nothing, beside rows or blank", allowed);
        }
        return None;
    };
    // Asked for, so that the fault is this one and not that there is no such key.
    let _ = (keys.texts("cells"), keys.tables("columns"));
    let alone = ["cells", "columns", "next", "order", "entry_sign", "entry_width"];
    if let Some(other) = alone.into_iter().find(|key| keys.has(key)) {
        let found = format!("{other} beside it");
        keys.fault(headed.at, "headed", found, "split and rows alone");
    }
    let says = |wanted: &[Cell]| rows.iter().any(|(_, cell)| wanted.contains(cell));
    if says(&[Cell::Label]) || !says(&[Cell::Result, Cell::Grade, Cell::Value]) {
        let allowed =
            "a result, a grade or a value among the rows, and no label: headed names them";
        keys.fault(keys.place("rows"), "rows", "rows that make no result", allowed);
    }
    let all = || rows.iter().map(|(word, _)| word).chain([&headed.value]);
    let alike = |word: &String| all().filter(|other| other.starts_with(word.as_str())).count() > 1;
    if let Some(word) = all().find(|word| alike(word)) {
        let found = format!("{}, which another line begins with", quote(word));
        keys.fault(keys.place("rows"), "rows", found, "words that tell the lines apart");
    }
    let split = keys.text("split");
    let sign = match split.as_ref().map(|split| split.value.as_str()) {
        Some("blanks") => None,
        text => {
            let sign = text.and_then(sign_of);
            if sign.is_none() {
                let found = text.map_or("nothing".to_owned(), quote);
                let allowed = "\"blanks\", \"tab\" or one sign such as \";\"";
                keys.fault(keys.place("split"), "split", found, allowed);
            }
            sign
        }
    };
    Some(Table { headed: headed.value, rows, blank, sign })
}
