//! One reading: as printed, as understood, and what its parts say each by itself.

use serde::{Deserialize, Serialize};

use crate::figure::Figure;
use crate::observation::Flag;
use crate::references::Reference;
use crate::report::{Mark, PrintedReading, SecondValue, Status, Text};
use crate::strip::Pad;
use crate::units::Units;
use crate::words::quote;

/// Parts of one printed result at most.
const PARTS: usize = 4;

/// One pad of one report, as printed and as understood.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reading {
    /// As the print names the pad.
    pub label: String,
    /// As printed, part by part.
    pub printed: Printed,
    /// The unit system that the number was printed in.
    pub units: Units,
    /// None: the label is not known.
    pub analyte: Option<String>,
    /// The rung, where the print names exactly one.
    pub rung: Option<usize>,
    /// The grade by its code: printed, or the one that the ladder has for the printed number.
    pub grade: Option<String>,
    /// The number, only if one was printed.
    pub number: Option<Figure>,
    /// By the site's reference, where that cannot tell the analyzer's own mark; never on control material.
    pub flag: Option<Flag>,
    /// The flag is the analyzer's own mark. Also true wherever there is a flag and no reference.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub by_mark: bool,
    /// Where one is configured.
    pub reference: Option<Reference>,
    /// Why the pad has no result.
    pub unread: Option<String>,
    /// The lines of the print it came from: indexes into [`crate::Report::lines`].
    pub lines: Vec<usize>,
}

/// A reading as printed.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Printed {
    /// Everything that stood where the result stands.
    pub parts: Vec<String>,
    /// The part that was taken for a grade.
    pub grade: Option<String>,
    /// The part that was taken for a number.
    pub value: Option<String>,
    /// As printed, not folded.
    pub unit: Option<String>,
    /// The analyzer's own abnormal mark, as printed.
    pub mark: Option<String>,
}

/// What the parts of one print of one pad say, each by itself.
#[derive(Default)]
pub(crate) struct Said {
    pub grades: Vec<String>,
    pub figures: Vec<Figure>,
    pub unread: Option<String>,
    /// Neither grade nor number nor a word for an unread pad.
    pub foreign: Vec<String>,
    /// Units that stood beside a grade alone.
    pub grade_units: Vec<String>,
    pub unit: Option<String>,
    pub unit_implied: bool,
    /// The same value in the other unit system.
    pub second: Option<SecondValue>,
    pub marks: Vec<Mark>,
}

impl Said {
    /// True when one is a grade alone and the other a number alone: two lines of one pad.
    pub fn completes(&self, other: &Said) -> bool {
        let whole = |s: &Said| s.unread.is_none() && s.foreign.is_empty();
        let counts = |s: &Said| (s.grades.len(), s.figures.len());
        whole(self)
            && whole(other)
            && matches!((counts(self), counts(other)), ((1, 0), (0, 1)) | ((0, 1), (1, 0)))
    }

    pub fn join(&mut self, other: Said) {
        self.grades.extend(other.grades);
        self.figures.extend(other.figures);
        self.grade_units.extend(other.grade_units);
        self.unit = self.unit.take().or(other.unit);
        self.unit_implied |= other.unit_implied;
        self.second = self.second.take().or(other.second);
        self.marks.extend(other.marks);
    }
}

/// Puts the second printed line of a pad beside the first.
pub(crate) fn join(first: &mut Reading, second: Reading) {
    let (to, from) = (&mut first.printed, second.printed);
    to.parts.extend(from.parts);
    to.grade = to.grade.take().or(from.grade);
    to.value = to.value.take().or(from.value);
    to.unit = to.unit.take().or(from.unit);
    to.mark = to.mark.take().or(from.mark);
    first.lines.extend(second.lines);
}

/// A reading of which nothing is understood yet.
pub(crate) fn blank(printed: &PrintedReading, units: Units) -> Reading {
    let unit = printed.unit.as_ref().filter(|unit| !unit.trim().is_empty());
    Reading {
        label: printed.label.to_string(),
        printed: Printed {
            parts: printed.parts.iter().map(Text::to_string).collect(),
            unit: unit.map(Text::to_string),
            mark: printed.mark.as_ref().map(|m| m.text.to_string()),
            ..Printed::default()
        },
        units,
        analyte: None,
        rung: None,
        grade: None,
        number: None,
        flag: None,
        by_mark: false,
        reference: None,
        unread: None,
        lines: vec![printed.line],
    }
}

/// Sorts the parts of a print into grades, numbers and words that this pad does not have.
pub(crate) fn understand(pad: &Pad, printed: &PrintedReading, shown: &mut Printed) -> Said {
    let mut said = Said { unit_implied: printed.unit_implied, ..Said::default() };
    said.marks.extend(printed.mark.clone());
    said.second.clone_from(&printed.second);
    let mut parts = printed.parts.iter().map(|p| p.trim()).filter(|p| !p.is_empty()).peekable();
    if parts.peek().is_none() {
        said.unread = Some("nothing was printed as its result".into());
    }
    for (n, part) in parts.enumerate() {
        if n >= PARTS {
            said.foreign.push(part.to_owned());
            break;
        }
        if let Some(grade) = pad.grade_of(part) {
            said.grades.push(grade.to_owned());
            shown.grade = Some(part.to_owned());
        } else if pad.says_unread(part) {
            said.unread = Some(format!("printed as {}", quote(part)));
        } else if let Some(figure) = Figure::read(part) {
            said.figures.push(figure);
            shown.value = Some(part.to_owned());
        } else {
            said.foreign.push(part.to_owned());
        }
    }
    if printed.status == Status::Unread {
        said.unread = Some("the analyzer says that it could not read the pad".into());
    }
    if said.figures.is_empty() {
        said.grade_units.extend(shown.unit.clone());
    } else {
        said.unit.clone_from(&shown.unit);
    }
    said
}
