//! The dialect as it is guessed so far, and the order in which it is guessed.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use wickline_listen::dialect;
use wickline_normalize::{RawLine, Report, Strip};

use super::dates::Dates;
use super::edges::Edges;
use super::heading::{self, Guess};
use super::layout::{self, Layout, Said};
use super::trial::{Trial, is_result, pad_of, tells};
use super::wire::{Line, Wire};
use super::write::{Page, few, text};
use super::{Capture, Draft, Unplaced, rungs, words};

/// Bytes of a capture that are looked at: some two hundred reports.
const MOST: usize = 256 * 1024;
/// Forms of a dialect at most are 60; each is tried alone.
const FORMS: usize = 40;

/// Everything guessed of a dialect.
#[derive(Clone, Debug, Default)]
struct Plan {
    name: String,
    wire: Wire,
    comma: bool,
    dates: Dates,
    edges: Edges,
    forms: Vec<Guess>,
    /// Forms of a class that do not load beside the others.
    beside: Vec<Guess>,
    /// Signs behind the number's digits, and what each most likely means.
    suffixes: BTreeMap<String, &'static str>,
    layout: Layout,
    /// Behind an index that runs before each label.
    is_indexed: bool,
    said: Said,
}

/// Drafts a dialect of this name, and the strip `NAME-strip`.
///
/// # Errors
/// What the captures lack: text, or results with a label that is known.
pub fn sketch(name: &str, captures: &[Capture<'_>]) -> Result<Draft, String> {
    let captures: Vec<Capture<'_>> = captures.iter().map(shortened).collect();
    let wire = Wire::of(&captures);
    let lines = wire.lines(&captures);
    if lines.is_empty() {
        return Err("there is no line of text in it".into());
    }
    let bare = layout::unindexed(&lines);
    let is_indexed = bare.is_some();
    // What is guessed of a print is guessed of its lines without their index; a trial reads them with it.
    let lines = bare.unwrap_or(lines);
    let mut plan = Plan {
        is_indexed,
        name: name.to_owned(),
        comma: has_comma(&lines),
        dates: Dates::of(&lines),
        edges: Edges::of(&lines),
        said: Said::of(&lines),
        wire,
        ..Plan::default()
    };
    let trial = plan.lay_out(&lines, &captures).filter(|trial| trial.known() > 0);
    let trial = plan.head(trial.ok_or_else(|| unrecognised(&lines))?, &captures);
    let trial = plan.number(trial, &captures);
    let strip = rungs::strip(&plan.name, &trial);
    let unplaced = unplaced(&trial, &captures, &strip);
    let known = trial.known();
    let reports = trial.reports.iter().filter(|(_, report)| !report.readings.is_empty()).count();
    let units = rungs::units(&trial);
    let control_ids = control_ids(&trial);
    Ok(Draft {
        dialect: plan.text(&lines),
        strip,
        units,
        readings: known,
        reports,
        control_ids,
        unplaced,
    })
}

/// A long capture is looked at up to the end of a line.
fn shortened<'a>(capture: &Capture<'a>) -> Capture<'a> {
    let Some(begun) = capture.bytes.get(..MOST) else { return *capture };
    let end =
        begun.iter().rposition(|byte| matches!(byte, b'\n' | b'\r')).map_or(MOST, |at| at + 1);
    Capture { bytes: begun.get(..end).unwrap_or(begun), ..*capture }
}

/// Whether numbers of results have a comma before their decimals.
fn has_comma(lines: &[Line]) -> bool {
    let own = lines
        .iter()
        .filter(|line| !words::labels(&line.text).is_empty() || line.text.starts_with(' '));
    let own: Vec<&str> = own.map(|line| line.text.as_str()).collect();
    let count = |sign: u8| {
        let digit = u8::is_ascii_digit;
        let inside =
            |three: &[u8]| matches!(three, [a, b, c] if digit(a) && *b == sign && digit(c));
        own.iter()
            .map(|line| line.as_bytes().windows(3).filter(|three| inside(three)).count())
            .sum::<usize>()
    };
    count(b',') > count(b'.')
}

impl Plan {
    /// The file; with the lines, the letters of which are asked about.
    fn text(&self, lines: &[Line]) -> String {
        let mut page = Page::default();
        page.note("A draft, made from captures by `wickline sketch`. Each line that begins with `# ?` asks");
        page.note("about what was guessed below it: answer it from the analyzer's manual or from the paper, mend");
        page.note("the guess, and delete the question. `wickline explain` shows what becomes of a capture.");
        page.line(format!("\nname = {}", text(&self.name)));
        self.wire.ask_encoding(&mut page, lines);
        page.line(format!("encoding = {}", text(self.wire.encoding)));
        page.ask("is this the sign before decimals?");
        page.line(format!("decimal = \"{}\"", if self.comma { "comma" } else { "point" }));
        self.dates.write(&mut page);
        self.wire.write(&mut page);
        self.edges.write(&self.wire, &mut page);
        self.write_number(&mut page);
        let print: Vec<&str> = lines.iter().map(|line| line.text.as_str()).collect();
        heading::write(&self.forms, &self.beside, &print, &mut page);
        self.layout.write(&self.said, &mut page);
        page.finish()
    }

    fn write_number(&self, page: &mut Page) {
        if self.suffixes.is_empty() {
            page.ask("does the number's first digit, or a sign behind it, tell a class? [number] says so");
            return;
        }
        page.line("\n[number]");
        page.ask("what does the sign behind some numbers mean: routine, urgent, control or controls-not-passed?");
        let pairs =
            self.suffixes.iter().map(|(sign, class)| format!("{} = \"{class}\"", text(sign)));
        page.line(format!("suffixes = {{ {} }}", pairs.collect::<Vec<_>>().join(", ")));
    }

    /// Takes what stands behind the digits of some numbers, and not of all, for a sign.
    fn number(&mut self, trial: Trial, captures: &[Capture<'_>]) -> Trial {
        let ends = |report: &Report| -> Option<String> {
            let number = report.number.as_deref()?;
            let digits = number.trim_end_matches(|c: char| !c.is_ascii_digit());
            (!digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit()))
                .then(|| number.get(digits.len()..).unwrap_or("").to_owned())
        };
        let all: Vec<(String, bool)> = trial
            .reports
            .iter()
            .filter_map(|(_, report)| Some((ends(report)?, report.signs.control_order)))
            .collect();
        for (sign, _) in all.iter().filter(|(sign, _)| !sign.is_empty()) {
            let control = all.iter().all(|(own, control)| (own == sign) == *control);
            self.suffixes.insert(sign.clone(), if control { "control" } else { "routine" });
        }
        let known = trial.known();
        match Trial::of(&self.text(&[]), captures).filter(|trial| trial.known() == known) {
            Some(better) => better,
            None => {
                self.suffixes.clear();
                trial
            }
        }
    }

    /// Keeps the layout by which most readings make sense; of equals the plainest.
    fn lay_out(&mut self, lines: &[Line], captures: &[Capture<'_>]) -> Option<Trial> {
        let mut best: Option<(Trial, Plan)> = None;
        let all = layout::candidates(lines);
        for layout in if self.is_indexed { layout::indexed(all) } else { all } {
            let mut plan = Plan { layout, ..self.clone() };
            if plan.layout.below {
                plan.head_above(lines);
            }
            let Some(trial) = Trial::of(&plan.text(&[]), captures) else { continue };
            if best.as_ref().is_none_or(|(other, _)| trial.score > other.score) {
                best = Some((trial, plan));
            }
        }
        let (trial, plan) = best?;
        *self = plan;
        Some(trial)
    }

    /// Where results stand below their labels: gives a form to each line that is neither.
    fn head_above(&mut self, lines: &[Line]) {
        let label =
            |line: &Line| words::begins(&line.text).is_some_and(|(_, rest)| rest.is_empty());
        let mut open: Vec<&str> = Vec::new();
        for (at, line) in lines.iter().enumerate() {
            let before = at.checked_sub(1).and_then(|at| lines.get(at));
            let result =
                before.is_some_and(|before| before.capture == line.capture && label(before));
            if !label(line) && !result && words::begins(&line.text).is_none() {
                open.push(&line.text);
            }
        }
        for guess in heading::forms(&open, None).into_iter().take(FORMS) {
            self.forms.push(guess);
            if dialect::parse(&self.text(&[]), "the draft").is_err() {
                self.forms.pop();
            }
        }
    }

    /// Gives the other lines their forms: each that loads beside the others and takes no reading away.
    fn head(&mut self, mut trial: Trial, captures: &[Capture<'_>]) -> Trial {
        if self.layout.below {
            return trial;
        }
        let known = trial.known();
        let sign = self.layout.sign.filter(|_| self.layout.record.is_none());
        let sign = sign.filter(|sign| matches!(sign, ';' | '|'));
        let reports = trial.reports.iter();
        let open: Vec<String> =
            reports.flat_map(|(_, report)| open(report, self.layout.record)).collect();
        let open: Vec<&str> = open.iter().map(String::as_str).collect();
        for guess in heading::forms(&open, sign).into_iter().take(FORMS) {
            let mut tried = [Some(guess.clone()), guess.never_empty()].into_iter().flatten();
            let better = tried.find_map(|guess| {
                self.forms.push(guess);
                let better = Trial::of(&self.text(&[]), captures);
                let better = better.filter(|trial| trial.known() == known);
                if better.is_none() {
                    self.forms.pop();
                }
                better
            });
            match better {
                Some(better) => trial = better,
                None if guess.list != "lines" => self.beside.push(guess),
                None => {}
            }
        }
        trial
    }
}

/// What stands in place of a specimen's id where a report is of control material.
fn control_ids(trial: &Trial) -> BTreeSet<String> {
    let control =
        trial.reports.iter().map(|(_, report)| report).filter(|report| report.signs.control_order);
    control.filter_map(|report| Some(report.specimen.as_ref()?.expose().to_owned())).collect()
}

/// Why there is no draft, with the lines that look most like results.
fn unrecognised(lines: &[Line]) -> String {
    let says = |line: &&Line| {
        let mut words = line.text.split(|c: char| c.is_whitespace() || ";|,".contains(c));
        words.any(|word| words::is_grade(word) || words::is_unit(word))
    };
    if let Some(line) = lines.iter().find(|line| words::labels(&line.text).len() > 2) {
        return format!(
            "no result was recognised in it: several labels stand in one line, as in {}, and no layout that is tried \
             here reads the results. Begin by hand, as the guide does: with headed and rows of [results] where lines \
             below it say one thing of all pads each, with heading and fields of [record] where each line is a report",
            few(&[line.text.trim()])
        );
    }
    let behind = lines.iter().find_map(|line| Some((words::ends(&line.text)?.1, line.text.trim())));
    if let Some((label, line)) = behind {
        return format!(
            "no result was recognised in it: the label stands behind its result, as {} in {}, and no layout that is \
             tried here reads that. Begin by hand, as the guide does, with cells = [\"result\", \"label\"]",
            few(&[label]),
            few(&[line])
        );
    }
    let some: Vec<&str> = lines.iter().filter(says).map(|line| line.text.trim()).take(3).collect();
    let looked = if some.is_empty() {
        "no line has a grade or a unit that is known".to_owned()
    } else {
        format!("lines with a grade or a unit are {}", few(&some))
    };
    format!(
        "no result was recognised in it, for no label in it is known; {looked}. Begin by hand, as the guide does"
    )
}

/// The lines of a report, or the fields of its lines, that are no results.
fn open(report: &Report, record: Option<char>) -> Vec<String> {
    let known = |line: usize| {
        let dated = |line: &RawLine| words::is_dated(line.text.expose());
        let pad = |reading| pad_of(report, reading).is_some();
        !report.lines.get(line).is_some_and(dated)
            && report.readings.iter().any(|reading| reading.line == line && pad(reading))
    };
    let results = among(report, known);
    let mut found = Vec::new();
    for (at, line) in report.lines.iter().enumerate() {
        let text = line.text.expose();
        if let Some(sign) = record {
            let fields = text.split(sign).filter(|field| !field.trim().is_empty());
            found.extend(fields.filter(|field| words::begins(field).is_none()).map(str::to_owned));
            continue;
        }
        let of_strip =
            report.readings.iter().any(|r| r.line == at && is_result(r)) && results.contains(&at);
        let read = report.readings.iter().any(|reading| reading.line == at);
        let doubted = report.doubts.iter().any(|doubt| doubt.line == Some(at));
        // What may be a result is left to the analyst, by its label or by its place: a form would read past it.
        let labelled = !words::labels(text).is_empty() || words::measures(text);
        let amid = known(at + 1) && at.checked_sub(1).is_some_and(known);
        let left = known(at) || of_strip || labelled || amid;
        if !text.trim().is_empty() && !left && (read || doubted) {
            found.push(text.to_owned());
        }
    }
    found
}

/// From the first result of a report to its last: those of known labels, and what reads as results around them.
fn among(report: &Report, known: impl Fn(usize) -> bool) -> Range<usize> {
    let lines = 0..report.lines.len();
    let Some(mut first) = lines.clone().find(|line| known(*line)) else { return 0..0 };
    let mut last = lines.clone().rfind(|line| known(*line)).unwrap_or(first);
    let is = |line: usize| report.readings.iter().any(|r| r.line == line && tells(r));
    while first > 0 && is(first - 1) {
        first -= 1;
    }
    while is(last + 1) {
        last += 1;
    }
    first..last + 1
}

/// What the draft does not understand of the captures.
fn unplaced(trial: &Trial, captures: &[Capture<'_>], strip: &str) -> Vec<Unplaced> {
    let strip = Strip::parse(strip, "the draft").ok();
    let mut found: Vec<Unplaced> = Vec::new();
    for (n, report) in &trial.reports {
        let doubts = report.doubts.iter().map(|doubt| (doubt.line, doubt.detail.clone()));
        let strange = report.readings.iter().filter_map(|reading| {
            let known = strip.as_ref().is_some_and(|strip| strip.pad_of(&reading.label).is_some());
            let line = report.lines.get(reading.line).map_or("", |line| line.text.expose());
            let why = if words::is_cut(&reading.label, line) {
                format!(
                    "its label has several words, and a blank ends it behind {}: no layout that is tried reads that",
                    few(&[&reading.label])
                )
            } else {
                "no pad is known by this label".to_owned()
            };
            (!known).then_some((Some(reading.line), why))
        });
        for (line, why) in doubts.chain(strange) {
            let text =
                line.and_then(|line| report.lines.get(line)).map_or("", |line| line.text.expose());
            let capture = captures.get(*n).map_or("", |capture| capture.name);
            let line = line.map(|line| line + 1);
            let one =
                Unplaced { capture: capture.to_owned(), line, text: text.trim().to_owned(), why };
            if !found.contains(&one) {
                found.push(one);
            }
        }
    }
    found
}
