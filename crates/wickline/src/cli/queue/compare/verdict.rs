//! How one result that was told stands to the one that was filed.

use serde::Serialize;
use wickline_normalize::{Figure, units};

use super::filed::Filed;
use crate::acts::holdings::Held;

/// In one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    Agrees,
    Differs,
    /// Told, and not in the file.
    NotFiled,
    /// Two lines of the table for one result, which say different things.
    Twice,
    /// Withdrawn, and there as if it were valid.
    StillFiled,
    /// There under an order of ours, and never told by us.
    NotSent,
    /// Of an order that is none of ours.
    NotOurs,
}

impl Verdict {
    pub const ALL: [Verdict; 7] = [
        Verdict::Agrees,
        Verdict::Differs,
        Verdict::NotFiled,
        Verdict::Twice,
        Verdict::StillFiled,
        Verdict::NotSent,
        Verdict::NotOurs,
    ];

    pub fn text(self) -> &'static str {
        match self {
            Verdict::Agrees => "agree",
            Verdict::Differs => "differ",
            Verdict::NotFiled => "not filed",
            Verdict::Twice => "filed twice",
            Verdict::StillFiled => "withdrawn and still filed",
            Verdict::NotSent => "filed and never told",
            Verdict::NotOurs => "of other orders",
        }
    }
}

/// In what a filed result differs from the one that was told. A column that the export does not have is not
/// compared.
pub fn differences(told: &Held, filed: &Filed) -> Vec<&'static str> {
    let mut differs = Vec::new();
    if !same_value(told, filed) {
        differs.push("value");
    }
    if filed.unit.as_ref().is_some_and(|u| units::fold(u) != units::fold(&told.line.unit)) {
        differs.push("unit");
    }
    if filed.flag.as_ref().is_some_and(|f| *f != told.line.flag) {
        differs.push("flag");
    }
    // What was corrected may be filed as final: that it is there is what counts.
    let unread = |status: &str| status == "X";
    if filed.status.as_ref().is_some_and(|s| unread(s) != unread(told.status)) {
        differs.push("status");
    }
    differs
}

/// A number is the same with other zeros at its end, never with another comparator. An unread pad has no value.
fn same_value(told: &Held, filed: &Filed) -> bool {
    if told.status == "X" {
        return filed.values.is_empty();
    }
    let same = |ours: &String, theirs: &String| {
        let number = |text: &str| Figure::read(text).map(|f| (f.comparator, f.value()));
        match (number(ours), number(theirs)) {
            (Some(ours), Some(theirs)) => ours == theirs,
            _ => ours == theirs,
        }
    };
    told.forms.iter().any(|ours| filed.values.iter().any(|theirs| same(ours, theirs)))
}

/// Withdrawn, deleted or marked as wrong (HL7 table 0085).
pub fn taken_back(filed: &Filed) -> bool {
    matches!(filed.status.as_deref(), Some("W" | "D" | "X"))
}

pub fn ours(told: &Held) -> String {
    let doubt = if told.doubtful { " (not sure that it has it)" } else { "" };
    let line = &told.line;
    let back = if told.status == "W" { "withdrawn: " } else { "" };
    let text = format!("{back}{} {} {}", line.value, line.unit, line.flag);
    format!("{}{doubt}", text.split_whitespace().collect::<Vec<_>>().join(" "))
}

pub fn theirs(filed: &Filed) -> String {
    let part = |text: &Option<String>| text.clone().unwrap_or_default();
    let value = filed.values.first().cloned().unwrap_or_default();
    let text = format!("{value} {} {}", part(&filed.unit), part(&filed.flag));
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}
