//! From printed readings to rungs: labels, words, numbers and units, or why a person must look.

use serde::{Deserialize, Serialize};

use crate::figure::Figure;
use crate::flags;
use crate::hold::{Hold, Reason};
use crate::observation::Flag;
use crate::report::{Mark, PrintedReading, Report, Status};
use crate::rules::Rules;
use crate::strip::{Kind, Pad, Strip};
use crate::units::Units;
use crate::words::quote;

/// Parts of one printed result at most.
const PARTS: usize = 4;

/// One pad of one report, as printed and as understood.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reading {
    pub label: String,
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
    pub flag: Option<Flag>,
    /// The reference in words or as an interval, where one is configured.
    pub reference: Option<String>,
    /// Why the pad has no result.
    pub unread: Option<String>,
    /// The lines of the print it came from: indexes into [`Report::lines`].
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
    pub unit: Option<String>,
    pub mark: Option<String>,
}

/// What the parts of one print of one pad say, each by itself.
#[derive(Default)]
struct Said {
    grades: Vec<String>,
    figures: Vec<Figure>,
    unread: Option<String>,
    /// Neither grade nor number nor a word for an unread pad.
    foreign: Vec<String>,
    /// Units that stood beside a grade alone.
    grade_units: Vec<String>,
    unit: Option<String>,
    unit_implied: bool,
    marks: Vec<Mark>,
}

/// What reading a report needs beside the report.
pub(crate) struct Desk<'a> {
    pub strip: &'a Strip,
    /// Every strip of the analyzer: a pad of another one is no unknown word.
    pub strips: &'a [Strip],
    pub rules: &'a Rules,
    /// Control material has no flags.
    pub control: bool,
}

impl Desk<'_> {
    /// Reads every printed reading. Holds come in the order of the print, pads missing last.
    pub fn read(&self, report: &Report) -> (Vec<Reading>, Vec<Hold>) {
        let mut holds = status_holds(report);
        let mut readings: Vec<(Reading, Option<(usize, Said)>)> = Vec::new();
        for printed in &report.readings {
            let mut reading = blank(printed, self.rules.print_units);
            let Some(index) = self.strip.pad_of(&printed.label) else {
                holds.push(self.stranger(printed));
                readings.push((reading, None));
                continue;
            };
            let Some(pad) = self.strip.pads.get(index) else { continue };
            let said = understand(pad, printed, &mut reading.printed);
            reading.analyte = Some(pad.id.clone());
            match readings.iter_mut().find(|(_, s)| s.as_ref().is_some_and(|(p, _)| *p == index)) {
                None => readings.push((reading, Some((index, said)))),
                Some((first, Some((_, earlier)))) if earlier.completes(&said) => {
                    earlier.join(said);
                    join(first, reading);
                }
                Some(_) => {
                    let detail = format!("{}: printed more than once", pad.id);
                    holds.push(Hold::new(Reason::PadsUnexpected, detail).at(printed.line));
                    readings.push((reading, None));
                }
            }
        }
        for (reading, said) in &mut readings {
            let place = said.as_ref().and_then(|(p, s)| Some((self.strip.pads.get(*p)?, s)));
            if let Some((pad, said)) = place {
                self.settle(pad, said, reading, &mut holds);
            }
        }
        holds.extend(self.missing(report, &readings));
        (readings.into_iter().map(|(reading, _)| reading).collect(), holds)
    }

    /// A label that this strip does not have.
    fn stranger(&self, printed: &PrintedReading) -> Hold {
        let elsewhere = |strip: &Strip| {
            strip.pad_of(&printed.label).and_then(|p| strip.pads.get(p)).map(|p| p.title.clone())
        };
        let known = self.strips.iter().find_map(elsewhere);
        let known = known.or_else(|| Strip::largest_builtin().and_then(elsewhere));
        let (label, strip) = (quote(&printed.label), &self.strip.id);
        let hold = match known {
            Some(title) => Hold::new(
                Reason::PadsUnexpected,
                format!("{label} ({title}) is no pad of strip {strip}; is another strip in use?"),
            ),
            None => Hold::new(
                Reason::UnknownAnalyte,
                format!(
                    "{label} is no label of strip {strip}; add it to a pad's names if it is one"
                ),
            ),
        };
        hold.at(printed.line)
    }

    /// Brings what was said together with the ladder.
    fn settle(&self, pad: &Pad, said: &Said, reading: &mut Reading, holds: &mut Vec<Hold>) {
        let line = reading.lines.first().copied().unwrap_or(0);
        let mut hold = |reason, detail: String| {
            holds.push(Hold::new(reason, format!("{}: {detail}", pad.id)).at(line));
        };
        if let Some(why) = &said.unread {
            hold(Reason::PadUnread, why.clone());
            reading.unread = Some(why.clone());
            return;
        }
        if said.foreign.is_empty() && (said.grades.len() > 1 || said.figures.len() > 1) {
            let parts: Vec<String> = reading.printed.parts.iter().map(|p| quote(p)).collect();
            hold(Reason::Unreadable, format!("{} are two results", parts.join(" and ")));
            return;
        }
        let unit = self.unit_fault(pad, said);
        if let Some(detail) = &unit {
            hold(Reason::UnitUnexpected, detail.clone());
        }
        if let Some(word) = said.foreign.first() {
            hold(Reason::OffLadder, format!("{} is {}", quote(word), expected(pad)));
            return;
        }
        reading.grade = said.grades.first().cloned();
        reading.number = said.figures.first().cloned();
        // A number in an unknown unit can be compared with nothing.
        let figure = if unit.is_none() { reading.number.clone() } else { None };
        match self.rung(pad, reading.grade.as_deref(), figure.as_ref()) {
            Ok(rung) => reading.rung = rung,
            Err((reason, detail)) => {
                hold(reason, detail);
                return;
            }
        }
        if let (None, Some(_), Some(rung)) =
            (&reading.grade, &figure, reading.rung.and_then(|r| pad.rungs.get(r)))
        {
            reading.grade.clone_from(&rung.grade);
        }
        if !self.control {
            self.flag(pad, said, reading, &mut hold);
        }
    }

    /// The rung that the print names. Ok(None): a grade that stands on two rungs, or a free number.
    fn rung(
        &self,
        pad: &Pad,
        grade: Option<&str>,
        figure: Option<&Figure>,
    ) -> Result<Option<usize>, (Reason, String)> {
        if pad.kind == Kind::Measured {
            return Ok(None);
        }
        let graded = |r: usize| pad.rungs.get(r).and_then(|r| r.grade.as_deref());
        let Some(figure) = figure else {
            let mut fitting =
                (0..pad.rungs.len()).filter(|r| grade.is_some() && graded(*r) == grade);
            let first = fitting.next();
            return Ok(if fitting.next().is_none() { first } else { None });
        };
        let units = self.rules.print_units;
        let labelled = |r: &usize| {
            let label = pad.rungs.get(*r).and_then(|r| r.label(units));
            label.is_some_and(|l| l.is_meant_by(figure))
        };
        let fitting: Vec<usize> = (0..pad.rungs.len()).filter(labelled).collect();
        let shown = quote(&figure.text());
        if fitting.is_empty() {
            return Err((Reason::OffLadder, format!("{shown} is {}", labels(pad, units))));
        }
        let agreeing: Vec<usize> =
            fitting.iter().copied().filter(|r| grade.is_none() || graded(*r) == grade).collect();
        match (agreeing.as_slice(), grade) {
            ([one], _) => Ok(Some(*one)),
            ([], Some(grade)) => {
                let own = fitting.first().and_then(|r| graded(*r)).unwrap_or("no grade");
                let detail = format!(
                    "grade {grade} was printed beside {shown}, which is {own} on the ladder"
                );
                Err((Reason::GradeValueDisagree, detail))
            }
            _ => Err((
                Reason::OffLadder,
                format!("{shown} stands on two rungs and no grade decides"),
            )),
        }
    }

    fn unit_fault(&self, pad: &Pad, said: &Said) -> Option<String> {
        let units = self.rules.print_units;
        let printed = said.unit.iter().chain(&said.grade_units);
        for unit in printed {
            let Some(measure) = pad.measure(units) else {
                return Some(format!("unit {} beside a pad that has none", quote(unit)));
            };
            if measure.is_spelled(unit) {
                continue;
            }
            let (own, other) = (units.text(), units.other());
            let swapped = pad.measure(other).is_some_and(|m| m.is_spelled(unit));
            return Some(if swapped {
                let other = other.text();
                format!(
                    "{} is the {other} unit; this analyzer is configured to print {own} units",
                    quote(unit)
                )
            } else {
                format!("unit {}; expected {} ({own})", quote(unit), measure.unit.ucum)
            });
        }
        let (figure, measure) = (said.figures.first()?, pad.measure(units)?);
        let bare = said.unit.is_none() && !said.unit_implied && !measure.unit.goes_without_saying();
        bare.then(|| {
            format!("no unit beside {}; expected {}", quote(&figure.text()), measure.unit.ucum)
        })
    }

    fn flag(
        &self,
        pad: &Pad,
        said: &Said,
        reading: &mut Reading,
        hold: &mut impl FnMut(Reason, String),
    ) {
        let reference = self.rules.references.get(&pad.id);
        let own = flags::own(pad, reading, reference);
        reading.flag = own.sent;
        reading.reference = own.text;
        if !self.rules.compare_marks {
            return;
        }
        for mark in &said.marks {
            if let Some(flag) = own.compared
                && flags::disagree(mark.meaning, flag)
            {
                let detail = format!(
                    "mark {} disagrees with our own flag {}",
                    quote(&mark.text),
                    flag.text()
                );
                hold(Reason::MarkDisagree, detail);
            }
        }
    }

    /// The pads that must be there and are not. A report known to be cut off lacks them anyway.
    fn missing(
        &self,
        report: &Report,
        readings: &[(Reading, Option<(usize, Said)>)],
    ) -> Option<Hold> {
        if report.doubts.iter().any(|d| d.reason == Reason::Incomplete) {
            return None;
        }
        let there = |pad: &Pad| readings.iter().any(|(r, _)| r.analyte.as_ref() == Some(&pad.id));
        let absent = self.strip.pads.iter().filter(|p| !p.optional && !there(p));
        let absent: Vec<&str> = absent.map(|p| p.id.as_str()).collect();
        (!absent.is_empty()).then(|| {
            let detail = format!("strip {} also has {}", self.strip.id, absent.join(", "));
            Hold::new(Reason::PadsMissing, detail)
        })
    }
}

impl Said {
    /// True when one is a grade alone and the other a number alone: two lines of one pad.
    fn completes(&self, other: &Said) -> bool {
        let whole = |s: &Said| s.unread.is_none() && s.foreign.is_empty();
        let counts = |s: &Said| (s.grades.len(), s.figures.len());
        whole(self)
            && whole(other)
            && matches!((counts(self), counts(other)), ((1, 0), (0, 1)) | ((0, 1), (1, 0)))
    }

    fn join(&mut self, other: Said) {
        self.grades.extend(other.grades);
        self.figures.extend(other.figures);
        self.grade_units.extend(other.grade_units);
        self.unit = self.unit.take().or(other.unit);
        self.unit_implied |= other.unit_implied;
        self.marks.extend(other.marks);
    }
}

fn join(first: &mut Reading, second: Reading) {
    let (to, from) = (&mut first.printed, second.printed);
    to.parts.extend(from.parts);
    to.grade = to.grade.take().or(from.grade);
    to.value = to.value.take().or(from.value);
    to.unit = to.unit.take().or(from.unit);
    to.mark = to.mark.take().or(from.mark);
    first.lines.extend(second.lines);
}

fn blank(printed: &PrintedReading, units: Units) -> Reading {
    let filled = |text: &Option<String>| text.clone().filter(|t| !t.trim().is_empty());
    Reading {
        label: printed.label.clone(),
        printed: Printed {
            parts: printed.parts.clone(),
            unit: filled(&printed.unit),
            mark: printed.mark.as_ref().map(|m| m.text.clone()),
            ..Printed::default()
        },
        units,
        analyte: None,
        rung: None,
        grade: None,
        number: None,
        flag: None,
        reference: None,
        unread: None,
        lines: vec![printed.line],
    }
}

/// Sorts the parts of a print into grades, numbers and words that this pad does not have.
fn understand(pad: &Pad, printed: &PrintedReading, shown: &mut Printed) -> Said {
    let mut said = Said { unit_implied: printed.unit_implied, ..Said::default() };
    said.marks.extend(printed.mark.clone());
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

/// One hold for all readings of one status that is not final.
fn status_holds(report: &Report) -> Vec<Hold> {
    let readings = || report.readings.iter();
    let count = |wanted: fn(Status) -> bool| readings().filter(|r| wanted(r.status)).count();
    let mut holds = Vec::new();
    let corrected = |s| s == Status::Correction;
    if let Some(first) = readings().find(|r| corrected(r.status)) {
        let detail =
            format!("{} readings are corrections of something sent before", count(corrected));
        holds.push(Hold::new(Reason::CorrectionHeard, detail).at(first.line));
    }
    let open = |s| matches!(s, Status::NotFinal(_));
    if let Some(first) = readings().find(|r| open(r.status)) {
        let code = if let Status::NotFinal(code) = first.status { code } else { ' ' };
        let detail =
            format!("{} readings are not final (status {})", count(open), quote(&code.to_string()));
        holds.push(Hold::new(Reason::NotFinal, detail).at(first.line));
    }
    holds
}

fn expected(pad: &Pad) -> String {
    match pad.kind {
        Kind::Stepped | Kind::Measured => "no number".into(),
        _ => format!("no result of this pad; known: {}", pad.grades().join(", ")),
    }
}

fn labels(pad: &Pad, units: Units) -> String {
    let labels: Vec<String> =
        pad.rungs.iter().filter_map(|r| r.label(units)).map(Figure::text).collect();
    if labels.is_empty() {
        return "a number on a pad that has none".into();
    }
    let unit = pad.measure(units).map_or("", |m| m.unit.text);
    format!("on no rung; the ladder has {} {unit}", labels.join(", ")).trim_end().to_owned()
}
