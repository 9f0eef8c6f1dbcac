//! An account as a page that stands alone: for a browser, for A4, for a file beside the validation.

use std::path::Path;

use askama::Template;

use super::Whole;
use super::account::{Explained, Line, NOT_UNDERSTOOD, Told};
use super::screen::{obx, reading, rung, segments};
use crate::cli::Failure;
use crate::clock;
use crate::marks::named;
use crate::settings::bench::{Analyzer, Bench, Target};

#[derive(Template)]
#[template(path = "explain.html")]
struct Page<'a> {
    name: String,
    site: &'a str,
    made: String,
    version: &'static str,
    dialect: String,
    receiver: &'a str,
    units: &'static str,
    legend: Vec<(&'static str, &'static str)>,
    reports: Vec<Shown<'a>>,
    questions: &'a [String],
    outside: Vec<(u64, u64, &'a str)>,
    missed: Vec<(usize, usize, String)>,
}

/// One report as the page has it: nothing in it can steer a browser or hide from a reader.
struct Shown<'a> {
    told: &'a Explained,
    number: String,
    class: String,
    specimen: String,
    taken: String,
    operator: String,
    strip: String,
    lines: Vec<Row<'a>>,
    readings: Vec<Reading>,
    holds: Vec<(String, String, &'static str)>,
    segments: Vec<String>,
}

struct Row<'a> {
    line: usize,
    sign: Option<String>,
    pieces: Vec<Piece>,
    heard: Option<&'a str>,
}

struct Piece {
    text: String,
    what: Option<&'static str>,
    class: &'static str,
}

struct Reading {
    lines: String,
    printed: String,
    analyte: String,
    rung: String,
    reading: String,
    conversion: String,
    flag: String,
    obx: Vec<String>,
}

/// Writes the page.
pub fn write(
    file: &Path,
    whole: &Whole,
    bench: &Bench,
    analyzer: &Analyzer,
    target: &Target,
) -> Result<(), Failure> {
    let page = Page {
        name: named(&whole.name),
        site: &bench.site_name,
        made: bench.clock.rfc3339(clock::now_us()),
        version: env!("CARGO_PKG_VERSION"),
        dialect: named(analyzer.dialect.name()),
        receiver: &target.id,
        units: target.choice.units.text(),
        legend: legend(whole),
        reports: whole.reports.iter().map(shown).collect(),
        questions: &whole.questions,
        outside: whole.outside.iter().map(|(p, text)| (p.from, p.to, text.as_str())).collect(),
        missed: whole.missed.iter().map(|m| (m.report, m.line, named(&m.text))).collect(),
    };
    let text = page
        .render()
        .map_err(|e| Failure::unreachable(format!("writing {}: {e}", file.display())))?;
    crate::cli::file::write(file, &text)
}

fn shown(report: &Explained) -> Shown<'_> {
    let dash = |text: &Option<String>| named(text.as_deref().unwrap_or("-"));
    Shown {
        told: report,
        number: dash(&report.number),
        class: report.class(),
        specimen: dash(&report.specimen),
        taken: dash(&report.taken_at),
        operator: dash(&report.operator),
        strip: if report.strip.is_empty() { "-".into() } else { named(&report.strip) },
        lines: report.anatomy.iter().map(|line| row(line, report.sign(line.line))).collect(),
        readings: report.readings.iter().map(told).collect(),
        holds: report
            .holds
            .iter()
            .map(|hold| {
                let line = hold.line.map_or(String::new(), |l| format!(" (line {l})"));
                (format!("{}{line}", hold.reason), named(&hold.detail), hold.remedy)
            })
            .collect(),
        segments: segments(report).collect(),
    }
}

fn row(line: &Line, sign: Option<String>) -> Row<'_> {
    let pieces = line
        .pieces()
        .into_iter()
        .map(|(text, what)| Piece { text, what, class: what.map_or("", class) })
        .collect();
    Row { line: line.line, sign, pieces, heard: line.beneath() }
}

fn told(told: &Told) -> Reading {
    let lines: Vec<String> = told.reading.lines.iter().map(|l| (l + 1).to_string()).collect();
    let conversion = told.conversion.as_ref().map_or("-", |c| c.words.as_str());
    Reading {
        lines: lines.join(", "),
        printed: named(&told.as_printed),
        analyte: named(told.reading.analyte.as_deref().unwrap_or("?")),
        rung: rung(told),
        reading: reading(told),
        conversion: named(conversion),
        flag: named(&told.flag_why),
        obx: told.obx.iter().map(obx).collect(),
    }
}

/// The words that occur, each once.
fn legend(whole: &Whole) -> Vec<(&'static str, &'static str)> {
    let mut known: Vec<(&'static str, &'static str)> = Vec::new();
    let lines = whole.reports.iter().flat_map(|report| &report.anatomy);
    for part in lines.flat_map(|line| &line.parts) {
        if !known.iter().any(|(word, _)| *word == part.what) {
            known.push((part.what, class(part.what)));
        }
    }
    known
}

fn class(what: &str) -> &'static str {
    match what {
        NOT_UNDERSTOOD => "bad",
        "ignored" | "words" => "quiet",
        "mark" | "priority" | "status" | "action" => "mark",
        "grade" => "grade",
        "number" | "specimen" | "patient" => "id",
        "value" => "value",
        "unit" => "unit",
        "label" => "label",
        _ => "other",
    }
}
