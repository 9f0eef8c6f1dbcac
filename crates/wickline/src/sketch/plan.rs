//! The dialect as it is guessed so far, and the order in which it is guessed.

use wickline_listen::dialect;
use wickline_normalize::{Report, Strip};

use super::dates::Dates;
use super::edges::Edges;
use super::heading::{self, Guess};
use super::layout::{self, Layout, Said};
use super::trial::{Trial, is_result};
use super::wire::{Line, Wire};
use super::write::{Page, text};
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
    layout: Layout,
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
    let mut plan = Plan {
        name: name.to_owned(),
        comma: has_comma(&lines),
        dates: Dates::of(&lines),
        edges: Edges::of(&lines),
        said: Said::of(&lines),
        wire,
        ..Plan::default()
    };
    plan.lay_out(&lines, &captures);
    let trial = plan.head(&captures)?;
    let strip = rungs::strip(&plan.name, &trial);
    let unplaced = unplaced(&trial, &captures, &strip);
    let known = trial.known();
    let reports = trial.reports.iter().filter(|(_, report)| !report.readings.is_empty()).count();
    let units = rungs::units(&trial);
    Ok(Draft { dialect: plan.text(&lines), strip, units, readings: known, reports, unplaced })
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
        page.ask("does the number's first digit, or a sign behind it, tell control material or urgent work? [number]");
        heading::write(&self.forms, &mut page);
        self.layout.write(&self.said, &mut page);
        page.finish()
    }

    /// Keeps the layout by which most readings make sense; of equals the plainest.
    fn lay_out(&mut self, lines: &[Line], captures: &[Capture<'_>]) {
        let mut best = None;
        for layout in layout::candidates(lines) {
            let mut plan = Plan { layout, ..self.clone() };
            if plan.layout.below {
                plan.head_above(lines);
            }
            let Some(trial) = Trial::of(&plan.text(&[]), captures) else { continue };
            if best.as_ref().is_none_or(|(score, _)| trial.score > *score) {
                best = Some((trial.score, plan));
            }
        }
        if let Some((_, plan)) = best {
            *self = plan;
        }
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
    fn head(&mut self, captures: &[Capture<'_>]) -> Result<Trial, String> {
        let none = "no result was recognised in it: no label that is known, with a grade or a number beside it";
        let mut trial =
            Trial::of(&self.text(&[]), captures).filter(|trial| trial.known() > 0).ok_or(none)?;
        if self.layout.below {
            return Ok(trial);
        }
        let known = trial.known();
        let sign = self.layout.lines.first().filter(|_| self.layout.record.is_none());
        let sign = sign
            .and_then(|line| line.strip_prefix("split = \"")?.strip_suffix('"')?.chars().next());
        let sign = sign.filter(|sign| matches!(sign, ';' | '|'));
        let reports = trial.reports.iter();
        let open: Vec<String> =
            reports.flat_map(|(_, report)| open(report, self.layout.record)).collect();
        let open: Vec<&str> = open.iter().map(String::as_str).collect();
        for guess in heading::forms(&open, sign).into_iter().take(FORMS) {
            self.forms.push(guess);
            match Trial::of(&self.text(&[]), captures).filter(|trial| trial.known() == known) {
                Some(better) => trial = better,
                None => drop(self.forms.pop()),
            }
        }
        Ok(trial)
    }
}

/// The lines of a report, or the fields of its lines, that are no results.
fn open(report: &Report, record: Option<char>) -> Vec<String> {
    let known = |line: usize| {
        report
            .readings
            .iter()
            .any(|reading| reading.line == line && words::pad(&reading.label).is_some())
    };
    let first = (0..report.lines.len()).find(|line| known(*line)).unwrap_or(usize::MAX);
    let last = (0..report.lines.len()).rfind(|line| known(*line)).unwrap_or(0);
    let mut found = Vec::new();
    for (at, line) in report.lines.iter().enumerate() {
        let text = line.text.expose();
        if let Some(sign) = record {
            let fields = text.split(sign).filter(|field| !field.trim().is_empty());
            found.extend(fields.filter(|field| words::begins(field).is_none()).map(str::to_owned));
            continue;
        }
        let of_strip =
            report.readings.iter().any(|r| r.line == at && is_result(r) && first < at && at < last);
        let read = report.readings.iter().any(|reading| reading.line == at);
        let doubted = report.doubts.iter().any(|doubt| doubt.line == Some(at));
        // A line with a known label that is no reading is left to the analyst: a form would read past a result.
        let labelled = words::begins(text).is_some_and(|(_, rest)| !rest.is_empty());
        if !text.trim().is_empty() && !known(at) && !of_strip && !labelled && (read || doubted) {
            found.push(text.to_owned());
        }
    }
    found
}

/// What the draft does not understand of the captures.
fn unplaced(trial: &Trial, captures: &[Capture<'_>], strip: &str) -> Vec<Unplaced> {
    let strip = Strip::parse(strip, "the draft").ok();
    let mut found: Vec<Unplaced> = Vec::new();
    for (n, report) in &trial.reports {
        let doubts = report.doubts.iter().map(|doubt| (doubt.line, doubt.detail.clone()));
        let strange = report.readings.iter().filter_map(|reading| {
            let known = strip.as_ref().is_some_and(|strip| strip.pad_of(&reading.label).is_some());
            (!known).then(|| (Some(reading.line), "no pad is known by this label".to_owned()))
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
