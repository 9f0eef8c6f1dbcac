//! Reads an unframed printout by its shape.

use nom::branch::alt;
use nom::bytes::complete::tag;
use nom::character::complete::{char, digit1, space0};
use nom::combinator::{opt, recognize};
use nom::{IResult, Parser};
use wickline_normalize::{
    Hold, Mark, MarkMeaning, Moment, PrintedReading, Private, Reason, Report, Status,
};

use super::form::Field;
use super::shape::{Cell, DateOrder, Shape, Sign, Split};
use super::text::{cut, decode, flaw, given, raw_line};
use super::{Dialect, LinkKind};
use crate::ear::Transmission;

/// Words of a grade at most; a longer one is no grade but a line that was not understood.
const MAX_GRADE_WORDS: usize = 4;
/// Letters of a label at most.
const MAX_LABEL: usize = 24;

impl Dialect for Shape {
    fn name(&self) -> &str {
        &self.name
    }

    fn link(&self) -> LinkKind {
        LinkKind::Printed(self.rules.clone())
    }

    fn control_sign(&self) -> bool {
        self.header.iter().any(|(_, sign)| *sign == Sign::Control)
    }

    fn read(&self, transmission: &Transmission) -> Vec<Report> {
        let lines = transmission.lines.len();
        let report = Report {
            place: transmission.place,
            lines: Vec::with_capacity(lines),
            readings: Vec::with_capacity(lines),
            ..Report::default()
        };
        let mut page = Page { shape: self, report, date: None, time: None, told: false };
        let texts = decode(transmission, self.encoding);
        let mut found = Vec::new();
        for (index, (line, (text, valid))) in transmission.lines.iter().zip(&texts).enumerate() {
            page.report.lines.push(raw_line(line, text));
            if line.flawed {
                page.report.doubts.push(flaw(index));
            }
            if !valid || !(page.header(index, text, &mut found) || page.result(index, text)) {
                page.unreadable(index, "the line has no form that this dialect knows");
            }
        }
        page.report.doubts.extend(cut(&transmission.ending));
        page.finish().into_iter().collect()
    }
}

/// One print while it is read.
struct Page<'s> {
    shape: &'s Shape,
    report: Report,
    date: Option<(usize, String)>,
    time: Option<(usize, String)>,
    /// Some header line said something.
    told: bool,
}

impl Page<'_> {
    fn unreadable(&mut self, line: usize, detail: &str) {
        self.report.doubts.push(Hold::new(Reason::Unreadable, detail).at(line));
    }

    /// Reads a header line. False: it has no such form.
    fn header<'t>(
        &mut self,
        index: usize,
        text: &'t str,
        found: &mut Vec<(Field, &'t str)>,
    ) -> bool {
        let text = text.trim();
        let Some((_, sign)) = self.shape.header.iter().find(|(form, _)| form.fits(text, found))
        else {
            return false;
        };
        match sign {
            Sign::None => {}
            Sign::Control => self.report.signs.control_order = true,
            Sign::Urgent => self.report.signs.stat = true,
        }
        self.told |= *sign != Sign::None;
        for (field, text) in found.drain(..) {
            self.told |= field != Field::Any;
            if let Some(text) = given(text)
                && !self.set(index, field, text)
            {
                self.unreadable(index, "the same thing is printed twice, and not alike");
            }
        }
        true
    }

    /// Takes one header field. False: the print has said otherwise before.
    fn set(&mut self, index: usize, field: Field, text: &str) -> bool {
        let report = &mut self.report;
        match field {
            Field::Number => once(&mut report.number, text.to_owned()),
            Field::Strip => once(&mut report.strip, text.to_owned()),
            Field::Lot => once(&mut report.control_lot, text.to_owned()),
            Field::Specimen => once(&mut report.specimen, Private::new(text)),
            Field::Operator => once(&mut report.operator, Private::new(text)),
            Field::Level => match text.chars().next() {
                Some(level) => once(&mut report.signs.level, level),
                None => true,
            },
            Field::Date => once_at(&mut self.date, index, text),
            Field::Time => once_at(&mut self.time, index, text),
            Field::Any => true,
        }
    }

    /// Reads a result line. False: it is none.
    fn result(&mut self, index: usize, text: &str) -> bool {
        let Some(line) = ResultLine::read(self.shape, text) else { return false };
        self.report.readings.push(PrintedReading {
            label: line.label.to_owned(),
            parts: line.parts,
            unit: line.unit.map(str::to_owned),
            unit_implied: self.shape.unit_implied,
            mark: line.mark.map(|(text, meaning)| Mark { text: text.to_owned(), meaning }),
            status: if line.unread { Status::Unread } else { Status::Final },
            taken: None,
            line: index,
        });
        true
    }

    /// The report, unless the print said nothing and nothing in it was left unread.
    fn finish(mut self) -> Option<Report> {
        if let Some((line, date)) = self.date.take() {
            let time = self.time.as_ref().map(|(_, time)| time.as_str());
            self.report.taken = moment(self.shape.dates, &date, time);
            if self.report.taken.is_none() {
                self.unreadable(line, "the date or time is not one that the calendar has");
            }
        } else if let Some((line, _)) = self.time {
            self.unreadable(line, "a time is printed without its date");
        }
        let says = self.told || !self.report.readings.is_empty() || !self.report.doubts.is_empty();
        says.then_some(self.report)
    }
}

fn once<T: PartialEq>(slot: &mut Option<T>, value: T) -> bool {
    match slot {
        Some(before) => *before == value,
        None => {
            *slot = Some(value);
            true
        }
    }
}

fn once_at(slot: &mut Option<(usize, String)>, line: usize, text: &str) -> bool {
    slot.get_or_insert_with(|| (line, text.to_owned())).1 == text
}

/// One result line in its parts, not yet owned.
#[derive(Default)]
struct ResultLine<'t> {
    label: &'t str,
    parts: Vec<String>,
    unit: Option<&'t str>,
    mark: Option<(&'t str, MarkMeaning)>,
    unread: bool,
}

impl<'t> ResultLine<'t> {
    fn read(shape: &Shape, text: &'t str) -> Option<Self> {
        let mut line = ResultLine::default();
        let text = line.take_marks(shape, text)?;
        match &shape.split {
            Split::Columns(columns) => {
                for (cell, range) in columns {
                    line.cell(shape, *cell, columns_of(text, range.start, range.end))?;
                }
            }
            Split::Blanks(cells) => {
                let mut rest = text.trim();
                for (index, cell) in cells.iter().enumerate() {
                    let last = index + 1 == cells.len();
                    let end = if last { None } else { rest.find([' ', '\t']) };
                    let (word, after) = rest.split_at(end.unwrap_or(rest.len()));
                    line.cell(shape, *cell, word)?;
                    rest = after.trim_start();
                }
            }
            Split::Sign(sign, cells) => {
                let mut words = text.split(*sign);
                for cell in cells {
                    line.cell(shape, *cell, words.next().unwrap_or(""))?;
                }
                words.all(|word| word.trim().is_empty()).then_some(())?;
            }
        }
        line.is_one().then_some(line)
    }

    /// A label of sane length with at least one letter, and something beside it.
    fn is_one(&self) -> bool {
        self.label.len() <= MAX_LABEL
            && self.label.chars().any(char::is_alphabetic)
            && (self.unread || !self.parts.is_empty())
    }

    /// Takes a mark from either end of the line. With fixed columns one in front has its own cell,
    /// so that the other columns stay where they are.
    fn take_marks(&mut self, shape: &Shape, text: &'t str) -> Option<&'t str> {
        let mut rest = text.trim_end();
        for (mark, meaning) in &shape.marks {
            let alone = |before: &str| before.ends_with([' ', '\t']);
            if let Some(before) = rest.strip_suffix(mark.as_str()).filter(|b| alone(b)) {
                self.set_mark(&rest[before.len()..], *meaning)?;
                rest = before.trim_end();
                break;
            }
        }
        if matches!(shape.split, Split::Columns(_)) {
            return Some(rest);
        }
        let begun = rest.trim_start();
        for (mark, meaning) in &shape.marks {
            let Some(after) = begun.strip_prefix(mark.as_str()) else { continue };
            let letters = mark.ends_with(char::is_alphanumeric);
            if !letters || after.starts_with([' ', '\t']) {
                self.set_mark(&begun[..mark.len()], *meaning)?;
                return Some(after);
            }
        }
        Some(rest)
    }

    fn set_mark(&mut self, text: &'t str, meaning: MarkMeaning) -> Option<()> {
        self.mark.replace((text, meaning)).is_none().then_some(())
    }

    /// Takes one cell. None: it holds what its kind cannot be.
    fn cell(&mut self, shape: &Shape, cell: Cell, text: &'t str) -> Option<()> {
        let text = text.trim();
        if text.is_empty() {
            return Some(());
        }
        match cell {
            Cell::Ignore => {}
            Cell::Label => self.label = text,
            Cell::Unit => self.unit = Some(text),
            Cell::Mark => {
                let known = shape.marks.iter().find(|(mark, _)| mark == text);
                self.set_mark(text, known?.1)?;
            }
            _ if shape.unread.iter().any(|word| word == text) => self.unread = true,
            Cell::Grade => self.grade(text)?,
            Cell::Value => {
                let (rest, figure) = figure(shape.decimal, text).ok()?;
                self.parts.push(figure);
                self.unit_after(rest)?;
            }
            Cell::Result => self.words(shape, text)?,
        }
        Some(())
    }

    fn grade(&mut self, text: &str) -> Option<()> {
        (text.split_whitespace().count() <= MAX_GRADE_WORDS).then(|| self.parts.push(text.into()))
    }

    fn unit_after(&mut self, rest: &'t str) -> Option<()> {
        match given(rest) {
            None => Some(()),
            Some(unit) if !unit.contains([' ', '\t']) => {
                self.unit.replace(unit).is_none().then_some(())
            }
            Some(_) => None,
        }
    }

    /// A result cell: a grade, a number with its unit, or both, in either order.
    fn words(&mut self, shape: &Shape, text: &'t str) -> Option<()> {
        let starts =
            std::iter::once(0).chain(text.match_indices([' ', '\t']).map(|(blank, _)| blank + 1));
        for start in starts {
            let (before, from) = text.split_at_checked(start)?;
            let Ok((rest, figure)) = figure(shape.decimal, from) else { continue };
            if let Some(grade) = given(before) {
                self.grade(grade)?;
                self.parts.push(figure);
                return self.unit_after(rest);
            }
            self.parts.push(figure);
            let rest = rest.trim();
            let (unit, grade) = rest.split_at(rest.find([' ', '\t']).unwrap_or(rest.len()));
            self.unit_after(unit)?;
            return given(grade).map_or(Some(()), |grade| self.grade(grade));
        }
        self.grade(text)
    }
}

/// The characters of a line from one column to another.
fn columns_of(text: &str, from: usize, to: usize) -> &str {
    let mut places = text.char_indices().map(|(at, _)| at).chain(std::iter::once(text.len()));
    let start = places.nth(from).unwrap_or(text.len());
    let end = places.nth((to - from).saturating_sub(1)).unwrap_or(text.len());
    text.get(start..end).unwrap_or("")
}

/// A number as printed, with its comparator, and with a point before its decimals. What follows it
/// is a blank, the end, or a unit; anything else (`2+`, `1.0.0`) makes it no number.
fn figure(decimal: char, text: &str) -> IResult<&str, String> {
    let comparator =
        opt((alt((tag("<="), tag(">="), tag("<"), tag(">"), tag("≤"), tag("≥"))), space0));
    let digits = recognize((digit1, opt((char(decimal), digit1))));
    let (rest, (comparator, digits)) = (comparator, digits).parse(text)?;
    let unit = |c: char| c.is_alphabetic() || matches!(c, ' ' | '\t' | '/' | '%' | '[' | '{');
    if !rest.is_empty() && !rest.starts_with(unit) {
        return Err(nom::Err::Error(nom::error::Error::new(text, nom::error::ErrorKind::Verify)));
    }
    let sign = comparator.map_or("", |(sign, _)| sign);
    let mut figure = String::with_capacity(sign.len() + digits.len());
    figure.push_str(sign);
    match digits.split_once(decimal) {
        Some((whole, decimals)) => figure.extend([whole, ".", decimals]),
        None => figure.push_str(digits),
    }
    Ok((rest, figure))
}

/// A date and a time as printed. Two digits of a year are of this century.
fn moment(order: DateOrder, date: &str, time: Option<&str>) -> Option<Moment> {
    let mut parts = date.split(['-', '.', '/']);
    let (a, b, c) = (parts.next()?, parts.next()?, parts.next()?);
    if parts.next().is_some() {
        return None;
    }
    let (year, month, day) = match order {
        DateOrder::Ymd => (a, b, c),
        DateOrder::Dmy => (c, b, a),
        DateOrder::Mdy => (c, a, b),
    };
    let year: i16 = match year.len() {
        4 => year.parse().ok()?,
        2 => 2000 + year.parse::<i16>().ok()?,
        _ => return None,
    };
    let mut clock = time.map(|time| time.split(':'));
    let mut next = || clock.as_mut().and_then(Iterator::next);
    let (hour, minute, second, more) = (next(), next(), next(), next());
    let small = |text: &str| (1..=2).contains(&text.len()).then(|| text.parse().ok()).flatten();
    let moment = Moment {
        year,
        month: small(month)?,
        day: small(day)?,
        time: match (hour, minute) {
            (None, None) => None,
            (hour, minute) => Some((small(hour?)?, small(minute?)?)),
        },
        second: second.map_or(Some(None), |second| small(second).map(Some))?,
        offset: None,
    };
    (more.is_none() && moment.is_real()).then_some(moment)
}
