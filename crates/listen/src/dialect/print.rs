//! Reads an unframed printout by its shape.
//!
//! Line by line: a line that has a header form is a header, else it is the next line of a reading under way, else the
//! first line of one, else it was not understood and holds the report. Nothing is read past in silence, and nothing is
//! corrected: what is printed twice and not alike holds the report as well.

mod checked;
mod finish;
mod rows;

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::slice;

use wickline_normalize::words::quote;
use wickline_normalize::{
    Hold, Mark, Parts, PrintedReading, Private, Reason, Report, Status, Text,
};

use self::checked::Sum;
use self::rows::Headed;
use super::anatomy::{self, LineAnatomy};
use super::calendar::{Said, Times};
use super::codepage;
use super::entry::{Entry, Word};
use super::form::{Field, Form};
use super::parts::Single;
use super::shape::{Heading, Shape, Sign};
use super::text::{Line, control, decode, flaw, given, is_overprinted, overprint, raw_line};
use super::{Dialect, LinkKind};
use crate::ear::Transmission;
use crate::printed::control;

const NO_FORM: &str = "the line has no form that this dialect knows";
const HALF: &str = "what belongs below this line did not come";
const EITHER: &str = "the line may end the reading above or be one of its own";

impl Dialect for Shape {
    fn name(&self) -> &str {
        &self.name
    }

    fn link(&self) -> LinkKind {
        LinkKind::Printed(self.rules.clone())
    }

    fn control_sign(&self) -> bool {
        self.has_sign(Sign::Control)
    }

    fn not_passed_sign(&self) -> bool {
        self.has_sign(Sign::NotPassed)
    }

    fn several(&self) -> bool {
        self.parts.is_some()
    }

    fn read(&self, transmission: &Transmission) -> Vec<Report> {
        match &self.parts {
            None => read(self, transmission, false, false).0.into_iter().collect(),
            Some(parts) => {
                let parts = parts.of(self.record.as_ref(), transmission);
                let several = parts.len() > 1;
                let report = |part: &Single| read(self, &part.transmission, false, several).0;
                parts.iter().filter_map(report).collect()
            }
        }
    }

    fn anatomy(&self, transmission: &Transmission) -> Vec<LineAnatomy> {
        let Some(parts) = &self.parts else { return read(self, transmission, true, false).1 };
        let mut lines = BTreeMap::new();
        for part in parts.of(self.record.as_ref(), transmission) {
            for own in read(self, &part.transmission, true, true).1 {
                let line = part.lines.get(own.line).copied().unwrap_or(own.line);
                lines.entry(line).or_insert(LineAnatomy { line, ..own });
            }
        }
        lines.into_values().collect()
    }

    fn encode(&self, text: &str) -> Option<Vec<u8>> {
        codepage::encode(self.encoding, text)
    }

    fn unchecked<'l>(&self, line: &'l str) -> &'l str {
        let found = self.check.as_ref().and_then(|check| Some((check, check.split(line)?.0)));
        found.map_or(line, |(check, counted)| check.rest(counted))
    }

    fn checked(&self, lines: Vec<String>) -> Vec<String> {
        let Some(check) = &self.check else { return lines };
        check.printed(lines, |text| self.encode(text).unwrap_or_default())
    }
}

/// Reads one report; one of `several` on a page is told even if it says nothing.
fn read(
    shape: &Shape,
    transmission: &Transmission,
    apart: bool,
    several: bool,
) -> (Option<Report>, Vec<LineAnatomy>) {
    let texts = texts(shape, transmission);
    let mut page = Page::new(shape, transmission, apart);
    page.told = several;
    page.lines(transmission, &texts);
    page.finish(transmission)
}

/// Every line as it stands on the paper, and whether its bytes were valid.
fn texts<'t>(shape: &Shape, transmission: &'t Transmission) -> Vec<Line<'t>> {
    let mut lines = decode(transmission, shape.encoding);
    // A line without an end of its own has no place for a carriage return.
    let over = shape.rules.length == 0;
    for line in lines.iter_mut().filter(|line| over && !line.plain && is_overprinted(&line.text)) {
        if let Some(paper) = overprint(&line.text) {
            line.text = Cow::Owned(paper);
        }
    }
    lines
}

/// Why a line cannot be read at all.
fn damaged(shape: &Shape, line: &Line<'_>) -> Option<String> {
    if line.plain {
        return None;
    }
    if !line.valid {
        return Some("the line holds bytes that are no letters of the dialect's encoding".into());
    }
    let letter = control(&line.text)?;
    Some(if shape.rules.length == 0 && matches!(letter, '\r' | '\u{8}') {
        "different letters are printed over one another".to_owned()
    } else {
        let name = control::name(letter);
        format!("the line holds the control character {name}, of which the dialect says nothing")
    })
}

/// One print while it is read.
///
/// Lives for one transmission.
struct Page<'s, 't> {
    shape: &'s Shape,
    report: Report,
    said: Said<'t>,
    /// The first line with a part of the date or time.
    said_at: Option<usize>,
    /// Every time with the date that it belongs to, where a print may have several.
    moments: Vec<(usize, Said<'t>)>,
    /// How many readings the print says that it has.
    count: Option<(usize, &'t str)>,
    /// How many of them it says that it has marked.
    marked: Option<(usize, &'t str)>,
    /// Each page that the print names: its line, which it is, and of how many.
    pages: Vec<(usize, &'t str, &'t str)>,
    expiry: Option<(usize, &'t str)>,
    /// A reading whose further lines may come.
    pending: Option<Pending<'t>>,
    off: Vec<(usize, &'t str)>,
    /// How many readings are told by their place so far.
    place: usize,
    headed: Option<Headed<'t>>,
    sum: Sum,
    /// The check characters of the line that is being read.
    digits: &'t str,
    /// The line that is being read, of which a record reads parts.
    whole: &'t str,
    /// Some header line said something.
    told: bool,
    anatomy: Option<Vec<LineAnatomy>>,
    found: [Vec<(Field, &'t str)>; 2],
}

/// A reading under way: the line it began with, and which of its lines may come next.
#[derive(Clone, Copy)]
struct Pending<'t> {
    entry: Entry<'t>,
    line: usize,
    next: usize,
}

impl<'s: 't, 't> Page<'s, 't> {
    fn new(shape: &'s Shape, transmission: &Transmission, apart: bool) -> Self {
        let lines = transmission.lines.len();
        let beside = shape.results.entries.is_some();
        let report = Report {
            place: transmission.place,
            lines: Vec::with_capacity(lines),
            readings: Vec::with_capacity(if beside { 2 * lines } else { lines }),
            ..Report::default()
        };
        Self {
            shape,
            report,
            said: Said::default(),
            said_at: None,
            moments: Vec::new(),
            count: None,
            marked: None,
            pages: Vec::new(),
            expiry: None,
            pending: None,
            off: Vec::new(),
            place: 0,
            headed: None,
            sum: Sum::default(),
            digits: "",
            whole: "",
            told: false,
            anatomy: apart.then(Vec::new),
            found: Default::default(),
        }
    }

    fn lines(&mut self, transmission: &Transmission, texts: &'t [Line<'_>]) {
        for (index, (line, read)) in transmission.lines.iter().zip(texts).enumerate() {
            let text: &'t str = &read.text;
            self.report.lines.push(raw_line(line, text));
            if line.flawed {
                self.report.doubts.push(flaw(index));
            }
            self.whole = text;
            if let Some(why) = damaged(self.shape, read) {
                self.settle();
                self.unreadable(index, &why);
                self.apart(index, text, &[], "not understood");
                if let Some(check) = &self.shape.check {
                    self.count_in(check, text);
                }
                continue;
            }
            let left = match &self.shape.check {
                Some(check) => self.checked(check, index, text),
                None => Some(text),
            };
            if let Some(text) = left {
                self.line(index, text);
                self.digits_apart(index);
            }
        }
    }

    fn line(&mut self, index: usize, text: &'t str) {
        if let Some(record) = &self.shape.record {
            self.record(record, index, text);
        } else if !self.header(index, text) {
            self.results(index, text);
        }
    }

    /// Of a line that holds many things the first that nobody understood is told.
    fn unreadable(&mut self, line: usize, detail: &str) {
        let told = |last: &Hold| last.reason == Reason::Unreadable && last.line == Some(line);
        if self.shape.record.is_some() && self.report.doubts.last().is_some_and(told) {
            return;
        }
        self.report.doubts.push(Hold::new(Reason::Unreadable, detail).at(line));
    }

    /// Notes what the parts of a line were taken for, if anybody asked.
    fn apart(
        &mut self,
        line: usize,
        text: &str,
        found: &[(&str, &'static str)],
        rest: &'static str,
    ) {
        if let Some(lines) = &mut self.anatomy {
            let part = anatomy::line(line, text, found, rest);
            match lines.last_mut().filter(|last| last.line == line) {
                Some(last) => last.join(part, self.whole, text),
                None => lines.push(LineAnatomy { text: Private::new(self.whole), ..part }),
            }
        }
    }

    /// Reads a header line. False: it has no such form.
    fn header(&mut self, index: usize, text: &'t str) -> bool {
        let line = text.trim_ascii();
        let [mut found, mut other] = std::mem::take(&mut self.found);
        let shape = self.shape;
        let is_one = match shape.heading(line, &mut found, &mut other) {
            Heading::None => false,
            Heading::Begun => {
                self.settle();
                self.not_understood(index, text, NO_FORM);
                true
            }
            Heading::Two(one, two) => {
                self.settle();
                self.two_forms(index, text, one, two);
                true
            }
            Heading::One(sign) => {
                self.settle();
                self.sign(sign);
                self.told |= sign != Sign::None;
                self.fields(index, text, sign, &found);
                true
            }
        };
        found.clear();
        self.found = [found, other];
        is_one
    }

    fn two_forms(&mut self, index: usize, text: &str, one: &Form, two: &Form) {
        let (one, two) = (&one.text, &two.text);
        let why = if one == two {
            format!("{one} fits the line in two ways: nothing tells which placeholder is empty")
        } else {
            format!("two forms fit the line and differ: {one} and {two}")
        };
        self.unreadable(index, &why);
        self.apart(index, text, &[], "not understood");
    }

    fn fields(&mut self, index: usize, text: &str, sign: Sign, found: &[(Field, &'t str)]) {
        for (field, text) in found {
            self.told |= *field != Field::Any;
            if let Some(text) = given(text)
                && let Err(why) = self.set(index, *field, text)
            {
                self.unreadable(index, &why);
            }
        }
        // The last placeholder of a line takes all that is left of it.
        let long = found.last().is_some_and(|(_, text)| text.contains([' ', '\t']));
        if sign == Sign::None
            && long
            && let Some(near) = self.shape.nearly_of_a_class(self.whole, text)
        {
            self.unreadable(index, &near);
        }
        let of = |wanted| found.iter().find(|(field, _)| *field == wanted).map(|(_, text)| *text);
        if let (Some(page), Some(pages)) = (of(Field::Page), of(Field::Pages)) {
            self.pages.push((index, page, pages));
        }
        if self.shape.calendar.times != Times::Same && self.said.names_a_time() {
            // The date stays for the times that come; each time counts once.
            self.moments.push((index, self.said));
            self.said = self.said.without_time();
        }
        if self.anatomy.is_some() {
            let parts: Vec<_> = found.iter().map(|(field, text)| (*text, field.what())).collect();
            let rest = match sign {
                Sign::None => "words",
                Sign::Control => "control",
                Sign::Urgent => "urgent",
                Sign::NotPassed => "controls not passed",
            };
            self.apart(index, text, &parts, rest);
        }
    }

    fn sign(&mut self, sign: Sign) {
        match sign {
            Sign::None => {}
            Sign::Control => self.report.signs.control_order = true,
            Sign::Urgent => self.report.signs.stat = true,
            Sign::NotPassed => self.report.controls_not_passed = true,
        }
    }

    /// Takes one header field, or says why it cannot.
    fn set(&mut self, index: usize, field: Field, text: &'t str) -> Result<(), String> {
        let (report, said) = (&mut self.report, &mut self.said);
        let before =
            match field {
                Field::Number => return self.number(text),
                Field::Strip => once(&mut report.strip, text.to_owned()),
                Field::StripLot => once(&mut report.strip_lot, text.to_owned()),
                Field::Lot => once(&mut report.control_lot, text.to_owned()),
                Field::Specimen => once(&mut report.specimen, Private::new(text))
                    .map(|before| before.expose().into()),
                Field::Operator => once(&mut report.operator, Private::new(text))
                    .map(|before| before.expose().into()),
                Field::Level => {
                    let level = text.chars().next();
                    level.and_then(|level| once(&mut report.signs.level, level)).map(String::from)
                }
                Field::Expiry => other(self.expiry.get_or_insert((index, text)).1, text),
                Field::Count => other(self.count.get_or_insert((index, text)).1, text),
                Field::Marked => other(self.marked.get_or_insert((index, text)).1, text),
                Field::Any | Field::Page | Field::Pages => None,
                of_time => {
                    self.said_at.get_or_insert(index);
                    let slot = match of_time {
                        Field::Date => &mut said.date,
                        Field::Day => &mut said.day,
                        Field::Month => &mut said.month,
                        Field::Year => &mut said.year,
                        Field::Hour => &mut said.hour,
                        Field::Minute => &mut said.minute,
                        Field::Second => &mut said.second,
                        Field::Half => &mut said.half,
                        _ => &mut said.time,
                    };
                    if self.shape.calendar.times == Times::Same {
                        once(slot, text).map(str::to_owned)
                    } else {
                        *slot = Some(text);
                        None
                    }
                }
            };
        before.map_or(Ok(()), |before| Err(twice(field, &before, text)))
    }

    fn number(&mut self, text: &str) -> Result<(), String> {
        let Some((number, signs)) = self.shape.number.read(text) else {
            return Err(
                "the test number has a first digit or a mark that the dialect does not list".into(),
            );
        };
        for sign in signs {
            self.sign(sign);
        }
        let before = once(&mut self.report.number, number.to_owned());
        before.map_or(Ok(()), |before| Err(twice(Field::Number, &before, number)))
    }

    /// Reads a result line, or the next line of one.
    fn results(&mut self, index: usize, text: &'t str) {
        let shape = self.shape;
        if let Some(table) = &shape.results.table {
            if !self.table(table, index, text) {
                self.settle_table();
                self.not_understood(index, text, NO_FORM);
            }
            return;
        }
        let Some(first) = shape.results.layouts.first() else { return };
        if let Some(pending) = self.pending.take()
            && self.further(pending, index, text)
        {
            return;
        }
        match shape.results.entries {
            None => match self.begin(first, text) {
                Some(entry) if shape.results.layouts.len() == 1 => {
                    if entry.is_whole() {
                        self.push(&entry, index);
                        self.taken_apart(slice::from_ref(&entry), index, text);
                    } else {
                        self.not_understood(index, text, NO_FORM);
                    }
                }
                Some(entry) => {
                    self.taken_apart(slice::from_ref(&entry), index, text);
                    self.pending = Some(Pending { entry, line: index, next: 1 });
                }
                None => self.not_understood(index, text, NO_FORM),
            },
            Some(entries) => self.side_by_side(entries, index, text),
        }
    }

    fn not_understood(&mut self, index: usize, text: &str, why: &str) {
        let results = &self.shape.results;
        let refusal = || Entry::refusal(results, results.layouts.first()?, text);
        let near = self.shape.nearest_form(self.whole, text).or_else(refusal);
        match near.filter(|_| why == NO_FORM) {
            Some(near) => self.unreadable(index, &format!("{why}; {near}")),
            None => self.unreadable(index, why),
        }
        self.apart(index, text, &[], "not understood");
    }

    /// Of a line that holds several readings one is none, and so is the line.
    fn no_reading(&mut self, index: usize, text: &'t str, pieces: &[&'t str], n: usize) {
        let results = &self.shape.results;
        let (Some(piece), Some(layout)) = (pieces.get(n), results.layouts.first()) else { return };
        let count =
            |pieces: &[&str]| pieces.iter().filter(|piece| !piece.trim().is_empty()).count();
        let (nth, all) = (count(pieces.get(..=n).unwrap_or(pieces)), count(pieces));
        let why = match (self.shape.nearest_form(self.whole, text), all) {
            (None, 2..) => {
                let refusal = Entry::refusal(results, layout, piece);
                let refusal = refusal.map_or(", is none".to_owned(), |why| format!(": {why}"));
                let piece = quote(piece.trim());
                format!(
                    "{NO_FORM}; reading {nth} of {all} in it, {piece}{refusal}; none of them was taken"
                )
            }
            _ => return self.not_understood(index, text, NO_FORM),
        };
        self.unreadable(index, &why);
        self.apart(index, text, &[], "not understood");
    }

    /// Takes a further line of a reading. False: the line is none.
    ///
    /// An optional line that could also begin a reading of its own is told as what it is: nobody knows
    /// which.
    fn further(&mut self, pending: Pending<'t>, index: usize, text: &'t str) -> bool {
        let results = &self.shape.results;
        for (n, layout) in results.layouts.iter().enumerate().skip(pending.next) {
            let mut entry = pending.entry;
            if entry.add(results, layout, text).is_some() {
                let begins =
                    || results.layouts.first().and_then(|first| Entry::read(results, first, text));
                if layout.optional && begins().is_some() {
                    self.pending = Some(pending);
                    self.settle();
                    self.not_understood(index, text, EITHER);
                    return true;
                }
                self.taken_apart(slice::from_ref(&entry), index, text);
                self.pending = Some(Pending { entry, next: n + 1, ..pending });
                if n + 1 == results.layouts.len() {
                    self.settle();
                }
                return true;
            }
            if !layout.optional {
                break;
            }
        }
        self.pending = Some(pending);
        self.settle();
        false
    }

    /// No further line comes for the reading under way.
    ///
    /// A reading that lacks a line it must have is told as half a reading.
    fn settle(&mut self) {
        let Some(pending) = self.pending.take() else { return };
        let mut lacking = self.shape.results.layouts.iter().skip(pending.next);
        if lacking.all(|layout| layout.optional) && pending.entry.is_whole() {
            self.push(&pending.entry, pending.line);
        } else {
            self.unreadable(pending.line, HALF);
        }
    }

    fn taken_apart(&mut self, entries: &[Entry<'t>], index: usize, text: &str) {
        if self.anatomy.is_some() {
            let parts: Vec<_> = entries.iter().flat_map(Entry::pieces).collect();
            self.apart(index, text, &parts, "ignored");
        }
    }

    /// A pad that is switched off is no reading; `finish` looks whether it was printed elsewhere after
    /// all.
    fn push(&mut self, entry: &Entry<'t>, line: usize) {
        if matches!(entry.word, Some(Word::Off(_))) {
            // Whether this pad may be off is the strip's to say: it is missing, or not wanted.
            self.off.push((line, entry.label));
            return;
        }
        let results = &self.shape.results;
        let mut parts = Parts::new();
        for part in entry.parts.iter().flatten() {
            parts.push(part.owned(results.decimal));
        }
        self.report.readings.push(PrintedReading {
            label: entry.label.into(),
            parts,
            unit: entry.unit.map(Text::new),
            unit_implied: results.unit_implied,
            second: entry.second(results.decimal),
            mark: entry.mark.map(|(text, meaning)| Mark { text: text.into(), meaning }),
            status: if entry.word.is_some() { Status::Unread } else { Status::Final },
            taken: None,
            line,
        });
    }
}

/// Takes a value; the one that was taken before, where that is another.
fn once<T: PartialEq + Clone>(slot: &mut Option<T>, value: T) -> Option<T> {
    match slot {
        Some(before) => (*before != value).then(|| before.clone()),
        None => {
            *slot = Some(value);
            None
        }
    }
}

/// What was said before, where that is another.
fn other(before: &str, text: &str) -> Option<String> {
    (before != text).then(|| before.to_owned())
}

fn twice(field: Field, before: &str, now: &str) -> String {
    let (what, before, now) = (field.what(), quote(before), quote(now));
    format!("the {what} is printed twice, and not alike: {before} above, {now} here")
}
