//! The shape of an unframed printout, as an analyst describes it in a dialect file.
//!
//! The notation is explained in `config/dialects/two-column.toml`.

#[cfg(test)]
mod tests;

use std::collections::BTreeMap;
use std::ops::Range;

use serde::Deserialize;
use toml::Spanned;
use wickline_normalize::{Fault, MarkMeaning};

use super::fault::{fault, of_toml};
use super::form::Form;
use super::text::Encoding;
use crate::printed::PrintRules;

const MILLISECOND: i64 = 1_000;
/// Most text of a dialect file.
const MAX_FILE: usize = 64 * 1024;

/// How a printout is to be read.
#[derive(Clone, Debug)]
pub(super) struct Shape {
    pub name: String,
    pub encoding: Encoding,
    pub decimal: char,
    pub dates: DateOrder,
    pub rules: PrintRules,
    pub header: Vec<(Form, Sign)>,
    pub split: Split,
    pub unit_implied: bool,
    pub unread: Vec<String>,
    pub marks: Vec<(String, MarkMeaning)>,
}

/// What it means that a header line has a form.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sign {
    None,
    Control,
    Urgent,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum DateOrder {
    Ymd,
    Dmy,
    Mdy,
}

/// How a result line falls into cells.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Split {
    /// By character columns, from 0, the end excluded.
    Columns(Vec<(Cell, Range<usize>)>),
    /// By runs of blanks; the last cell takes what is left.
    Blanks(Vec<Cell>),
    /// By one character.
    Sign(char, Vec<Cell>),
}

/// What stands in one cell of a result line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum Cell {
    Label,
    /// A grade, a number with its unit, or both.
    Result,
    Grade,
    Value,
    Unit,
    Mark,
    Ignore,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    name: Spanned<String>,
    #[serde(default)]
    encoding: FileEncoding,
    #[serde(default)]
    decimal: Decimal,
    dates: DateOrder,
    report: Spanned<FileReport>,
    header: FileHeader,
    results: Spanned<FileResults>,
    #[serde(default)]
    marks: BTreeMap<Spanned<String>, MarkMeaning>,
}

#[derive(Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum FileEncoding {
    #[default]
    #[serde(rename = "utf-8")]
    Utf8,
    #[serde(rename = "latin-1")]
    Latin1,
}

#[derive(Default, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Decimal {
    #[default]
    Point,
    Comma,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileReport {
    #[serde(default)]
    blank_lines: u32,
    #[serde(default)]
    form_feed: bool,
    silence_ms: Spanned<i64>,
    #[serde(default)]
    openers: Vec<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileHeader {
    lines: Vec<Spanned<String>>,
    #[serde(default)]
    control: Vec<Spanned<String>>,
    #[serde(default)]
    urgent: Vec<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileResults {
    split: Option<Spanned<String>>,
    #[serde(default)]
    cells: Vec<Cell>,
    #[serde(default)]
    columns: Vec<FileColumn>,
    #[serde(default)]
    unit_implied: bool,
    #[serde(default)]
    unread: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileColumn {
    cell: Cell,
    from: Spanned<usize>,
    to: usize,
}

impl Shape {
    /// Reads a dialect file, or says everything that is wrong with it.
    pub fn parse(text: &str, file: &str) -> Result<Shape, Vec<Fault>> {
        let source = (file, text);
        if text.len() > MAX_FILE {
            let found = format!("{} bytes", text.len());
            let allowed = format!("at most {MAX_FILE} bytes");
            return Err(vec![fault((file, ""), 0, "(file)", found, allowed)]);
        }
        let raw: File = toml::from_str(text).map_err(|error| vec![of_toml(source, &error)])?;
        let mut check = Check { source, faults: Vec::new() };
        let shape = check.shape(raw);
        if check.faults.is_empty() { Ok(shape) } else { Err(check.faults) }
    }
}

/// Turns the file's words into a shape and collects what is wrong.
struct Check<'a> {
    source: (&'a str, &'a str),
    faults: Vec<Fault>,
}

impl Check<'_> {
    fn fault(
        &mut self,
        at: usize,
        key: &str,
        found: impl Into<String>,
        allowed: impl Into<String>,
    ) {
        self.faults.push(fault(self.source, at, key, found, allowed));
    }

    fn shape(&mut self, raw: File) -> Shape {
        let name_fits = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if raw.name.get_ref().is_empty() || !raw.name.get_ref().chars().all(name_fits) {
            let found = format!("{:?}", raw.name.get_ref());
            self.fault(raw.name.span().start, "name", found, "small letters, digits and hyphens");
        }
        let mut header = self.forms("header.lines", &raw.header.lines, Sign::None);
        header.splice(0..0, self.forms("header.urgent", &raw.header.urgent, Sign::Urgent));
        header.splice(0..0, self.forms("header.control", &raw.header.control, Sign::Control));
        for mark in raw.marks.keys() {
            if mark.get_ref().is_empty() || mark.get_ref().contains(char::is_whitespace) {
                self.fault(mark.span().start, "marks", "blanks or nothing", "one word or sign");
            }
        }
        Shape {
            name: raw.name.into_inner(),
            encoding: match raw.encoding {
                FileEncoding::Utf8 => Encoding::Utf8,
                FileEncoding::Latin1 => Encoding::Latin1,
            },
            decimal: match raw.decimal {
                Decimal::Point => '.',
                Decimal::Comma => ',',
            },
            dates: raw.dates,
            rules: self.rules(raw.report.into_inner()),
            header,
            unit_implied: raw.results.get_ref().unit_implied,
            unread: raw.results.get_ref().unread.clone(),
            split: self.split(raw.results),
            marks: raw.marks.into_iter().map(|(mark, is)| (mark.into_inner(), is)).collect(),
        }
    }

    fn rules(&mut self, raw: FileReport) -> PrintRules {
        let silence = *raw.silence_ms.get_ref();
        if !(500..=60_000).contains(&silence) {
            let at = raw.silence_ms.span().start;
            self.fault(at, "report.silence_ms", silence.to_string(), "500 to 60000");
        }
        for opener in raw.openers.iter().filter(|opener| opener.get_ref().trim().is_empty()) {
            self.fault(opener.span().start, "report.openers", "blanks", "how a first line begins");
        }
        PrintRules {
            blank_lines: raw.blank_lines,
            form_feed: raw.form_feed,
            silence: silence.clamp(500, 60_000) * MILLISECOND,
            openers: raw.openers.iter().map(|o| o.get_ref().trim().as_bytes().to_vec()).collect(),
        }
    }

    fn forms(&mut self, key: &str, texts: &[Spanned<String>], sign: Sign) -> Vec<(Form, Sign)> {
        let mut forms = Vec::new();
        for text in texts {
            match Form::parse(text.get_ref()) {
                Ok(form) => forms.push((form, sign)),
                Err(allowed) => {
                    self.fault(text.span().start, key, format!("{:?}", text.get_ref()), allowed);
                }
            }
        }
        forms
    }

    fn split(&mut self, raw: Spanned<FileResults>) -> Split {
        let at = raw.span().start;
        let raw = raw.into_inner();
        let of_columns: Vec<Cell> = raw.columns.iter().map(|column| column.cell).collect();
        let cells = if raw.columns.is_empty() { &raw.cells } else { &of_columns };
        let says = |cell| cells.contains(&cell);
        if !says(Cell::Label) || !(says(Cell::Result) || says(Cell::Grade) || says(Cell::Value)) {
            let allowed = "a label, and a result, a grade or a value";
            self.fault(at, "results", "cells that make no result", allowed);
        }
        let apart = raw.split.is_some() || !raw.cells.is_empty();
        if apart != raw.columns.is_empty() || raw.columns.is_empty() && raw.split.is_none() {
            let allowed = "either `split` with `cells`, or `columns`";
            self.fault(at, "results", "both or neither", allowed);
        }
        for column in &raw.columns {
            if *column.from.get_ref() == 0 || column.to < *column.from.get_ref() {
                let found = format!("{} to {}", column.from.get_ref(), column.to);
                let at = column.from.span().start;
                self.fault(at, "results.columns", found, "columns counted from 1, from <= to");
            }
        }
        let Some(split) = raw.split else {
            let range = |c: &FileColumn| c.from.get_ref().saturating_sub(1)..c.to;
            return Split::Columns(raw.columns.iter().map(|c| (c.cell, range(c))).collect());
        };
        let mut letters = split.get_ref().chars();
        match (split.get_ref().as_str(), letters.next(), letters.next()) {
            ("blanks", ..) => Split::Blanks(raw.cells),
            ("tab", ..) => Split::Sign('\t', raw.cells),
            (_, Some(sign), None) if sign.is_ascii_punctuation() => Split::Sign(sign, raw.cells),
            (found, ..) => {
                let found = format!("{found:?}");
                let at = split.span().start;
                self.fault(at, "results.split", found, "\"blanks\", \"tab\" or one sign");
                Split::Blanks(raw.cells)
            }
        }
    }
}
