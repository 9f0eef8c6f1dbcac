//! From readings to observations: code, unit and value chosen together, so that they always agree.
//!
//! The law: a code whose property is a mass concentration never carries moles, a number goes only where one was
//! printed, and what is sent is the ladder's own label and not our rounding. Only measured pads, whose numbers are
//! free, are converted by a factor and rounded (half up, to the digits that the strip says).

use rust_decimal::{Decimal, RoundingStrategy};

use crate::figure::Figure;
use crate::grades::snomed;
use crate::hold::{Hold, Reason};
use crate::observation::{Code, CodeSystem, Content, Flag, Observation};
use crate::readings::Reading;
use crate::references::Reference;
use crate::strip::{Kind, Pad, Strip};
use crate::units::{Property, Units};
use crate::words::quote;

/// What one receiver wants.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Choice {
    /// The unit system that its numbers are sent in.
    pub units: Units,
    /// Whether grades go beside numbers, alone, or not.
    pub grades: Grades,
    /// Which set of published codes is preferred.
    pub codes: Codes,
    /// SNOMED CT beside our own grade codes: needs a national licence.
    pub snomed: bool,
    /// Where the flag of a graded pad stands.
    pub flags: Flags,
}

impl Choice {
    /// From the words of a receiver's configuration.
    ///
    /// The words are those of the configuration; the error names what is allowed.
    pub fn of(units: &str, grades: &str, codes: &str, snomed: bool) -> Result<Choice, String> {
        let (units, grades, codes) = (units.parse()?, grades.parse()?, codes.parse()?);
        Ok(Choice { units, grades, codes, snomed, flags: Flags::default() })
    }
}

/// How arbitrary grades travel.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Grades {
    /// Grade and number, where there are both.
    #[default]
    Beside,
    /// The grade, where there is one.
    Only,
    /// The number, where there is one.
    Never,
}

/// Which set of published codes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Codes {
    /// For a device that read the strip; a pad without one takes the manual code.
    #[default]
    Automated,
    /// For a strip read by eye.
    Manual,
}

/// Where the flag of a pad stands that says a grade and a number.
///
/// A flag of table 0078 has its letter by what it stands on: `N` or `A` on a grade, `N`, `L` or `H` on a number.
/// A number that goes without its grade has the flag in either case, for it would be lost.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Flags {
    /// On what the reference is of: its grade. The number beside it has none.
    #[default]
    Judged,
    /// On the number as well.
    Both,
}

macro_rules! named {
    ($name:ident: $($variant:ident $text:literal),+) => {
        impl std::str::FromStr for $name {
            type Err = String;

            fn from_str(text: &str) -> Result<Self, String> {
                match text {
                    $($text => Ok($name::$variant),)+
                    _ => {
                        let known = [$($text),+].join(", ");
                        Err(format!("`{text}` is not allowed; allowed: {known}"))
                    }
                }
            }
        }
    };
}

named!(Grades: Beside "beside", Only "only", Never "never");
named!(Codes: Automated "automated", Manual "manual");
named!(Flags: Judged "judged", Both "both");

/// Builds the observations of a judged report: in the strip's order, a grade before its number, at
/// least one for every reading. The hold says why a reading cannot be sent after all.
pub fn observe(
    readings: &[Reading],
    strip: &Strip,
    choice: &Choice,
) -> Result<Vec<Observation>, Hold> {
    let mut places: Vec<(usize, usize)> = Vec::with_capacity(readings.len());
    for (index, reading) in readings.iter().enumerate() {
        let known = reading.analyte.as_deref();
        let pad =
            strip.pads.iter().position(|p| Some(p.id.as_str()) == known).ok_or_else(|| {
                let detail = format!("{} is no pad of strip {}", quote(&reading.label), strip.id);
                Hold::new(Reason::UnknownAnalyte, detail)
            })?;
        if places.iter().any(|(other, _)| *other == pad) {
            let detail = format!("{} was printed more than once", quote(&reading.label));
            return Err(Hold::new(Reason::PadsUnexpected, detail));
        }
        places.push((pad, index));
    }
    places.sort_unstable();
    let mut observations = Vec::with_capacity(2 * readings.len());
    for (place, index) in places {
        let (Some(pad), Some(reading)) = (strip.pads.get(place), readings.get(index)) else {
            continue;
        };
        let teller = Teller { pad, reading, index, choice };
        let before = observations.len();
        teller.tell(&mut observations).map_err(|detail| {
            let line = reading.lines.first().copied().unwrap_or(0);
            Hold::new(Reason::OffLadder, format!("{}: {detail}", pad.id)).at(line)
        })?;
        debug_assert!(observations.len() > before, "every pad says something");
    }
    Ok(observations)
}

struct Teller<'a> {
    pad: &'a Pad,
    reading: &'a Reading,
    index: usize,
    choice: &'a Choice,
}

impl Teller<'_> {
    fn tell(&self, into: &mut Vec<Observation>) -> Result<(), String> {
        let Teller { pad, reading, choice, .. } = self;
        let number_property = pad.measure(choice.units).map(|m| m.unit.property);
        if let Some(reason) = &reading.unread {
            let graded =
                pad.has_grades() && (choice.grades != Grades::Never || number_property.is_none());
            let property = if graded { Some(pad.grade_property()) } else { number_property };
            let property =
                property.ok_or("neither grade nor number can say that it was not read")?;
            let content = Content::Unread { reason: reason.clone(), number: !graded };
            into.push(self.observation(property, content, None, None));
            return Ok(());
        }
        let grade = self.grade()?;
        let number = self.number()?;
        let keep_grade = choice.grades != Grades::Never || number.is_none();
        let keep_number = choice.grades != Grades::Only || grade.is_none();
        if grade.is_none() && number.is_none() {
            return Err("it has neither a grade nor a number".into());
        }
        let (graded, numbered) = (grade.is_some() && keep_grade, number.is_some() && keep_number);
        if let Some(content) = grade.filter(|_| keep_grade) {
            let grade = reading.reference.as_ref().filter(|r| matches!(r, Reference::AtMost(_)));
            let shown = grade.and_then(|r| r.shown(pad, choice.units));
            let flag = self.flag_on(false, !numbered);
            into.push(self.observation(pad.grade_property(), content, flag, shown));
        }
        if let (Some(content), Some(property), true) = (number, number_property, keep_number) {
            let interval =
                reading.reference.as_ref().filter(|r| matches!(r, Reference::Between(_)));
            let shown = interval.and_then(|r| r.shown(pad, choice.units));
            let flag = self.flag_on(true, !graded);
            into.push(self.observation(property, content, flag, shown));
        }
        Ok(())
    }

    /// The flag of a grade or of a number. It stands on what it is of; beside that, only where the receiver asks for
    /// it on both; alone, always. Its letter is by what it stands on (table 0078): what a reference of grades calls
    /// abnormal lies above, and what lies outside an interval is abnormal. A mark of the analyzer's own keeps its own.
    fn flag_on(&self, number: bool, alone: bool) -> Option<Flag> {
        let Teller { pad, reading, choice, .. } = self;
        let flag = reading.flag?;
        let directed = matches!(flag, Flag::L | Flag::H);
        let reference = reading.reference.as_ref().filter(|_| !reading.by_mark);
        let of_number = match reference {
            Some(reference) => matches!(reference, Reference::Between(_)),
            None => directed || !pad.has_grades(),
        };
        if number != of_number && !alone && choice.flags == Flags::Judged {
            return None;
        }
        Some(match (number, flag) {
            _ if reference.is_none() => flag,
            (true, Flag::A) => Flag::H,
            (false, Flag::L | Flag::H) => Flag::A,
            _ => flag,
        })
    }

    fn observation(
        &self,
        property: Property,
        content: Content,
        flag: Option<Flag>,
        reference: Option<String>,
    ) -> Observation {
        let Teller { pad, index, choice, .. } = self;
        let local = pad.local(property);
        let published = pad.code(property, choice.codes == Codes::Automated).cloned();
        Observation {
            reading: *index,
            code: published.unwrap_or_else(|| local.clone()),
            local,
            content,
            flag,
            reference,
        }
    }

    fn grade(&self) -> Result<Option<Content>, String> {
        let Some(grade) = &self.reading.grade else { return Ok(None) };
        let rung = self.pad.rungs.iter().find(|r| r.grade.as_ref() == Some(grade));
        let rung = rung.ok_or_else(|| format!("its ladder has no grade {grade} any more"))?;
        let code = Code { code: grade.clone(), text: rung.text.clone(), system: CodeSystem::Local };
        let alternate =
            if self.choice.snomed { snomed(grade, self.pad.plus_steps()) } else { None };
        Ok(Some(Content::Grade { code, alternate }))
    }

    /// A number only if one was printed; what goes out is the ladder's label for it.
    fn number(&self) -> Result<Option<Content>, String> {
        let Teller { pad, reading, choice, .. } = self;
        let Some(printed) = &reading.number else { return Ok(None) };
        let measure = pad.measure(choice.units).ok_or("it has no number on this strip any more")?;
        let figure = if pad.kind == Kind::Measured {
            self.converted(printed)?
        } else {
            let meant = pad.rungs_meant(printed, reading.units);
            let rung = reading.rung.filter(|r| meant.contains(r)).and_then(|r| pad.rungs.get(r));
            let rung = rung.filter(|r| r.grade == reading.grade);
            let changed =
                || format!("{} is on no rung of its ladder any more", quote(&printed.text()));
            rung.and_then(|r| r.label(choice.units)).cloned().ok_or_else(changed)?
        };
        let unit = measure.unit.sent();
        Ok(Some(match figure {
            Figure { digits: from, to: Some(to), .. } => Content::Range { from, to, unit },
            Figure { comparator, digits, to: None } => Content::Number { comparator, digits, unit },
        }))
    }

    /// A measurement in the chosen units: exact decimals, rounded half up to the stated digits. As
    /// printed where nothing is converted.
    fn converted(&self, printed: &Figure) -> Result<Figure, String> {
        let measured =
            self.pad.measured.as_ref().ok_or("it is not measured on this strip any more")?;
        let value = printed.value();
        if printed.to.is_some() {
            return Err(format!("{} is a range, and this pad is measured", quote(&printed.text())));
        }
        let (value, digits) = match (self.reading.units, self.choice.units) {
            (from, to) if from == to => return Ok(printed.clone()),
            (_, Units::Si) => (value.checked_mul(measured.factor), measured.si_digits),
            (_, Units::Conventional) => {
                (value.checked_div(measured.factor), measured.conventional_digits)
            }
        };
        let value =
            value.ok_or_else(|| format!("{} cannot be converted", quote(&printed.text())))?;
        let mut value: Decimal =
            value.round_dp_with_strategy(digits, RoundingStrategy::MidpointAwayFromZero);
        value.rescale(digits);
        Ok(Figure { comparator: printed.comparator, digits: value.to_string(), to: None })
    }
}

#[cfg(test)]
mod tests;
