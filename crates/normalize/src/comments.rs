//! Comments by rule: interference, and the suggestion of microscopy. Off unless a laboratory turns
//! them on; they read, and never change a value or a flag.
//!
//! A rule looks at grades by their place on the ladder and at numbers only of pads whose number is the same in both
//! unit systems, so that it means the same whatever an analyzer prints. Rules come from the catalogue
//! ([`CATALOGUE`]) or from the laboratory's own words ([`CommentRule::new`]), and both name their source.

mod catalogue;

use std::cmp::Ordering;
use std::fmt;
use std::str::FromStr;

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

use crate::codes::{ANALYTES, Analyte};
use crate::figure::Figure;
use crate::grades::{Grade, is_grade};
use crate::observation::Comparator;
use crate::readings::Reading;
use crate::remark::Remark;
use crate::strip::{Kind, Pad, Rung, Strip};
use crate::units::Units;
use crate::words::{nearest, quote};

pub use catalogue::{CATALOGUE, Entry, find};

/// Letters of a comment at most: it must fit into a message of any receiver.
const TEXT_MOST: usize = 400;

/// One comment and when it is made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CommentRule {
    /// Stable, such as `UA-INT-ASC`.
    pub code: String,
    /// Whether all conditions must be met or any one.
    pub when: When,
    /// At least one.
    pub conditions: Vec<Condition>,
    /// The analytes that it is about; empty: the whole report.
    pub about: Vec<String>,
    /// What goes out as a note, 400 characters at most.
    pub text: String,
    /// Where it comes from: a publication, or `common practice`.
    pub source: String,
}

/// How the conditions of a rule stand together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum When {
    /// Each of them.
    All,
    /// One of them.
    Any,
}

/// What one reading must say, written `ASC >= 1+`, `SG <= 1.010`, `NIT = NEG` or, with several
/// grades, `COL = RED|BROWN`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Condition {
    /// Its id, in capitals.
    pub analyte: String,
    /// What its reading must say.
    pub test: Test,
}

/// How a reading is compared.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Test {
    /// `>=`: this or above it.
    AtLeast(Bound),
    /// `<=`: this or below it.
    AtMost(Bound),
    /// One of these grades.
    Is(Vec<String>),
}

/// What it is compared with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Bound {
    /// By its place on the ladder, never by concentration.
    Grade(String),
    /// Of pads whose number is the same in both unit systems.
    Number(Figure),
}

impl FromStr for Condition {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = |why: &str| {
            format!(
                "{}: {why}; write ASC >= 1+, SG <= 1.010, NIT = NEG or COL = RED|BROWN",
                quote(text)
            )
        };
        let cut = text.find(['<', '>', '=']).ok_or_else(|| wrong("nothing is compared"))?;
        let (analyte, rest) = text.split_at(cut);
        let analyte = analyte.trim();
        if Analyte::find(analyte).is_none() {
            let known: Vec<&str> = ANALYTES.iter().map(|a| a.id).collect();
            let near = nearest(analyte, &known).unwrap_or_default();
            return Err(wrong(&format!("no analyte has this id, perhaps {near}")));
        }
        let bound = |text: &str| {
            let text = text.trim();
            match Figure::read(text) {
                Some(figure) if figure.is_bare() => Ok(Bound::Number(figure)),
                None if is_grade(text) => Ok(Bound::Grade(text.to_owned())),
                _ => Err(wrong("neither a grade nor a number follows")),
            }
        };
        let test = if let Some(rest) = rest.strip_prefix(">=") {
            Test::AtLeast(bound(rest)?)
        } else if let Some(rest) = rest.strip_prefix("<=") {
            Test::AtMost(bound(rest)?)
        } else if let Some(rest) = rest.strip_prefix('=') {
            let grades: Vec<String> = rest.split('|').map(|g| g.trim().to_owned()).collect();
            if grades.iter().any(String::is_empty) {
                return Err(wrong("a grade is missing"));
            }
            Test::Is(grades)
        } else {
            return Err(wrong("only >=, <= and = are known"));
        };
        Ok(Condition { analyte: analyte.to_owned(), test })
    }
}

impl fmt::Display for Condition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let bound = |bound: &Bound| match bound {
            Bound::Grade(grade) => grade.clone(),
            Bound::Number(figure) => figure.text(),
        };
        let analyte = &self.analyte;
        match &self.test {
            Test::AtLeast(b) => write!(f, "{analyte} >= {}", bound(b)),
            Test::AtMost(b) => write!(f, "{analyte} <= {}", bound(b)),
            Test::Is(grades) => write!(f, "{analyte} = {}", grades.join("|")),
        }
    }
}

impl Condition {
    /// True when a reading says so. What was not read says nothing.
    fn is_met(&self, readings: &[Reading], strip: &Strip) -> bool {
        let Some(pad) = strip.pad(&self.analyte) else { return false };
        let own = readings.iter().filter(|r| r.analyte.as_deref() == Some(self.analyte.as_str()));
        own.filter(|r| r.unread.is_none()).any(|reading| self.test.is_met(reading, pad))
    }

    /// That it compares with a grade whose place on this strip's ladder nobody can tell. None: it can be told.
    fn note(&self, strip: &Strip) -> Option<String> {
        let pad = strip.pad(&self.analyte)?;
        let (Test::AtLeast(Bound::Grade(bound)) | Test::AtMost(Bound::Grade(bound))) = &self.test
        else {
            return None;
        };
        let untold = |(place, rung): &(usize, &Rung)| {
            pad.stands(rung.grade.as_deref(), Some(*place), bound).is_none()
        };
        let mut strange: Vec<String> =
            pad.rungs.iter().enumerate().filter(untold).map(|(_, rung)| rung.name()).collect();
        strange.dedup();
        (!strange.is_empty()).then(|| {
            format!(
                "`{self}` with strip {}: its ladder has no {bound}, so that this is never met by {}; write a \
                 comment of the laboratory's own for it, by a grade of the ladder",
                strip.id,
                strange.join(", ")
            )
        })
    }

    /// Why no reading of this strip can meet it. None: one can, or the strip has no such pad.
    fn misfit(&self, strip: &Strip) -> Option<String> {
        let pad = strip.pad(&self.analyte)?;
        let why = match &self.test {
            Test::Is(grades) => {
                let strange = grades.iter().find(|g| !pad.grades().contains(&g.as_str()))?;
                format!("`{strange}` is no grade of this pad: {}", pad.grades().join(", "))
            }
            Test::AtLeast(Bound::Grade(bound)) | Test::AtMost(Bound::Grade(bound)) => {
                let ordered = pad.has_grades() && pad.kind != Kind::Nominal;
                let known = pad.grades().contains(&bound.as_str()) || Grade::find(bound).is_some();
                match (ordered, known) {
                    (false, _) => "this pad has no grades in an order".to_owned(),
                    (true, false) => {
                        format!("`{bound}` is no grade of this pad: {}", pad.grades().join(", "))
                    }
                    (true, true) => return None,
                }
            }
            Test::AtLeast(Bound::Number(_)) | Test::AtMost(Bound::Number(_)) => {
                let same = number_is_the_same(pad);
                let why = "a number needs a pad whose number is the same in both unit systems";
                (!same).then(|| why.to_owned())?
            }
        };
        Some(format!("`{self}` with strip {}: {why}", strip.id))
    }
}

fn number_is_the_same(pad: &Pad) -> bool {
    let measures = pad.measure(Units::Conventional).zip(pad.measure(Units::Si));
    measures.and_then(|(c, s)| c.unit.factor(s.unit, None)) == Some(Decimal::ONE)
}

impl Test {
    fn is_met(&self, reading: &Reading, pad: &Pad) -> bool {
        let to = |bound: &str| pad.stands(reading.grade.as_deref(), reading.rung, bound);
        match self {
            Test::Is(grades) => reading.grade.as_ref().is_some_and(|g| grades.contains(g)),
            Test::AtLeast(Bound::Grade(g)) => to(g).is_some_and(Ordering::is_ge),
            Test::AtMost(Bound::Grade(g)) => to(g).is_some_and(Ordering::is_le),
            Test::AtLeast(Bound::Number(b)) => {
                every_number(reading, pad, |figure| figure.value() >= b.value() && !below(figure))
            }
            Test::AtMost(Bound::Number(b)) => {
                every_number(reading, pad, |figure| figure.upper() <= b.value() && !above(figure))
            }
        }
    }
}

/// An end rung lies on its own side of its number: `>=1.028` is at least 1.025, never at most.
fn above(figure: &Figure) -> bool {
    matches!(figure.comparator, Some(Comparator::More | Comparator::AtLeast))
}

fn below(figure: &Figure) -> bool {
    matches!(figure.comparator, Some(Comparator::Less | Comparator::AtMost))
}

/// True when every rung that the reading can be meets it, by the ladder's label also where the print had the grade
/// alone. A grade without a number lies below the first number of its ladder.
fn every_number(reading: &Reading, pad: &Pad, meets: impl Fn(&Figure) -> bool) -> bool {
    if pad.kind == Kind::Measured {
        return reading.number.as_ref().is_some_and(meets);
    }
    let first = pad.rungs.iter().find_map(|r| r.label(reading.units));
    let lowest =
        first.map(|f| Figure { comparator: Some(Comparator::Less), to: None, ..f.clone() });
    let rungs = pad.rungs_of(reading);
    let label = |rung: &usize| pad.rungs.get(*rung)?.label(reading.units).or(lowest.as_ref());
    !rungs.is_empty() && rungs.iter().all(|rung| label(rung).is_some_and(&meets))
}

impl CommentRule {
    /// Builds a rule from what a configuration says; the error says what may be written.
    ///
    /// The code has 1 to 20 capitals, digits and hyphens; conditions are written as [`Condition`] says.
    /// Whether a strip can meet them at all, [`CommentRule::faults`] tells.
    pub fn new(
        code: &str,
        when: When,
        conditions: &[&str],
        about: &[&str],
        text: &str,
        source: &str,
    ) -> Result<CommentRule, String> {
        let plain = |b: u8| b.is_ascii_uppercase() || b.is_ascii_digit() || b == b'-';
        if !(1..=20).contains(&code.len()) || !code.bytes().all(plain) {
            return Err("a code of 1 to 20 capitals, digits and hyphens, such as UA-INT-ASC".into());
        }
        if text.trim().is_empty() || text.chars().count() > TEXT_MOST {
            return Err(format!("a text of 1 to {TEXT_MOST} characters"));
        }
        if source.trim().is_empty() {
            return Err("the source: a publication, or \"common practice\"".into());
        }
        if let Some(strange) = about.iter().find(|id| Analyte::find(id).is_none()) {
            return Err(format!("analyte ids in `about`; {} is none", quote(strange)));
        }
        let conditions: Vec<Condition> =
            conditions.iter().map(|c| c.parse()).collect::<Result<_, _>>()?;
        if conditions.is_empty() {
            return Err("one condition or more".into());
        }
        Ok(CommentRule {
            code: code.to_owned(),
            when,
            conditions,
            about: about.iter().map(|id| (*id).to_owned()).collect(),
            text: text.to_owned(),
            source: source.to_owned(),
        })
    }

    /// What cannot be meant, given the strips of an analyzer; one sentence each.
    ///
    /// A condition on a pad that a strip has not is no fault: the rule is then silent there.
    #[must_use]
    pub fn faults(&self, strips: &[Strip]) -> Vec<String> {
        let mut faults = Vec::new();
        for condition in &self.conditions {
            faults.extend(strips.iter().filter_map(|strip| condition.misfit(strip)));
        }
        faults.into_iter().map(|why| format!("comment {}: {why}", self.code)).collect()
    }

    /// What of it is never met on the strips of an analyzer, where that may surprise; one sentence each.
    #[must_use]
    pub fn notes(&self, strips: &[Strip]) -> Vec<String> {
        let all = self.conditions.iter().flat_map(|c| strips.iter().filter_map(|s| c.note(s)));
        all.map(|why| format!("comment {}: {why}", self.code)).collect()
    }

    /// True when the readings of a strip call for the comment.
    ///
    /// An unread pad meets nothing, and neither does a pad that was not printed.
    #[must_use]
    pub fn is_met(&self, readings: &[Reading], strip: &Strip) -> bool {
        let mut met = self.conditions.iter().map(|c| c.is_met(readings, strip));
        match self.when {
            When::All => !self.conditions.is_empty() && met.all(|yes| yes),
            When::Any => met.any(|yes| yes),
        }
    }
}

/// The comments that the readings call for, in the order of the rules.
///
/// Call it for patients' reports only: control material gets no comments.
#[must_use]
pub fn comments(readings: &[Reading], strip: &Strip, rules: &[CommentRule]) -> Vec<Remark> {
    let met = rules.iter().filter(|rule| rule.is_met(readings, strip));
    met.map(|rule| Remark {
        code: rule.code.clone(),
        text: rule.text.clone(),
        about: rule.about.clone(),
    })
    .collect()
}

#[cfg(test)]
mod tests;
