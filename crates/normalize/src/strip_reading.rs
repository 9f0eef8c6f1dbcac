//! Reading a print against its strip: every printed reading brought together with its ladder, or why it cannot be.
//!
//! Here a print meets its strip, pad by pad: label to pad, words to grades, numbers to rungs, unit to measure. What
//! does not meet raises a hold that says what was found and what the strip has; the reading is kept all the same, so
//! that a person sees it beside the raw line.

use crate::figure::Figure;
use crate::flags;
use crate::hold::{Hold, Reason};
use crate::ratios;
use crate::readings::{Reading, Said, blank, join, understand};
use crate::report::{MarkMeaning, PrintedReading, Report, Status};
use crate::rules::Rules;
use crate::second;
use crate::strip::{Kind, Pad, Strip};
use crate::units::Units;
use crate::words::quote;

/// What reading a report needs beside the report.
pub(crate) struct StripReading<'a> {
    pub strip: &'a Strip,
    /// Every strip of the analyzer: a pad of another one is no unknown word.
    pub strips: &'a [Strip],
    pub rules: &'a Rules,
    /// Control material has no flags.
    pub control: bool,
}

impl StripReading<'_> {
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
        let readings: Vec<Reading> = readings.into_iter().map(|(reading, _)| reading).collect();
        holds.extend(ratios::misfits(self.strip, &readings));
        (readings, holds)
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
        if let (Some(figure), Some(second)) = (&figure, &said.second)
            && let Err((reason, detail)) =
                second::agrees(pad, self.rules.print_units, figure, second)
        {
            hold(reason, detail);
            return;
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
        let fitting = pad.rungs_meant(figure, units);
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
            if pad.is_spelled(units, unit) {
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
        let own = flags::own(pad, reading, reference, &said.marks);
        reading.flag = own.sent;
        reading.by_mark = own.by_mark && own.sent.is_some();
        reading.reference = reference.cloned();
        if !self.rules.compare_marks {
            return;
        }
        for mark in &said.marks {
            let text = quote(&mark.text);
            if let Some(flag) = own.compared.filter(|flag| flags::disagree(mark.meaning, *flag)) {
                let detail = format!("mark {text} disagrees with our own flag {}", flag.text());
                hold(Reason::MarkDisagree, detail);
            } else if flags::misplaced(mark.meaning, pad, reading) {
                let side = if mark.meaning == MarkMeaning::Low { "above" } else { "below" };
                let detail = format!("mark {text} where no step {side} it could be normal");
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
