//! The rules of one analyzer: its units, its ids, its signs of control material, the references.
//!
//! Each text of a configuration has its own small notation, read by [`FromStr`] and written back the same way;
//! what is wrong in one is said by its error. What is wrong only in company (an interval on a graded pad, one mark
//! with two meanings, an id with two owners) is said by [`Rules::faults`] once the strips are known.

use std::collections::BTreeMap;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::check::{CheckCharacter, Rubbish};
use crate::class::{Class, EXTERNAL};
use crate::codes::{ANALYTES, Analyte};
use crate::controls::Lockout;
use crate::pattern::Pattern;
use crate::references::Reference;
use crate::strip::Strip;
use crate::units::Units;
use crate::words::quote;

/// Letters that a pattern of external quality samples has at least where a patient's id may fit it.
const LITERALS: usize = 2;

/// What the site says of one analyzer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Rules {
    /// The unit system that the analyzer is set to print.
    pub print_units: Units,
    /// What a patient's specimen id looks like.
    pub specimen: Pattern,
    /// Characters of the field that carries the specimen id.
    pub specimen_length_max: usize,
    /// The check character that ends every patient's specimen id of this laboratory.
    pub check_character: Option<CheckCharacter>,
    /// What the scanner puts around a specimen id.
    pub rubbish: Rubbish,
    /// Leading marks of a test number that mean control material.
    pub control_marks: Vec<ControlMark>,
    /// Leading marks of a test number that mean urgent work.
    pub stat_marks: Vec<String>,
    /// Classes by the leading digit of a number; with any, a number of no form has no class.
    pub leading_digits: Vec<LeadingDigit>,
    /// Specimen ids that mean control material.
    pub control_specimens: Vec<ControlSpecimen>,
    /// Specimen ids of external quality samples: they win over what else an id fits.
    pub external_quality: Vec<Pattern>,
    /// Who the sender must say it is.
    pub sender: Option<String>,
    /// References by analyte id; without one no reference is sent, and the flag is the analyzer's own mark.
    pub references: BTreeMap<String, Reference>,
    /// Hold a report whose own abnormal marks disagree with our flags.
    pub compare_marks: bool,
    /// What becomes of patients' reports while controls are failed or due.
    pub controls_policy: Lockout,
}

impl Default for Rules {
    fn default() -> Self {
        Self {
            print_units: Units::Conventional,
            specimen: "[A-Za-z0-9-]{4,20}".parse().expect("the default pattern is one"),
            specimen_length_max: 20,
            check_character: None,
            rubbish: Rubbish::default(),
            control_marks: Vec::new(),
            stat_marks: Vec::new(),
            leading_digits: Vec::new(),
            control_specimens: Vec::new(),
            external_quality: Vec::new(),
            sender: None,
            references: BTreeMap::new(),
            compare_marks: true,
            controls_policy: Lockout::default(),
        }
    }
}

/// A leading mark of a test number, written `Q1=1` or, without level, `Q`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct ControlMark {
    /// Letters, perhaps with digits; never digits alone, which could be anybody's number.
    pub mark: String,
    /// The level that it names; None: some other sign does.
    pub level: Option<String>,
}

/// A pattern of control specimen ids, written `QC-L1*=1` or, without level, `QC-*`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct ControlSpecimen {
    /// What the id looks like.
    pub pattern: Pattern,
    /// The level that it names; None: some other sign does.
    pub level: Option<String>,
}

/// Numbers of a certain length whose leading digit says their class, written `0xxx=routine`,
/// `5xxx=stat`, `9xxx=control` or, with a level, `9xxx=control:2`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct LeadingDigit {
    /// 0 to 9.
    pub digit: char,
    /// Digits of the whole number.
    pub length: usize,
    /// What a number of this form is.
    pub class: Class,
    /// Of control material.
    pub level: Option<String>,
}

/// True for what can name a level of control material.
///
/// One to eight letters or digits, and not [`EXTERNAL`].
#[must_use]
pub fn is_level(text: &str) -> bool {
    text != EXTERNAL
        && (1..=8).contains(&text.len())
        && text.bytes().all(|b| b.is_ascii_alphanumeric())
}

/// Splits `SIGN=LEVEL`; the level may be absent.
fn sign_and_level(text: &str) -> Result<(&str, Option<String>), String> {
    let (sign, level) = match text.rsplit_once('=') {
        Some((sign, level)) => (sign, Some(level)),
        None => (text, None),
    };
    if sign.is_empty() || !level.is_none_or(is_level) {
        return Err(format!(
            "`{text}`: write SIGN=LEVEL, such as Q1=1; a level is 1 to 8 letters or digits, \
             and not {EXTERNAL}"
        ));
    }
    Ok((sign, level.map(str::to_owned)))
}

impl FromStr for ControlMark {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (mark, level) = sign_and_level(text)?;
        if mark.bytes().all(|b| b.is_ascii_digit()) {
            return Err("a mark that is not made of digits alone, such as Q1".into());
        }
        Ok(ControlMark { mark: mark.to_owned(), level })
    }
}

impl FromStr for ControlSpecimen {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (pattern, level) = sign_and_level(text)?;
        Ok(ControlSpecimen { pattern: pattern.parse()?, level })
    }
}

impl FromStr for LeadingDigit {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || {
            format!(
                "`{text}`: write the digit, an x for each digit after it and the class, such as \
                 0xxx=routine, 5xxx=stat, 9xxx=control or 9xxx=control:2"
            )
        };
        let (form, class) = text.split_once('=').ok_or_else(wrong)?;
        let mut letters = form.chars();
        let digit = letters.next().filter(char::is_ascii_digit).ok_or_else(wrong)?;
        let fits = (2..=10).contains(&form.len()) && letters.all(|l| l == 'x');
        let (class, level) = match class.split_once(':') {
            Some(("control", level)) => (Class::Control, Some(level)),
            None => match class {
                "routine" => (Class::Routine, None),
                "stat" => (Class::Stat, None),
                "control" => (Class::Control, None),
                _ => return Err(wrong()),
            },
            Some(_) => return Err(wrong()),
        };
        if !fits || !level.is_none_or(is_level) {
            return Err(wrong());
        }
        Ok(LeadingDigit { digit, length: form.len(), class, level: level.map(str::to_owned) })
    }
}

impl Rules {
    /// Sets what a patient's specimen id looks like.
    ///
    /// The error says what is no pattern, and nothing is changed then.
    pub fn set_specimen(&mut self, pattern: &str) -> Result<(), String> {
        self.specimen = pattern.parse()?;
        Ok(())
    }

    /// Adds a leading mark of control material: `Q1=1`.
    ///
    /// The longest mark that fits a number counts.
    pub fn add_control_mark(&mut self, text: &str) -> Result<(), String> {
        self.control_marks.push(text.parse()?);
        Ok(())
    }

    /// Adds a pattern of control specimen ids: `QC-L1*=1`.
    ///
    /// Compared with the whole id, bare and with what the scanner put around it.
    pub fn add_control_specimen(&mut self, text: &str) -> Result<(), String> {
        self.control_specimens.push(text.parse()?);
        Ok(())
    }

    /// Adds a pattern of external quality samples: `EQA-[0-9]{4}`.
    ///
    /// Whether it takes ids from others, [`Rules::faults`] says.
    pub fn add_external_quality(&mut self, text: &str) -> Result<(), String> {
        self.external_quality.push(text.parse()?);
        Ok(())
    }

    /// Adds a leading mark of urgent work.
    ///
    /// Refused are the empty mark and one of digits alone.
    pub fn add_stat_mark(&mut self, mark: &str) -> Result<(), String> {
        if mark.is_empty() || mark.bytes().all(|b| b.is_ascii_digit()) {
            return Err("a mark that is not made of digits alone, such as \"S\"".into());
        }
        self.stat_marks.push(mark.to_owned());
        Ok(())
    }

    /// Adds a class by leading digit: `9xxx=control`.
    ///
    /// With any, a number of no form is held: nobody knows whose it is.
    pub fn add_leading_digit(&mut self, text: &str) -> Result<(), String> {
        self.leading_digits.push(text.parse()?);
        Ok(())
    }

    /// What the leading digit of a number says, where it has a configured form.
    #[must_use]
    pub fn leading_digit(&self, number: &str) -> Option<&LeadingDigit> {
        let number = number.trim();
        let digits = number.bytes().all(|b| b.is_ascii_digit());
        let fits = |l: &&LeadingDigit| l.length == number.len() && number.starts_with(l.digit);
        if digits { self.leading_digits.iter().find(fits) } else { None }
    }

    /// Adds what is normal for an analyte: `NEG`, `5.0-8.0` or `0-2.5 mg/dL, 0-25 mg/L`.
    ///
    /// The error lists the analytes, or says how a reference is written.
    pub fn add_reference(&mut self, analyte: &str, text: &str) -> Result<(), String> {
        if Analyte::find(analyte).is_none() {
            let known: Vec<&str> = ANALYTES.iter().map(|a| a.id).collect();
            return Err(format!("a key that is an analyte id: {}", known.join(", ")));
        }
        self.references.insert(analyte.to_owned(), text.parse()?);
        Ok(())
    }

    /// Whether this can be a patient's specimen id under this number; the error goes on from
    /// "specimen id X ...". A person's choice is held to the same rules as a print.
    pub fn check_specimen(&self, id: &str, number: Option<&str>) -> Result<(), String> {
        let mut letters = id.chars();
        let first = letters.next();
        if id.trim().is_empty() {
            return Err("is blank".into());
        }
        if number.is_some_and(|n| n.trim() == id.trim()) {
            return Err("is the test number".into());
        }
        if letters.clone().next().is_some() && letters.all(|l| Some(l) == first) {
            return Err("is one character repeated".into());
        }
        if id.chars().count() > self.specimen_length_max {
            let most = self.specimen_length_max;
            return Err(format!("is longer than the {most} characters of its field"));
        }
        if self.control_specimen(id).is_some() {
            return Err("is one of control material".into());
        }
        if self.is_external(id) {
            return Err("is one of an external quality sample".into());
        }
        if !self.specimen.matches(id) {
            return Err(format!("does not look like {}", self.specimen));
        }
        self.check_character.map_or(Ok(()), |system| system.check(id))
    }

    /// The control material that an id names, with or without what the scanner put around it.
    ///
    /// The first pattern that fits, in the order of the configuration.
    #[must_use]
    pub fn control_specimen(&self, id: &str) -> Option<&ControlSpecimen> {
        self.control_specimens.iter().find(|c| self.names(&c.pattern, id))
    }

    /// Whether an id is an external quality sample's, with or without what the scanner put around it.
    #[must_use]
    pub fn is_external(&self, id: &str) -> bool {
        self.external_quality.iter().any(|pattern| self.names(pattern, id))
    }

    fn names(&self, pattern: &Pattern, id: &str) -> bool {
        pattern.matches(id) || pattern.matches(self.rubbish.strip(id))
    }

    /// What the patterns of external quality samples take from others; one sentence each. An id that is
    /// a patient's as well never reaches a chart: a pattern needs letters of its own.
    fn external_faults(&self) -> Vec<String> {
        let mut faults = Vec::new();
        for pattern in &self.external_quality {
            let patients = self.specimen.shared(pattern).filter(|_| pattern.literals() < LITERALS);
            if let Some(id) = patients {
                faults.push(format!(
                    "external quality `{pattern}`: {} may be a patient's as well ({}), and would never be \
                     sent; give the pattern {LITERALS} or more letters that stand as they are, such as \
                     EQA-[0-9]{{4}}",
                    quote(&id),
                    self.specimen
                ));
            }
            for own in &self.control_specimens {
                if let Some(id) = own.pattern.shared(pattern) {
                    let (id, own) = (quote(&id), String::from(own.clone()));
                    faults.push(format!(
                        "external quality `{pattern}`: {id} is control material as well ({own}); give \
                         each a pattern that the other has no id of"
                    ));
                }
            }
        }
        faults
    }

    /// What may surprise, given the strips of this analyzer; one sentence each.
    #[must_use]
    pub fn notes(&self, strips: &[Strip]) -> Vec<String> {
        let mut notes = self.both_ids();
        for strip in strips {
            let bare = strip.pads.iter().filter(|p| !self.references.contains_key(&p.id));
            let bare: Vec<&str> = bare.map(|p| p.id.as_str()).collect();
            if !bare.is_empty() {
                notes.push(format!(
                    "strip {}: no reference for {}: nothing of theirs is flagged by us; OBX-8 carries the \
                     analyzer's own mark where it prints one",
                    strip.id,
                    bare.join(", ")
                ));
            }
            for (id, reference) in &self.references {
                let of_pad = strip.pad(id).map(|pad| reference.notes(pad)).unwrap_or_default();
                notes.extend(
                    of_pad
                        .iter()
                        .map(|why| format!("reference `{id}` with strip {}: {why}", strip.id)),
                );
            }
        }
        notes
    }

    /// Ids that `specimen` has as well; one sentence for each pattern.
    fn both_ids(&self) -> Vec<String> {
        let both = self.external_quality.iter().filter_map(|pattern| {
            let id = quote(&self.specimen.shared(pattern)?);
            Some(format!(
                "external quality `{pattern}`: {id} and its like, which could be patients' by {}, are \
                 filed and never sent",
                self.specimen
            ))
        });
        both.collect()
    }

    /// What cannot be meant, given the strips of this analyzer; one sentence each.
    ///
    /// Empty: nothing contradicts anything. Call it before the first report, with every strip of the
    /// analyzer.
    #[must_use]
    pub fn faults(&self, strips: &[Strip]) -> Vec<String> {
        let mut faults = Vec::new();
        for (id, reference) in &self.references {
            if Analyte::find(id).is_none() {
                faults.push(format!("reference `{id}`: no analyte has this id"));
            }
            for strip in strips {
                let why = strip.pad(id).and_then(|pad| reference.misfit(pad));
                faults.extend(
                    why.map(|why| format!("reference `{id}` with strip {}: {why}", strip.id)),
                );
            }
        }
        faults.extend(self.external_faults());
        for (n, form) in self.leading_digits.iter().enumerate() {
            let same = |l: &LeadingDigit| (l.digit, l.length) == (form.digit, form.length);
            if self.leading_digits.iter().take(n).any(same) {
                let form = String::from(form.clone());
                faults.push(format!("leading digit `{form}`: this form has a class already"));
            }
        }
        for mark in &self.control_marks {
            if self.stat_marks.contains(&mark.mark) {
                faults.push(format!("mark `{}` means control material and urgent work", mark.mark));
            }
        }
        faults
    }
}

macro_rules! as_text {
    ($name:ident, $value:ident => $text:expr) => {
        impl TryFrom<String> for $name {
            type Error = String;

            fn try_from(text: String) -> Result<Self, String> {
                text.parse()
            }
        }

        impl From<$name> for String {
            fn from($value: $name) -> String {
                $text
            }
        }
    };
}

pub(crate) use as_text;

as_text!(ControlMark, sign => with_level(sign.mark, sign.level));
as_text!(ControlSpecimen, sign => with_level(sign.pattern.into(), sign.level));
as_text!(LeadingDigit, form => {
    let level = form.level.map(|l| format!(":{l}")).unwrap_or_default();
    format!("{}{}={}{level}", form.digit, "x".repeat(form.length - 1), form.class.code())
});

fn with_level(sign: String, level: Option<String>) -> String {
    match level {
        Some(level) => format!("{sign}={level}"),
        None => sign,
    }
}

#[cfg(test)]
mod tests;
