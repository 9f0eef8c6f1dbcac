//! Which dialect and which strip fit what was heard of an analyzer: each of those that are shipped is tried.
//!
//! The program's own reader reads; here it is only counted what it understood. Nothing is decided by it: a person sees
//! the counts, and says which it is.

use std::collections::BTreeSet;

use wickline_listen::dialect::{self, Dialect};
use wickline_listen::ear::hear;
use wickline_normalize::strip::{Pad, Strip};
use wickline_normalize::{Figure, PrintedReading, Report, Units};

/// Results that are named as unknown at most.
const SHOWN: usize = 4;

/// What one dialect made of the bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DialectFit {
    pub name: String,
    /// Lines that it understood, of all that were heard and are not blank.
    pub understood: usize,
    pub lines: usize,
    pub readings: usize,
    /// Reports of which nothing is in doubt, and all.
    pub clean: usize,
    pub reports: usize,
}

/// What one strip made of the readings.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StripFit {
    pub name: String,
    /// Readings whose label it knows and whose result stands on the ladder, of all.
    pub placed: usize,
    pub readings: usize,
    /// Some of those that it does not know, as printed.
    pub strange: Vec<String>,
    /// Pads that every report must have, and that none has.
    pub missing: Vec<String>,
}

/// In which unit system numbers are printed, as far as the two differ.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct UnitsFit {
    pub conventional: usize,
    pub si: usize,
}

impl DialectFit {
    /// In words, for people.
    #[must_use]
    pub fn words(&self) -> String {
        let Self { understood, lines, readings, clean, reports, .. } = self;
        format!(
            "understands {understood} of {lines} lines: {readings} results in {reports} reports, {clean} of them \
             without a doubt"
        )
    }
}

impl StripFit {
    /// In words, for people.
    #[must_use]
    pub fn words(&self) -> String {
        let lacks = match self.missing.as_slice() {
            [] => String::new(),
            missing => format!("; of its pads no report has {}", missing.join(", ")),
        };
        let strange = match self.strange.as_slice() {
            [] => String::new(),
            some => format!(", not {}", some.join(", ")),
        };
        format!("knows {} of {} results{strange}{lacks}", self.placed, self.readings)
    }
}

impl UnitsFit {
    /// What the print says, where it says one thing alone.
    #[must_use]
    pub fn word(self) -> Option<&'static str> {
        match (self.conventional, self.si) {
            (1.., 0) => Some("conventional"),
            (0, 1..) => Some("si"),
            _ => None,
        }
    }
}

/// Whether an analyzer only asks to send, as those on the LIS01 link do until they are answered.
#[must_use]
pub fn asks_to_send(prints: &[Vec<u8>]) -> bool {
    prints.iter().any(|bytes| bytes.contains(&0x05))
}

/// Every shipped dialect, the one that understands most first.
#[must_use]
pub fn dialects(prints: &[Vec<u8>]) -> Vec<DialectFit> {
    let names = dialect::builtin_names().iter();
    let mut all: Vec<DialectFit> = names
        .filter_map(|name| Some(dialect_fit(name, dialect::builtin(name)?.as_ref(), prints)))
        .collect();
    // Stable: among equals as they are shipped.
    all.sort_by_key(|fit| std::cmp::Reverse((fit.understood, fit.clean, fit.readings)));
    all
}

/// What one dialect makes of the prints, each of them heard by itself.
#[must_use]
pub fn dialect_fit(name: &str, dialect: &dyn Dialect, prints: &[Vec<u8>]) -> DialectFit {
    let is_text = |byte: &u8| *byte > b' ';
    let lines = prints.iter().flat_map(|bytes| bytes.split(|byte| matches!(byte, b'\r' | b'\n')));
    let lines = lines.filter(|line| line.iter().any(is_text)).count();
    let reports = reports(dialect, prints);
    // A report of which nothing is a result is a guess that led nowhere.
    let told = reports.iter().filter(|report| !report.readings.is_empty());
    let understood = told.clone().map(understood).sum::<usize>().min(lines);
    DialectFit {
        name: name.to_owned(),
        understood,
        lines,
        readings: told.clone().map(|report| report.readings.len()).sum(),
        clean: told.clone().filter(|report| report.doubts.is_empty()).count(),
        reports: told.count(),
    }
}

fn reports(dialect: &dyn Dialect, prints: &[Vec<u8>]) -> Vec<Report> {
    let heard = prints.iter().flat_map(|bytes| hear(dialect, bytes));
    heard.flat_map(|one| dialect.read(&one)).collect()
}

/// Lines of a report that are not blank, and not doubted.
fn understood(report: &Report) -> usize {
    let doubted: BTreeSet<usize> = report.doubts.iter().filter_map(|doubt| doubt.line).collect();
    let all = report.lines.iter().enumerate();
    all.filter(|(n, line)| !doubted.contains(n) && !line.text.expose().trim().is_empty()).count()
}

/// Every shipped strip, the one that knows most first.
#[must_use]
pub fn strips(dialect: &dyn Dialect, prints: &[Vec<u8>]) -> Vec<StripFit> {
    let reports = reports(dialect, prints);
    let all: Vec<&PrintedReading> = reports.iter().flat_map(|report| &report.readings).collect();
    let fit = |name: &&str| {
        let strip = Strip::builtin(name)?;
        let known = |reading: &&&PrintedReading| is_placed(&strip, reading);
        let there: BTreeSet<usize> = all.iter().filter_map(|r| strip.pad_of(&r.label)).collect();
        let pads = strip.pads.iter().enumerate();
        let missing = pads.filter(|(n, pad)| !pad.optional && !there.contains(n));
        Some(StripFit {
            name: (*name).to_owned(),
            placed: all.iter().filter(known).count(),
            readings: all.len(),
            strange: strange(&strip, &all),
            missing: missing.map(|(_, pad)| pad.id.clone()).collect(),
        })
    };
    let mut fits: Vec<StripFit> = Strip::builtin_names().iter().filter_map(fit).collect();
    fits.sort_by_key(|fit| (std::cmp::Reverse(fit.placed), fit.missing.len()));
    fits
}

/// The first results that a strip does not know, each once.
fn strange(strip: &Strip, all: &[&PrintedReading]) -> Vec<String> {
    let mut named: Vec<String> = Vec::new();
    for reading in all.iter().filter(|reading| !is_placed(strip, reading)) {
        let parts = reading.parts.iter().map(|part| part.to_string());
        let text =
            [reading.label.to_string()].into_iter().chain(parts).collect::<Vec<_>>().join(" ");
        if named.len() < SHOWN && !named.contains(&text) {
            named.push(text);
        }
    }
    named
}

/// What the numbers and units of a print say of its unit system, by a strip that knows them.
#[must_use]
pub fn units(dialect: &dyn Dialect, strip: &Strip, prints: &[Vec<u8>]) -> UnitsFit {
    let mut found = UnitsFit::default();
    for report in reports(dialect, prints) {
        for reading in &report.readings {
            let Some(pad) = strip.pad_of(&reading.label).and_then(|at| strip.pads.get(at)) else {
                continue;
            };
            let [conventional, si] =
                [Units::Conventional, Units::Si].map(|units| is_printed_in(pad, reading, units));
            found.conventional += usize::from(conventional && !si);
            found.si += usize::from(si && !conventional);
        }
    }
    found
}

/// Whether a number with its unit can be one of this system.
fn is_printed_in(pad: &Pad, reading: &PrintedReading, units: Units) -> bool {
    let mut numbers = reading.parts.iter().filter_map(|part| Figure::read(part)).peekable();
    let spelled = reading
        .unit
        .as_deref()
        .is_none_or(|unit| pad.measure(units).is_some_and(|measure| measure.is_spelled(unit)));
    let measured = pad.measured.is_some();
    numbers.peek().is_some()
        && spelled
        && numbers.all(|number| measured || !pad.rungs_meant(&number, units).is_empty())
}

/// Whether a strip knows the label, and every part of the result.
fn is_placed(strip: &Strip, reading: &PrintedReading) -> bool {
    let Some(pad) = strip.pad_of(&reading.label).and_then(|at| strip.pads.get(at)) else {
        return false;
    };
    let known = |part: &str| match Figure::read(part) {
        Some(number) => {
            let on = |units| !pad.rungs_meant(&number, units).is_empty();
            pad.measured.is_some() || on(Units::Conventional) || on(Units::Si)
        }
        None => pad.grade_of(part).is_some() || pad.says_unread(part),
    };
    reading.parts.iter().all(|part| known(part))
}
