//! A question on the line: which orders does a specimen have? Read from an analyzer, and answered as a host does.
//!
//! Only the records: who may send when is the link machine's, and what is known is asked elsewhere. A question that is
//! not understood is never guessed at: an answer that names the wrong specimen puts a name on another's result.

use wickline_normalize::{Moment, Patient, Private};

use super::record::{Delimiters, Record};
use crate::dialect::codepage::Encoding;
use crate::dialect::text::decode;
use crate::ear::{Ending, Transmission};

/// Specimens in one question at most.
const SPECIMENS_MAX: usize = 50;
/// Characters of one value at most.
const VALUE_MAX: usize = 64;

/// Which component of Q-3 is the specimen's id: the standard has the second, some send it alone.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum IdAt {
    /// `patient^specimen` (NCCLS LIS2-A2 clause 11).
    #[default]
    Second,
    /// The first, or the whole field.
    First,
}

/// What an analyzer asks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Question {
    /// The orders of these specimens.
    Specimens(Vec<Private>),
    /// Every open order.
    All,
    /// It does not want the answer to the question before any more.
    Aborted,
    /// It was broken off: nobody waits for an answer.
    Broken,
    /// It cannot be understood: why, as a sentence without its full stop.
    Unclear(&'static str),
}

impl Question {
    /// What kind of question, in one stable word.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Question::Specimens(_) => "specimens",
            Question::All => "all",
            Question::Aborted => "taken-back",
            Question::Broken => "broken-off",
            Question::Unclear(_) => "unclear",
        }
    }

    /// Whether it wants no answer to the question before any more.
    #[must_use]
    pub fn takes_back(&self) -> bool {
        *self == Question::Aborted
    }

    /// How many specimens it names.
    #[must_use]
    pub fn specimens(&self) -> usize {
        match self {
            Question::Specimens(specimens) => specimens.len(),
            Question::All | Question::Aborted | Question::Broken | Question::Unclear(_) => 0,
        }
    }

    /// What an analyzer does by it, in words that name no specimen.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Question::Specimens(specimens) => match specimens.len() {
                1 => "asks for the orders of 1 specimen".to_owned(),
                many => format!("asks for the orders of {many} specimens"),
            },
            Question::All => "asks for all orders".to_owned(),
            Question::Aborted => "takes its question back".to_owned(),
            Question::Broken => "asks something, and breaks off".to_owned(),
            Question::Unclear(why) => format!("asks what cannot be read: {why}"),
        }
    }
}

/// A question with what its header says of both sides: a later answer names them the other way round.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asked {
    /// What is asked.
    pub question: Question,
    /// H-5.
    pub sender: String,
    /// H-10.
    pub receiver: String,
}

/// The question in a transmission. None: it holds none. One that was broken off is none that can be answered.
#[must_use]
pub fn asked(transmission: &Transmission, at: IdAt) -> Option<Asked> {
    // Most messages ask nothing, and are read only once.
    if !transmission.lines.iter().any(|line| matches!(line.bytes.first(), Some(b'Q' | b'q'))) {
        return None;
    }
    let mut delimiters = Delimiters::default();
    let (mut sender, mut receiver) = (String::new(), String::new());
    let mut question = None;
    for line in decode(transmission, Encoding::Latin1) {
        match line.text.chars().next().unwrap_or(' ').to_ascii_uppercase() {
            'H' => {
                delimiters = Delimiters::read(&line.text).unwrap_or_default();
                let header = Record::read_header(&delimiters, &line.text);
                (sender, receiver) = (header.text(5).into_owned(), header.text(10).into_owned());
            }
            'Q' => {
                let one = one(&Record::read(&delimiters, &line.text), at);
                question = Some(match question {
                    None => one,
                    Some(_) => Question::Unclear("it has several questions; one at a time"),
                });
            }
            // Code R of a terminator: the request is taken back (clause 12).
            'L' if Record::read(&delimiters, &line.text).field(3) == "R" => {
                question = question.map(|_| Question::Aborted);
            }
            _ => {}
        }
    }
    let mut question = question?;
    if transmission.ending != Ending::Complete {
        question = Question::Broken;
    }
    Some(Asked { question, sender, receiver })
}

fn one(record: &Record<'_>, at: IdAt) -> Question {
    if record.field(13).eq_ignore_ascii_case("A") {
        return Question::Aborted;
    }
    if !record.field(4).is_empty() {
        return Question::Unclear("it asks for a range; ids are never taken for a row of numbers");
    }
    let is_all = |id: &str| id.eq_ignore_ascii_case("ALL");
    if is_all(record.field(3)) {
        return Question::All;
    }
    let mut specimens = Vec::new();
    for one in record.repeats(3) {
        let mut components = record.parts(one);
        let id = match at {
            IdAt::Second => components.nth(1),
            IdAt::First => components.next(),
        };
        let id = record.unescape(id.unwrap_or("").trim());
        // The word stands where an id would, alone in the field or in the id's own component.
        if is_all(&id) {
            return Question::All;
        }
        if id.is_empty() || id.chars().count() > VALUE_MAX || id.chars().any(char::is_control) {
            return Question::Unclear("no specimen id where this dialect has it");
        }
        specimens.push(Private::new(&*id));
    }
    if specimens.len() > SPECIMENS_MAX {
        return Question::Unclear("it asks for too many specimens");
    }
    Question::Specimens(specimens)
}

/// One order as an analyzer is told of it.
#[derive(Clone, Copy, Debug)]
pub struct Ordered<'a> {
    /// Its specimen.
    pub specimen: &'a Private,
    /// The analyzer's own name of the test.
    pub test: &'a str,
    /// O-6.
    pub urgent: bool,
    /// O-8.
    pub collected: Option<Moment>,
    /// O-16.
    pub descriptor: &'a str,
    /// It was cancelled: O-12 `C`.
    pub cancelled: bool,
    /// Only where the laboratory wants the name on the analyzer and its prints.
    pub patient: Option<&'a Patient>,
}

/// What is answered.
#[derive(Clone, Copy, Debug)]
pub enum Told<'a> {
    /// These orders; none at all is [`Told::Nothing`].
    Orders(&'a [Ordered<'a>]),
    /// Nothing is known of the specimen.
    Nothing,
    /// The same, for analyzers that want an order to say so (O-26 `Y`): the specimen and the test.
    NoSuchOrder(&'a Private, &'a str),
    /// The question was not understood, or is not answered here.
    NotUnderstood,
    /// It could not be looked up: an answer that nothing is known would be a lie.
    NotNow,
}

/// Who answers whom, and when.
#[derive(Clone, Copy, Debug)]
pub struct Heading<'a> {
    /// H-5.
    pub sender: &'a str,
    /// H-10.
    pub receiver: &'a str,
    /// H-14.
    pub made: Moment,
}

/// The records of an answer, each without its CR. None: a value cannot be written, and nothing is cut or
/// replaced to make it fit.
#[must_use]
pub fn answer(heading: Heading<'_>, told: Told<'_>) -> Option<Vec<Vec<u8>>> {
    let written = |name: &str| value(name);
    let mut records = vec![format!(
        "H|\\^&|||{}|||||{}||P|LIS2-A2|{}",
        written(heading.sender)?,
        written(heading.receiver)?,
        heading.made.digits()
    )];
    // NCCLS LIS2-A2 clause 12: F the last of what was asked, I nothing is known, Q the question is in error, E another.
    let end = match told {
        Told::Orders([]) | Told::Nothing => "I",
        Told::NotUnderstood => "Q",
        Told::NotNow => "E",
        Told::Orders(orders) => {
            body(&mut records, orders)?;
            "F"
        }
        Told::NoSuchOrder(specimen, test) => {
            records.push("P|1".to_owned());
            let (specimen, test) = (value(specimen.expose())?, value(test)?);
            records.push(format!("O|1|{specimen}||^^^{test}|||||||||||||||||||||Y"));
            "F"
        }
    };
    records.push(format!("L|1|{end}"));
    records.into_iter().map(bytes).collect()
}

/// One P for each run of orders with the same patient.
fn body(records: &mut Vec<String>, orders: &[Ordered<'_>]) -> Option<()> {
    let (mut people, mut number) = (0, 0);
    let mut before: Option<Option<&Patient>> = None;
    for order in orders {
        if before != Some(order.patient) {
            (people, number) = (people + 1, 0);
            records.push(person(people, order.patient)?);
            before = Some(order.patient);
        }
        number += 1;
        records.push(ordered(number, order)?);
    }
    Some(())
}

fn person(number: usize, patient: Option<&Patient>) -> Option<String> {
    let Some(patient) = patient else { return Some(format!("P|{number}")) };
    let text = |part: &Option<Private>| value(part.as_ref().map_or("", Private::expose));
    let name = patient.name.as_ref().map_or("", Private::expose);
    // Its components are meant.
    let name: Option<Vec<String>> = name.split('^').map(value).collect();
    let fields = format!(
        "P|{number}|{}|||{}||{}|{}",
        text(&patient.id)?,
        name?.join("^"),
        text(&patient.born)?,
        text(&patient.sex)?
    );
    Some(fields.trim_end_matches('|').to_owned())
}

fn ordered(number: usize, order: &Ordered<'_>) -> Option<String> {
    let (specimen, test) = (value(order.specimen.expose())?, value(order.test)?);
    let start = format!("O|{number}|{specimen}||^^^{test}|");
    Some(if order.cancelled {
        format!("{start}||||||C||||||||||||||Q")
    } else {
        let priority = if order.urgent { "S" } else { "R" };
        let collected = order.collected.map(|at| at.digits()).unwrap_or_default();
        let descriptor = value(order.descriptor)?;
        format!("{start}{priority}||{collected}||||N||||{descriptor}||||||||||Q")
    })
}

/// Escaped. None: too long, or with what no record may hold.
fn value(text: &str) -> Option<String> {
    if text.chars().count() > VALUE_MAX || text.chars().any(char::is_control) {
        return None;
    }
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '|' => out.push_str("&F&"),
            '^' => out.push_str("&S&"),
            '\\' => out.push_str("&R&"),
            '&' => out.push_str("&E&"),
            c => out.push(c),
        }
    }
    Some(out)
}

/// In ISO 8859-1, as these records are read.
fn bytes(record: String) -> Option<Vec<u8>> {
    // The last letter of the set may not stand in a record (NCCLS LIS2-A2 5.1).
    record.chars().map(|c| u8::try_from(c).ok().filter(|byte| *byte != 0xFF)).collect()
}

#[cfg(test)]
mod tests;
