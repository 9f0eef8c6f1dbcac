//! LIS02 records (CLSI LIS02-A2, formerly ASTM E1394): one order is one report.
//!
//! Clause numbers are those of NCCLS LIS2-A2 (2004). Tolerant of what senders leave out; strict
//! about what would change a result.
//!
//! What of a record is read: H-5, H-12, H-14; P-3 to P-6, P-8, P-9; O-3 to O-6, O-8, O-12, O-26,
//! C-4; L-3. Everything else is kept as a line. One O is one report with what stands above it;
//! results without an order, orders without results and messages of comments alone become reports that a person sees.

mod fields;
mod load;
pub mod query;
mod record;
#[cfg(test)]
mod tests;

use std::borrow::Cow;

use wickline_normalize::words::quote;
use wickline_normalize::{
    Hold, Mark, MarkMeaning, Moment, Parts, Patient, Place, PrintedReading, Private, RawLine,
    Reason, Report, Status, Text,
};

pub(super) use self::load::load;
use self::query::{Asked, IdAt};
use self::record::{Delimiters, Record};
use super::codepage::Encoding;
use super::text::{cut, decode, flaw, given, raw_line, trimmed};
use super::{Dialect, LineAnatomy, LinkKind};
use crate::ear::{Ending, Transmission};

/// Parts of one R-4 at most.
const MAX_PARTS: usize = 4;

/// The built-in dialect `lis02`, and those of files that say how questions are answered.
pub(super) struct Lis02 {
    name: String,
    /// Where a question has the specimen's id.
    specimen: IdAt,
    /// Questions are answered on the line.
    answers: bool,
}

impl Default for Lis02 {
    fn default() -> Self {
        Self { name: "lis02".to_owned(), specimen: IdAt::default(), answers: false }
    }
}

impl Dialect for Lis02 {
    fn name(&self) -> &str {
        &self.name
    }

    fn asked(&self, transmission: &Transmission) -> Option<Asked> {
        query::asked(transmission, self.specimen)
    }

    fn answers(&self) -> bool {
        self.answers
    }

    fn link(&self) -> LinkKind {
        LinkKind::Lis01
    }

    fn control_sign(&self) -> bool {
        true
    }

    fn several(&self) -> bool {
        true
    }

    fn read(&self, transmission: &Transmission) -> Vec<Report> {
        let mut message = Message::new(transmission.place);
        let texts = decode(transmission, Encoding::Latin1);
        for (line, read) in transmission.lines.iter().zip(&texts) {
            message.record(raw_line(line, &read.text), &read.text, line.flawed);
        }
        message.finish(&transmission.ending)
    }

    fn anatomy(&self, transmission: &Transmission) -> Vec<LineAnatomy> {
        fields::anatomy(transmission)
    }
}

/// What stands above the orders and belongs to each of them.
///
/// Cleared by the next record of the same level.
#[derive(Default)]
struct Above {
    lines: Vec<RawLine>,
    doubts: Vec<Hold>,
    comments: Vec<Private>,
}

impl Above {
    fn clear(&mut self) {
        *self = Above::default();
    }
}

/// One message while it is read, from H to L.
struct Message {
    place: Place,
    delimiters: Delimiters,
    header: Above,
    patient: Above,
    /// What the header and the patient record say of every report.
    template: Report,
    message_time: Option<Moment>,
    reports: Vec<Report>,
    trailer: Vec<(RawLine, Option<Hold>)>,
    level: Level,
    /// Above the orders stands something that has to reach a person, and no report carries it yet.
    odd: bool,
}

/// What the last record other than a comment belonged to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Level {
    Header,
    Patient,
    Report,
}

impl Message {
    fn new(place: Place) -> Self {
        Self {
            place,
            delimiters: Delimiters::default(),
            header: Above::default(),
            patient: Above::default(),
            template: Report { place, ..Report::default() },
            message_time: None,
            reports: Vec::new(),
            trailer: Vec::new(),
            level: Level::Header,
            odd: false,
        }
    }

    fn record(&mut self, line: RawLine, text: &str, flawed: bool) {
        let kind = text.chars().next().unwrap_or(' ').to_ascii_uppercase();
        if kind == 'H' {
            self.head(line, text, flawed);
            return;
        }
        let delimiters = self.delimiters;
        let record = Record::read(&delimiters, text);
        match kind {
            'P' => self.patient(line, &record, flawed),
            'O' => self.order(line, &record, flawed),
            'R' => self.result(line, &record, flawed),
            'C' => self.comment(line, &record, flawed),
            'L' => self.last(line, &record),
            // A question is no report; it is kept. What it asks is read by `query`.
            'Q' => self.attach(line, flawed, None),
            // Makers' and scientific records are kept as they are (13, 14).
            'M' | 'S' => {
                self.odd |= self.level != Level::Report;
                self.attach(line, flawed, None);
            }
            _ => {
                let doubt = Hold::new(Reason::Unreadable, "no record of LIS02 begins like this");
                self.attach(line, flawed, Some(doubt));
            }
        }
    }

    /// Puts a line where it belongs and gives its doubt the right line number.
    ///
    /// Above the orders it goes to every report that follows.
    fn attach(&mut self, line: RawLine, flawed: bool, doubt: Option<Hold>) {
        self.odd |= self.level != Level::Report && (flawed || doubt.is_some());
        let (lines, doubts) = match (self.level, self.reports.last_mut()) {
            (Level::Report, Some(report)) => (&mut report.lines, &mut report.doubts),
            (Level::Patient, _) => (&mut self.patient.lines, &mut self.patient.doubts),
            _ => (&mut self.header.lines, &mut self.header.doubts),
        };
        let at = lines.len();
        lines.push(line);
        doubts.extend(flawed.then(|| flaw(at)));
        doubts.extend(doubt.map(|doubt| doubt.at(at)));
    }

    fn head(&mut self, line: RawLine, text: &str, flawed: bool) {
        self.settle();
        self.header.clear();
        self.patient.clear();
        self.level = Level::Header;
        self.template = Report { place: self.place, ..Report::default() };
        let delimiters = Delimiters::read(text);
        self.delimiters = delimiters.unwrap_or_default();
        let delimiters = self.delimiters;
        // The delimiters themselves stand where field 2 would be, and may be split by each other.
        let record = Record::read_header(&delimiters, text);
        let mut doubts = surplus(&record, 'H');
        if delimiters == Delimiters::default() && Delimiters::read(text).is_none() {
            doubts.push(Hold::new(Reason::Unreadable, "the header names no four delimiters"));
        }
        self.template.sender = given(&record.text(5)).map(str::to_owned);
        match record.field(12) {
            "" | "P" => {}
            "Q" => self.template.signs.control_message = true,
            code @ ("T" | "D") => doubts.push(Hold::new(
                Reason::TestMessage,
                format!("H-12 is {code}: the analyzer says that this is no production result"),
            )),
            _ => doubts.push(Hold::new(Reason::Unreadable, "H-12 is none of P, T, D, Q")),
        }
        let (time, doubt) = moment(&record, 14, "H-14");
        self.message_time = time;
        doubts.extend(doubt);
        self.attach(line, flawed, None);
        self.odd |= !doubts.is_empty();
        self.header.doubts.extend(doubts.into_iter().map(|doubt| doubt.at(0)));
    }

    fn patient(&mut self, line: RawLine, record: &Record<'_>, flawed: bool) {
        if !self.patient.lines.is_empty() {
            self.settle();
        }
        self.patient.clear();
        self.level = Level::Patient;
        let private = |n| given(&record.text(n)).map(Private::new);
        let patient = Patient {
            id: private(3).or_else(|| private(4)).or_else(|| private(5)),
            name: private(6),
            born: private(8),
            sex: private(9),
        };
        self.template.patient = (patient != Patient::default()).then_some(patient);
        self.attach(line, flawed, surplus(record, 'P').pop());
    }

    /// Begins a report with what stands above it.
    ///
    /// The lines above come first, so that a kept report can be read again by itself.
    fn begin(&mut self) {
        let mut report = self.template.clone();
        report.lines.clone_from(&self.header.lines);
        report.doubts.clone_from(&self.header.doubts);
        let below = report.lines.len();
        report.lines.extend_from_slice(&self.patient.lines);
        report.doubts.extend(self.patient.doubts.iter().cloned().map(|mut doubt| {
            doubt.line = doubt.line.map(|line| line + below);
            doubt
        }));
        report.comments = [&self.header.comments[..], &self.patient.comments[..]].concat();
        self.reports.push(report);
        self.level = Level::Report;
        self.odd = false;
    }

    /// What stands above the orders and has to reach a person gets a report of its own if no order
    /// came for it.
    fn settle(&mut self) {
        if self.odd {
            self.begin();
            let why = "the message holds no order (O) and no result (R)";
            if let Some(report) = self.reports.last_mut() {
                report.doubts.push(Hold::new(Reason::Unreadable, why));
            }
        }
    }

    /// O-26 `F`, `Q` and nothing are final; `C` corrects, `X` was not read, the rest is not final.
    fn order(&mut self, line: RawLine, record: &Record<'_>, flawed: bool) {
        self.begin();
        let (specimen, mut doubts) = specimen(record);
        let (collected, doubt) = moment(record, 8, "O-8");
        doubts.extend(doubt);
        match record.field(26) {
            "" | "F" | "Q" => {}
            "C" => doubts.push(Hold::new(
                Reason::CorrectionHeard,
                "O-26 is C: the analyzer corrects what it sent before",
            )),
            "X" => doubts.push(Hold::new(Reason::PadUnread, "O-26 is X: the strip was not read")),
            _ => doubts.push(Hold::new(Reason::NotFinal, "O-26 says that this is not final")),
        }
        if let Some(report) = self.reports.last_mut() {
            report.specimen = specimen;
            report.control_lot = given(&record.component(3, 2)).map(str::to_owned);
            report.number = given(&record.component(4, 1)).map(str::to_owned);
            report.strip = given(&record.test_id(5)).map(str::to_owned);
            report.signs.stat = record.repeats(6).any(|priority| priority == "S");
            report.collected = collected;
            report.descriptor = given(&record.component(16, 1)).map(str::to_owned);
            report.signs.control_order = record.field(12) == "Q";
        }
        self.attach(line, flawed, None);
        self.doubt_last_line(doubts);
    }

    /// Raises doubts about the line just attached to the report.
    fn doubt_last_line(&mut self, doubts: Vec<Hold>) {
        if let Some(report) = self.reports.last_mut() {
            let at = report.lines.len().saturating_sub(1);
            report.doubts.extend(doubts.into_iter().map(|doubt| doubt.at(at)));
        }
    }

    /// A result without its order is kept as one that is incomplete.
    fn result(&mut self, line: RawLine, record: &Record<'_>, flawed: bool) {
        let mut doubts = surplus(record, 'R');
        if self.level != Level::Report {
            self.begin();
            doubts.push(Hold::new(Reason::Incomplete, "a result came without its order (O)"));
        }
        let label = record.test_id(3);
        if trimmed(&label).is_empty() {
            doubts.push(Hold::new(Reason::Unreadable, "R-3 names no test"));
        }
        let parts = parts(record);
        if parts.len() > MAX_PARTS {
            let detail = format!("R-4 has more than {MAX_PARTS} components");
            doubts.push(Hold::new(Reason::Unreadable, detail));
        }
        let (ended, doubt) = moment(record, 13, "R-13");
        doubts.extend(doubt);
        let (started, doubt) = moment(record, 12, "R-12");
        doubts.extend(doubt);
        if let Some(report) = self.reports.last_mut() {
            report.again |= record.field(9) == "R";
            report.readings.push(PrintedReading {
                label: trimmed(&label).into(),
                parts,
                unit: given(&record.text(5)).map(Text::new),
                unit_implied: false,
                second: None,
                mark: mark(record),
                status: status(record.field(9)),
                taken: ended.or(started),
                line: report.lines.len(),
            });
            if report.operator.is_none() {
                report.operator = given(&record.component(11, 1)).map(Private::new);
            }
        }
        self.attach(line, flawed, None);
        self.doubt_last_line(doubts);
    }

    fn comment(&mut self, line: RawLine, record: &Record<'_>, flawed: bool) {
        let words = record.components(4).map(|part| record.unescape(part));
        let text = words.filter(|word| !word.is_empty()).collect::<Vec<_>>().join(" ");
        if !text.is_empty() {
            let comments = match (self.level, self.reports.last_mut()) {
                (Level::Report, Some(report)) => &mut report.comments,
                (Level::Patient, _) => &mut self.patient.comments,
                _ => &mut self.header.comments,
            };
            comments.push(Private::new(text));
        }
        self.odd |= self.level != Level::Report;
        self.attach(line, flawed, None);
    }

    /// T and E keep what came before them and hold it.
    fn last(&mut self, line: RawLine, record: &Record<'_>) {
        let doubt = match record.field(3) {
            // Normal, and the answers about a query that a sender may give (12).
            "" | "N" | "F" | "I" | "Q" => None,
            "T" => Some("L-3 is T: the sender broke off the message"),
            "E" => Some("L-3 is E: the sender reports an error of its own"),
            _ => Some("L-3 says that the message did not end as it should"),
        };
        self.odd |= doubt.is_some() && self.reports.is_empty();
        self.trailer.push((line, doubt.map(|why| Hold::new(Reason::Incomplete, why))));
    }

    /// Each report gets the end of the message, and the latest time of its readings as its own.
    fn finish(mut self, ending: &Ending) -> Vec<Report> {
        self.settle();
        let trailer = std::mem::take(&mut self.trailer);
        for report in &mut self.reports {
            for (line, doubt) in &trailer {
                let at = report.lines.len();
                report.lines.push(line.clone());
                report.doubts.extend(doubt.clone().map(|doubt| doubt.at(at)));
            }
            if let Some(cut) = cut(ending) {
                report.doubts.retain(|doubt| doubt.reason != Reason::Incomplete);
                report.doubts.push(cut);
            }
            let latest = report.readings.iter().filter_map(|reading| reading.taken).max();
            report.taken = latest.or(self.message_time);
            unread(report);
        }
        self.reports
    }
}

/// A record with more fields than it has.
fn surplus(record: &Record<'_>, kind: char) -> Vec<Hold> {
    record.surplus(kind).map(|why| Hold::new(Reason::Unreadable, why)).into_iter().collect()
}

/// O-3.1, and what speaks against it. A repeat is a second id: none of them is taken for the right one,
/// and a person sees all of them. What stands in O-3.2, `judge` looks at, which knows whose it is.
fn specimen(record: &Record<'_>) -> (Option<Private>, Vec<Hold>) {
    let malformed = |why: String| Hold::new(Reason::SpecimenMalformed, why);
    let mut doubts: Vec<Hold> = record.surplus('O').map(malformed).into_iter().collect();
    let several = record.repeats(3).skip(1).any(|id| !id.trim().is_empty());
    if several {
        let why = format!("O-3 names more than one specimen: {}", quote(&record.text(3)));
        doubts.push(malformed(why));
    }
    let id = if several { record.text(3) } else { record.component(3, 1) };
    (given(&id).map(Private::new), doubts)
}

/// A strip that was not read says why in a comment.
fn unread(report: &mut Report) {
    let Some(doubt) = report.doubts.iter_mut().find(|doubt| doubt.reason == Reason::PadUnread)
    else {
        return;
    };
    if let Some(comment) = report.comments.first() {
        doubt.detail = format!("{} ({})", doubt.detail, comment.expose());
    }
}

/// R-4 cut at the component delimiter. A comparator that stands alone belongs to what follows it.
fn parts(record: &Record<'_>) -> Parts {
    let mut parts = Parts::new();
    let mut comparator = Text::default();
    for component in record.components(4) {
        let text = record.unescape(component);
        match trimmed(&text) {
            "" => {}
            sign @ ("<" | "<=" | ">" | ">=") if comparator.is_empty() => comparator = sign.into(),
            text if comparator.is_empty() => parts.push(text.into()),
            text => parts.push(Text::from_iter([std::mem::take(&mut comparator).as_str(), text])),
        }
    }
    if !comparator.is_empty() {
        parts.push(comparator);
    }
    parts
}

/// R-7 (9.7). Off the upper end of the scale is high; off the lower end may be as it should be. `AA` is of HL7's table
/// 0078, not of this one, and means the same in both trades.
fn mark(record: &Record<'_>) -> Option<Mark> {
    let text = record.text(7);
    let text = given(&text)?;
    let meaning = match text {
        "N" => MarkMeaning::Normal,
        "A" | "AA" => MarkMeaning::Abnormal,
        "L" | "LL" => MarkMeaning::Low,
        "H" | "HH" | ">" => MarkMeaning::High,
        _ => MarkMeaning::Other,
    };
    Some(Mark { text: text.into(), meaning })
}

/// R-9 (9.9). Sent before (R) and verified by a person (V) are as final as F.
fn status(code: &str) -> Status {
    match code {
        "" | "F" | "V" | "R" => Status::Final,
        "X" => Status::Unread,
        "C" => Status::Correction,
        other => Status::NotFinal(other.chars().next().unwrap_or('?')),
    }
}

/// A date and time; one that the calendar does not have is doubted, not guessed.
fn moment(record: &Record<'_>, field: usize, name: &str) -> (Option<Moment>, Option<Hold>) {
    let text: Cow<'_, str> = record.text(field);
    match given(&text) {
        None => (None, None),
        Some(text) => match Moment::from_digits(text) {
            Some(moment) => (Some(moment), None),
            None => {
                (None, Some(Hold::new(Reason::Unreadable, format!("{name} is no date or time"))))
            }
        },
    }
}
