//! What is normal for one analyte: its highest normal grade, or intervals of its numbers.
//!
//! Written `NEG`, `5.0-8.0` or, where the two unit systems have different numbers, `0-2.5 mg/dL, 0-25 mg/L`: an
//! interval for each. A reference that no result could meet, or that judges one step of the ladder in two ways, is
//! refused once the strip is known; one that never flags anything is told.

use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::figure::Figure;
use crate::grades::is_grade;
use crate::observation::{Comparator, Flag};
use crate::readings::Reading;
use crate::rules::as_text;
use crate::strip::{Kind, Pad, Rung};
use crate::units::Units;
use crate::words::quote;

/// What is normal for one analyte.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub enum Reference {
    /// This grade and everything below it; on colours and clarity this one alone.
    AtMost(String),
    /// One interval, or one for each unit system. They judge the pad's number, or the one that the ladder has for
    /// a grade printed alone.
    Between(Vec<Interval>),
}

/// From and to, both included.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Interval {
    /// The lowest that is normal.
    pub low: Figure,
    /// The highest that is normal.
    pub high: Figure,
    /// As the site writes it; None: the number is the same in both systems.
    pub unit: Option<String>,
}

impl FromStr for Interval {
    type Err = ();

    fn from_str(text: &str) -> Result<Self, ()> {
        let (low, rest) = text.split_once('-').ok_or(())?;
        let (high, unit) = match rest.trim().split_once(' ') {
            Some((high, unit)) => (high, Some(unit.trim().to_owned())),
            None => (rest, None),
        };
        let plain = |t: &str| Figure::read(t).filter(Figure::is_bare).ok_or(());
        let (low, high) = (plain(low)?, plain(high)?);
        if low.value() > high.value() {
            return Err(());
        }
        Ok(Interval { low, high, unit })
    }
}

impl Interval {
    /// Where a label of the ladder lies. An end such as `>=1.028` may be in or out: then there is no flag.
    pub(crate) fn flag(&self, figure: &Figure) -> Option<Flag> {
        let (value, low, high) = (figure.value(), self.low.value(), self.high.value());
        match figure.comparator {
            // A range may lie across an end of the interval.
            None if figure.upper() < low => Some(Flag::L),
            None if value > high => Some(Flag::H),
            None => (low <= value && figure.upper() <= high).then_some(Flag::N),
            // Nothing is below nothing: from 0 on, an end that is low enough lies in it.
            Some(Comparator::Less | Comparator::AtMost) if low.is_zero() && value <= high => {
                Some(Flag::N)
            }
            Some(Comparator::Less) => (value <= low).then_some(Flag::L),
            Some(Comparator::AtMost) => (value < low).then_some(Flag::L),
            Some(Comparator::More) => (value >= high).then_some(Flag::H),
            Some(Comparator::AtLeast) => (value > high).then_some(Flag::H),
        }
    }

    /// Where a step of the ladder lies. A grade without number is below the first number; where the interval begins
    /// with nothing it lies in it.
    fn step(&self, pad: &Pad, rung: usize, units: Units) -> Option<Flag> {
        let rung = pad.rungs.get(rung)?;
        if let Some(label) = rung.label(units) {
            return self.flag(label);
        }
        if self.low.value().is_zero() {
            return Some(Flag::N);
        }
        let first = pad.rungs.iter().find_map(|r| r.label(units))?;
        self.flag(&Figure { comparator: Some(Comparator::Less), to: None, ..first.clone() })
    }

    /// Whether it is of this system's numbers on this pad.
    fn is_of(&self, pad: &Pad, units: Units) -> bool {
        let spelled = |unit: &String| {
            pad.measure(units).is_some_and(|m| m.unit.ucum == unit || m.is_spelled(unit))
        };
        self.unit.as_ref().is_none_or(spelled)
    }

    /// As a receiver shows it; the unit stands in a field of its own.
    fn shown(&self) -> String {
        format!("{}-{}", self.low.digits, self.high.digits)
    }
}

impl FromStr for Reference {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || {
            "an interval such as 5.0-8.0, two with their units such as 0-2.5 mg/dL, 0-25 mg/L, or the highest \
             normal grade in capitals, such as NEG"
                .to_owned()
        };
        if text.is_empty() || text.len() > 60 {
            return Err(wrong());
        }
        let intervals: Result<Vec<Interval>, ()> = text.split(',').map(str::parse).collect();
        if let Ok(intervals) = intervals {
            let units = intervals.iter().filter(|i| i.unit.is_some()).count();
            return match intervals.len() {
                1 => Ok(Reference::Between(intervals)),
                2 if units == 2 => Ok(Reference::Between(intervals)),
                _ => Err(wrong()),
            };
        }
        if is_grade(text) && Figure::read(text).is_none() {
            return Ok(Reference::AtMost(text.to_owned()));
        }
        Err(wrong())
    }
}

as_text!(Reference, reference => match reference {
    Reference::AtMost(grade) => grade,
    Reference::Between(intervals) => {
        let with_unit = |i: &Interval| {
            let unit = i.unit.as_ref().map(|u| format!(" {u}")).unwrap_or_default();
            format!("{}{unit}", i.shown())
        };
        intervals.iter().map(with_unit).collect::<Vec<_>>().join(", ")
    }
});

impl Reference {
    /// The interval that judges numbers of this pad in this system.
    #[must_use]
    pub fn interval(&self, pad: &Pad, units: Units) -> Option<&Interval> {
        let Reference::Between(intervals) = self else { return None };
        intervals.iter().find(|interval| interval.is_of(pad, units))
    }

    /// The interval that judges a print in these units: their own, else that of the other system, in which the
    /// ladder has a label for the step too.
    #[must_use]
    pub fn judging(&self, pad: &Pad, units: Units) -> Option<(Units, &Interval)> {
        [units, units.other()].into_iter().find_map(|u| Some((u, self.interval(pad, u)?)))
    }

    /// Where the interval has every step that the reading can be. None: nobody can tell, or the steps differ.
    pub(crate) fn by_interval(&self, pad: &Pad, reading: &Reading) -> Option<Flag> {
        let (units, interval) = self.judging(pad, reading.units)?;
        if pad.kind == Kind::Measured {
            // No ladder has its number in the other system.
            return interval.flag(reading.number.as_ref().filter(|_| units == reading.units)?);
        }
        let rungs = pad.rungs_of(reading);
        let mut flags = rungs.iter().map(|rung| interval.step(pad, *rung, units));
        let first = flags.next()?;
        if flags.all(|flag| flag == first) { first } else { None }
    }

    /// As it stands beside the pad's grade, or beside its number in these units. None: it does not speak of it.
    #[must_use]
    pub fn shown(&self, pad: &Pad, units: Units) -> Option<String> {
        let Reference::AtMost(highest) = self else {
            return self.interval(pad, units).map(Interval::shown);
        };
        let text = |grade: &str| {
            let rung = pad.rungs.iter().find(|r| r.grade.as_deref() == Some(grade));
            rung.map_or_else(|| grade.to_owned(), |r| r.text.clone())
        };
        Some(match pad.grades().first() {
            Some(lowest) if pad.kind != Kind::Nominal && lowest != highest => {
                format!("{} to {}", text(lowest), text(highest))
            }
            _ => text(highest),
        })
    }

    /// Why it cannot be meant for this pad. None: it can.
    pub(crate) fn misfit(&self, pad: &Pad) -> Option<String> {
        let intervals = match self {
            Reference::AtMost(grade) => return Self::grade_misfit(grade, pad),
            Reference::Between(intervals) => intervals,
        };
        let systems = [Units::Conventional, Units::Si];
        let ucum = systems.map(|units| pad.measure(units).map(|m| m.unit.ucum));
        let known: Vec<&str> = ucum.into_iter().flatten().collect();
        if known.is_empty() {
            return Some(format!(
                "this pad has no numbers; allowed: its highest normal grade, of {}",
                pad.grades().join(", ")
            ));
        }
        for interval in intervals {
            match &interval.unit {
                None if ucum[0] != ucum[1] => {
                    return Some(format!(
                        "in which unit? This pad's numbers are in {}: give each interval its unit",
                        known.join(" and ")
                    ));
                }
                Some(unit) if !systems.iter().any(|units| interval.is_of(pad, *units)) => {
                    return Some(format!(
                        "{} is no unit of this pad; allowed: {}",
                        quote(unit),
                        known.join(", ")
                    ));
                }
                _ => {}
            }
        }
        if let [first, second] = intervals.as_slice()
            && systems.iter().any(|u| first.is_of(pad, *u) && second.is_of(pad, *u))
        {
            return Some("two intervals in one unit: give one for each".into());
        }
        systems.iter().find_map(|units| self.outside(pad, *units)).or_else(|| self.two_ways(pad))
    }

    fn grade_misfit(grade: &str, pad: &Pad) -> Option<String> {
        let grades = pad.grades();
        if !grades.contains(&grade) {
            let allowed = if grades.is_empty() { "an interval".into() } else { grades.join(", ") };
            return Some(format!("`{grade}` is no grade of this pad; allowed: {allowed}"));
        }
        let everything = pad.kind != Kind::Nominal && grades.last() == Some(&grade);
        everything.then(|| {
            format!("`{grade}` is the highest grade of this pad: no result could be abnormal")
        })
    }

    /// No step of the ladder is surely normal, nor does the interval lie below all numbers, where a grade
    /// without number stands: nobody's result would be.
    fn outside(&self, pad: &Pad, units: Units) -> Option<String> {
        let interval = self.interval(pad, units)?;
        let labels = || pad.rungs.iter().filter_map(|r| r.label(units));
        let (first, last) = (labels().next()?, labels().next_back()?);
        let below = pad.rungs.iter().any(|r| r.label(units).is_none())
            && interval.high.value() < first.value();
        let inside = below || labels().any(|label| interval.flag(label) == Some(Flag::N));
        (!inside).then(|| {
            let ucum = pad.measure(units).map_or("", |m| m.unit.ucum);
            format!(
                "no step of this pad lies in {}; they go from {} to {} {ucum}",
                interval.shown(),
                first.text(),
                last.text(),
            )
        })
    }

    /// A step that the two intervals judge differently.
    fn two_ways(&self, pad: &Pad) -> Option<String> {
        let judged = |rung: &crate::strip::Rung, units| {
            let label = rung.label(units)?;
            Some((label.text(), self.interval(pad, units)?.flag(label)))
        };
        let flag = |flag: Option<Flag>| flag.map_or("no flag", Flag::text);
        pad.rungs.iter().find_map(|rung| {
            let conventional = judged(rung, Units::Conventional)?;
            let si = judged(rung, Units::Si)?;
            (conventional.1 != si.1).then(|| {
                format!(
                    "the two intervals judge one step differently: {} gets {}, {} gets {}",
                    conventional.0,
                    flag(conventional.1),
                    si.0,
                    flag(si.1)
                )
            })
        })
    }

    /// Steps that it calls normal and the strip's file abnormal, or the other way round.
    fn against_the_strip(&self, pad: &Pad) -> Option<String> {
        let own = |n: usize, rung: &Rung| match self {
            Reference::AtMost(grade) if pad.kind == Kind::Nominal => {
                Some(rung.grade.as_ref() == Some(grade))
            }
            Reference::AtMost(grade) => {
                pad.rungs.iter().rposition(|r| r.grade.as_ref() == Some(grade)).map(|top| n <= top)
            }
            Reference::Between(_) => {
                let (units, interval) = self.judging(pad, Units::Conventional)?;
                interval.step(pad, n, units).map(|flag| flag == Flag::N)
            }
        };
        let word = |normal: bool| if normal { "normal" } else { "abnormal" };
        let steps = pad.rungs.iter().enumerate().filter_map(|(n, rung)| {
            let theirs = rung.sense.flag()? == Flag::N;
            let ours = own(n, rung).filter(|ours| *ours != theirs)?;
            let label = rung.grade.clone().or_else(|| Some(rung.conventional.as_ref()?.text()))?;
            Some(format!("{label} is {} by it and {} in the strip", word(ours), word(theirs)))
        });
        let steps: Vec<String> = steps.collect();
        (!steps.is_empty()).then(|| format!("{}: is it meant?", steps.join(", ")))
    }

    /// What it leaves unsaid on this pad; one sentence each.
    pub(crate) fn notes(&self, pad: &Pad) -> Vec<String> {
        let mut notes: Vec<String> = self.against_the_strip(pad).into_iter().collect();
        for units in [Units::Conventional, Units::Si] {
            let labels = || pad.rungs.iter().filter_map(|r| r.label(units));
            if matches!(self, Reference::AtMost(_)) || labels().next().is_none() {
                continue;
            }
            let ucum = pad.measure(units).map_or("", |m| m.unit.ucum);
            match self.interval(pad, units) {
                None => {
                    let judged = "are judged by their step on the ladder";
                    let told =
                        if pad.kind == Kind::Measured { "get no flag of ours" } else { judged };
                    notes.push(format!(
                        "numbers in {ucum} have no interval: they {told}, and OBX-7 stays empty"
                    ));
                }
                Some(interval) => {
                    let never = |l| matches!(interval.flag(l), Some(Flag::N) | None);
                    if labels().all(never) {
                        notes.push(format!(
                            "no step is surely outside {}: none is ever flagged L or H",
                            interval.shown()
                        ));
                    }
                }
            }
        }
        notes.dedup();
        notes
    }
}

#[cfg(test)]
mod tests;
