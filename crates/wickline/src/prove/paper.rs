//! The proof on paper: a CSV that a spreadsheet cannot be harmed by, and what changed since an old one.

use std::collections::BTreeMap;

use super::Row;
use super::facts::{Fact, Facts};
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

/// The table as CSV: the cases, then what they speak of, `what` as the pad, `place` as the rung.
#[must_use]
pub fn csv(rows: &[Row], facts: &Facts, fingerprint: &str) -> String {
    let mut text = line(&HEAD.map(str::to_owned));
    for row in rows {
        text.push_str(&line(&row.cells(fingerprint)));
    }
    for (n, fact) in (1..).zip(facts.list()) {
        text.push_str(&line(&fact_cells(n, &fact, fingerprint)));
    }
    text
}

fn fact_cells(n: usize, fact: &Fact, fingerprint: &str) -> [String; 14] {
    let mut cells: [String; 14] = Default::default();
    let filled = [
        (CASE, &format!("fact/{n}")),
        (WHAT, &fact.what),
        (PLACE, &fact.place),
        (CLASS, &FACT.to_owned()),
        (VALUE, &fact.value),
        (13, &fingerprint.to_owned()),
    ];
    for (at, text) in filled {
        if let Some(cell) = cells.get_mut(at) {
            cell.clone_from(text);
        }
    }
    cells
}

/// What stands as the class of a row that is no case.
const FACT: &str = "fact";
/// Where the cells of such a row stand.
const CASE: usize = 0;
const WHAT: usize = 2;
const PLACE: usize = 3;
const CLASS: usize = 6;
const VALUE: usize = 7;

/// One case that is not as it was.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Change {
    pub case: String,
    /// `changed`, `appeared` or `vanished`.
    pub how: &'static str,
    /// Each column that changed: its name, before, now.
    pub columns: Vec<(&'static str, String, String)>,
}

/// What differs from an old proof.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Comparison {
    pub cases: Vec<Change>,
    /// Each changed fact in words; None: the old proof is from a time when it carried none.
    pub facts: Option<Vec<String>>,
}

impl Comparison {
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.cases.is_empty() && self.facts.as_ref().is_none_or(Vec::is_empty)
    }
}

/// What differs from an old table. The error says why the old one is none.
pub fn compare(old: &str, rows: &[Row], facts: &Facts) -> Result<Comparison, String> {
    let (mut before, was) = table(old)?;
    let mut cases = Vec::new();
    for row in table(&csv(rows, &Facts::default(), ""))?.0.into_values() {
        let case = cell(&row, CASE);
        let Some(was) = before.remove(&case) else {
            cases.push(Change { case, how: "appeared", columns: Vec::new() });
            continue;
        };
        let columns: Vec<_> = TOLD
            .into_iter()
            .filter(|n| cell(&was, *n) != cell(&row, *n))
            .map(|n| (HEAD[n], cell(&was, n), cell(&row, n)))
            .collect();
        if !columns.is_empty() {
            cases.push(Change { case, how: "changed", columns });
        }
    }
    let gone = before.into_keys();
    cases.extend(gone.map(|case| Change { case, how: "vanished", columns: Vec::new() }));
    let facts = (!was.is_empty()).then(|| facts.changes(&was));
    Ok(Comparison { cases, facts })
}

/// Rows of a proof's CSV by their case, and its facts.
fn table(text: &str) -> Result<(BTreeMap<String, Vec<String>>, Facts), String> {
    let mut rows = lines(text)?.into_iter();
    if rows.next().is_none_or(|head| !head.iter().map(String::as_str).eq(HEAD)) {
        return Err(format!("it does not begin with the head of a proof: {}", HEAD.join(",")));
    }
    let (mut table, mut facts) = (BTreeMap::new(), Facts::default());
    for row in rows {
        if row.len() != HEAD.len() {
            return Err(format!("a row of {} cells; a proof has {}", row.len(), HEAD.len()));
        }
        if cell(&row, CLASS) == FACT {
            let (what, place) = (cell(&row, WHAT), cell(&row, PLACE));
            facts.add(Fact { what, place, value: cell(&row, VALUE) });
            continue;
        }
        let case = cell(&row, CASE);
        if table.insert(case.clone(), row).is_some() {
            return Err(format!("case {case} stands in it twice"));
        }
    }
    Ok((table, facts))
}

fn cell(row: &[String], n: usize) -> String {
    row.get(n).cloned().unwrap_or_default()
}
