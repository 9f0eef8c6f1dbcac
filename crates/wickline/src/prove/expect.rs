//! What each case should come to, by the strip file, the receiver's choice and the published codes.

use std::cmp::Ordering;
use std::collections::BTreeSet;
use std::fmt;

use serde::Serialize;

use super::sheet::{Pad, Rung};
use super::wishes::Wishes;

/// One result as a receiver reads it.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Obx {
    /// OBX-3.1.
    pub code: String,
    /// OBX-3.2.
    pub name: String,
    /// OBX-3.4: the other name that stands beside it.
    pub second: String,
    /// OBX-2.
    pub kind: String,
    /// A grade by its code or in words; a number with its comparator: `>=2400`.
    pub value: String,
    pub unit: String,
    pub flag: String,
    /// OBX-11.
    pub status: String,
}

impl fmt::Display for Obx {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Obx { code, second, kind, value, unit, flag, status, .. } = self;
        let parts = [code, second, kind, value, unit, flag, status];
        let parts: Vec<&str> =
            parts.into_iter().map(String::as_str).filter(|p| !p.is_empty()).collect();
        f.write_str(&parts.join(" "))
    }
}

/// What a case comes to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum End {
    Sent(Vec<Obx>),
    /// Control material: kept, never sent.
    Filed,
    /// The reasons.
    Held(BTreeSet<String>),
}

impl fmt::Display for End {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            End::Sent(list) => {
                let list: Vec<String> = list.iter().map(ToString::to_string).collect();
                f.write_str(&list.join(" | "))
            }
            End::Filed => f.write_str("filed, not sent"),
            End::Held(reasons) => {
                let reasons: Vec<&str> = reasons.iter().map(String::as_str).collect();
                write!(f, "held: {}", reasons.join(", "))
            }
        }
    }
}

impl Wishes {
    /// The results of a rung that was printed whole, beside a mark of this meaning, or what is wrong with
    /// the pad's codes.
    pub fn results(
        &self,
        pad: &Pad,
        rung: &Rung,
        printed_number: bool,
        mark: &str,
    ) -> Result<Vec<Obx>, String> {
        let system = usize::from(self.si);
        let ours = self.flag(pad, rung);
        // Ours by the site's reference, else what the analyzer marked.
        let found = ours.or_else(|| letter_of(mark)).unwrap_or("");
        let by_mark = ours.is_none();
        let both = rung.grade.is_some() && printed_number && rung.labels[system].is_some();
        let beside = both && self.grades == "beside";
        let flag = self.letter(pad, found, by_mark.then_some(mark), false, beside).to_owned();
        let number_flag = self.letter(pad, found, by_mark.then_some(mark), true, beside).to_owned();
        let number = rung.labels[system].as_ref().filter(|_| printed_number);
        let mut list = Vec::new();
        if let Some(grade) = &rung.grade
            && (self.grades != "never" || number.is_none())
        {
            list.push(Obx { flag, ..self.grade(pad, rung, grade)? });
        }
        if let (Some(label), Some(scale)) = (number, &pad.scales[system])
            && (self.grades != "only" || rung.grade.is_none())
        {
            list.push(Obx { flag: number_flag, ..self.number(pad, label, &scale.ucum)? });
        }
        if self.place(&pad.id).is_none() {
            list.clear();
        }
        Ok(list)
    }

    /// What stands of a flag on a grade, or on a number, that is `beside` the other. An interval speaks of
    /// the number; the analyzer's own mark keeps its letter.
    fn letter<'a>(
        &self,
        pad: &Pad,
        flag: &'a str,
        mark: Option<&str>,
        number: bool,
        beside: bool,
    ) -> &'a str {
        let reference = self.references.get(&pad.id);
        let graded = pad.rungs.iter().any(|rung| rung.grade.is_some());
        let numeric = match (mark, reference) {
            (Some(mark), _) => !graded || mark == "low" || mark == "high",
            (None, text) => text.is_some_and(|text| is_interval(pad, text)),
        };
        match (flag, number, mark.is_none()) {
            _ if beside && number != numeric && !self.flags_both => "",
            ("A", true, true) => "H",
            ("L" | "H", false, true) => "A",
            _ => flag,
        }
    }

    /// By the site's reference; an interval by the label of its unit, whichever was printed.
    fn flag(&self, pad: &Pad, rung: &Rung) -> Option<&'static str> {
        let reference = self.references.get(&pad.id)?;
        if let Some(measured) = &pad.measured {
            // No ladder has its number in the other system.
            return by_interval(pad, rung, reference, measured.system)?;
        }
        if is_interval(pad, reference) {
            return (0..2).find_map(|system| by_interval(pad, rung, reference, system))?;
        }
        let normal = if pad.kind == "nominal" {
            rung.grade.as_ref()? == reference
        } else {
            // Also of a rung that has a number alone.
            let own = pad.rungs.iter().position(|known| known == rung)?;
            own <= pad.rungs.iter().rposition(|known| known.grade.as_ref() == Some(reference))?
        };
        Some(if normal { "N" } else { "A" })
    }

    /// True when this mark beside this rung should hold the report.
    #[must_use]
    pub fn contradicts(&self, pad: &Pad, rung: &Rung, meaning: &str, strange: bool) -> bool {
        if !self.compare_marks {
            return false;
        }
        // A number in a unit that is not expected is on no rung; the grade beside it is.
        let lost = strange && rung.grade.is_none();
        let placed = pad.kind != "nominal" && pad.measured.is_none() && !lost;
        let own = pad.rungs.iter().position(|known| known == rung).filter(|_| placed);
        let beyond = own.and_then(|own| match meaning {
            "low" => pad.rungs.get(own + 1..),
            "high" => pad.rungs.get(..own),
            _ => None,
        });
        if beyond.is_some_and(|rungs| rungs.iter().all(|rung| rung.flag == "A")) {
            return true;
        }
        let ours = if self.references.contains_key(&pad.id) {
            if rung.flag == "policy" || lost { None } else { self.flag(pad, rung) }
        } else {
            Some(rung.flag.as_str()).filter(|f| matches!(*f, "N" | "A"))
        };
        matches!(
            (meaning, ours),
            ("normal", Some("A" | "L" | "H"))
                | ("abnormal", Some("N"))
                | ("low", Some("N" | "H"))
                | ("high", Some("N" | "L"))
        )
    }
}

/// Whether a reference is an interval: a grade may begin with a digit as well.
fn is_interval(pad: &Pad, reference: &str) -> bool {
    let grade = pad.rungs.iter().any(|rung| rung.grade.as_deref() == Some(reference));
    !grade && reference.starts_with(|c: char| c.is_ascii_digit())
}

/// A label without its comparator, and the comparator.
#[must_use]
pub fn cut(label: &str) -> (&str, &str) {
    let digits = label.trim_start_matches(['<', '>', '=']);
    (label.get(..label.len() - digits.len()).unwrap_or(""), digits)
}

/// Exact for every label with up to six decimals.
pub(super) fn thousandths(text: &str) -> Option<i64> {
    let (whole, part) = text.trim().split_once('.').unwrap_or((text.trim(), ""));
    if part.len() > 6 || whole.is_empty() {
        return None;
    }
    format!("{whole}{part:0<6}").parse().ok()
}

/// Of the interval that a reference has for this system, if it has one.
fn by_interval(
    pad: &Pad,
    rung: &Rung,
    reference: &str,
    system: usize,
) -> Option<Option<&'static str>> {
    let unit = &pad.scales[system].as_ref()?.ucum;
    let (low, high) = reference.split(',').find_map(|text| {
        let (low, rest) = text.split_once('-')?;
        let (high, of) = rest.trim().split_once(' ').unwrap_or((rest.trim(), ""));
        let mine = of.is_empty() || of.trim().eq_ignore_ascii_case(unit);
        Some((thousandths(low)?, thousandths(high)?)).filter(|_| mine)
    })?;
    Some(match &rung.labels[system] {
        Some(label) => interval(label, low, high),
        None if low == 0 => Some("N"),
        None => {
            let first = pad.rungs.iter().find_map(|rung| rung.labels[system].as_ref())?;
            interval(&format!("<{}", cut(first).1), low, high)
        }
    })
}

/// The letter of table 0078 for what a mark means.
fn letter_of(mark: &str) -> Option<&'static str> {
    let marks = [("normal", "N"), ("abnormal", "A"), ("low", "L"), ("high", "H")];
    marks.iter().find(|(meaning, _)| *meaning == mark).map(|(_, flag)| *flag)
}

fn interval(label: &str, low: i64, high: i64) -> Option<&'static str> {
    let (sign, digits) = cut(label);
    if let Some((from, to)) = digits.split_once('-') {
        let (from, to) = (thousandths(from)?, thousandths(to)?);
        return match () {
            () if to < low => Some("L"),
            () if from > high => Some("H"),
            () => (from >= low && to <= high).then_some("N"),
        };
    }
    let value = thousandths(digits)?;
    match (sign, value.cmp(&low), value.cmp(&high)) {
        // No concentration is below nothing.
        ("<" | "<=", _, Ordering::Less | Ordering::Equal) if low == 0 => Some("N"),
        ("", Ordering::Less, _) => Some("L"),
        ("", _, Ordering::Greater) => Some("H"),
        ("", ..) => Some("N"),
        ("<", Ordering::Less | Ordering::Equal, _) | ("<=", Ordering::Less, _) => Some("L"),
        (">", _, Ordering::Greater | Ordering::Equal) | (">=", _, Ordering::Greater) => Some("H"),
        _ => None,
    }
}
