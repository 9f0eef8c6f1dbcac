//! The proof on paper: a CSV that a spreadsheet cannot be harmed by, and what changed since an old one.

use std::collections::BTreeMap;

use super::Row;
use crate::csv::{line, lines};

/// The columns of the CSV.
pub const HEAD: [&str; 14] = [
    "case",
    "strip",
    "pad",
    "rung",
    "units",
    "mark",
    "class",
    "printed",
    "expected",
    "sent",
    "answered",
    "verdict",
    "remark",
    "fingerprint",
];

/// Columns whose change is told, with their places.
const TOLD: [usize; 4] = [7, 8, 9, 11];

impl Row {
    /// What the message said, in words.
    #[must_use]
    pub fn sent_text(&self) -> String {
        self.sent.as_ref().map(ToString::to_string).unwrap_or_default()
    }

    fn cells(&self, fingerprint: &str) -> [String; 14] {
        [
            self.case.clone(),
            self.strip.clone(),
            self.pad.clone(),
            self.rung.clone(),
            self.units.clone(),
            self.mark.clone(),
            self.class.clone(),
            self.printed.clone(),
            self.expected.to_string(),
            self.sent_text(),
            self.answered.clone(),
            self.verdict.word().to_owned(),
            self.remark.clone(),
            fingerprint.to_owned(),
        ]
    }
}

/// The table as CSV.
#[must_use]
pub fn csv(rows: &[Row], fingerprint: &str) -> String {
    let mut text = line(&HEAD.map(str::to_owned));
    for row in rows {
        text.push_str(&line(&row.cells(fingerprint)));
    }
    text
}

/// One case that is not as it was.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Change {
    pub case: String,
    /// `changed`, `appeared` or `vanished`.
    pub how: &'static str,
    /// Each column that changed: its name, before, now.
    pub columns: Vec<(&'static str, String, String)>,
}

/// What differs from an old table. The error says why the old one is none.
pub fn compare(old: &str, rows: &[Row]) -> Result<Vec<Change>, String> {
    let mut before = table(old)?;
    let mut changes = Vec::new();
    for row in table(&csv(rows, ""))?.into_values() {
        let case = row.first().cloned().unwrap_or_default();
        let Some(was) = before.remove(&case) else {
            changes.push(Change { case, how: "appeared", columns: Vec::new() });
            continue;
        };
        let cell = |row: &[String], n: usize| row.get(n).cloned().unwrap_or_default();
        let columns: Vec<_> = TOLD
            .into_iter()
            .filter(|n| cell(&was, *n) != cell(&row, *n))
            .map(|n| (HEAD[n], cell(&was, n), cell(&row, n)))
            .collect();
        if !columns.is_empty() {
            changes.push(Change { case, how: "changed", columns });
        }
    }
    let gone = before.into_keys();
    changes.extend(gone.map(|case| Change { case, how: "vanished", columns: Vec::new() }));
    Ok(changes)
}

/// Rows of a proof's CSV by their case.
fn table(text: &str) -> Result<BTreeMap<String, Vec<String>>, String> {
    let mut rows = lines(text)?.into_iter();
    if rows.next().is_none_or(|head| !head.iter().map(String::as_str).eq(HEAD)) {
        return Err(format!("it does not begin with the head of a proof: {}", HEAD.join(",")));
    }
    let mut table = BTreeMap::new();
    for row in rows {
        if row.len() != HEAD.len() {
            return Err(format!("a row of {} cells; a proof has {}", row.len(), HEAD.len()));
        }
        let case = row.first().cloned().unwrap_or_default();
        if table.insert(case.clone(), row).is_some() {
            return Err(format!("case {case} stands in it twice"));
        }
    }
    Ok(table)
}
