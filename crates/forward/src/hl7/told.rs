//! What a receiver was told: the OBX of kept messages as text, to be compared and to be said again.
//!
//! Messages that were sent are kept as they went out, and this reads them back as entries of
//! [`wickline_normalize::correction`]: so a correction rests on what a receiver has, and not on what we
//! would say today.

use std::fmt;

use wickline_normalize::correction::{Entry, Known, Stage, is_open, plan};
use wickline_normalize::{Finality, ResultStatus};

use super::material::is_of_material;
use super::patient::Named;
use super::read::Message;
use super::write::{EncodeFault, Field, Writer};
use crate::orders::{Given, References};

/// One OBX as it was written: its fields by number, escapes as they stand.
#[derive(Clone, PartialEq, Eq)]
pub struct Told {
    cells: Vec<String>,
    /// OBR-3 of its group, as written.
    group: String,
    /// No other group stood in its message: then it is its report's, whatever that was called.
    alone: bool,
}

/// Why a result goes out again under its OBR-3, and what the receiver has or may have of it.
#[derive(Clone, Copy, Debug)]
pub struct Correction<'a> {
    /// Why, in words for those who read the result; never blank.
    pub reason: &'a str,
    /// What the receiver has or may have under this OBR-3.
    pub known: &'a [Known<Told>],
    /// Whom the last message of it named: what takes all of it back names nobody else, whoever that is known to be by
    /// now, so that it can be said and found.
    pub named: Option<&'a Named>,
}

/// One result as a person reads it.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct Shown {
    /// What it is of: our own name where there is one, else the code.
    pub name: String,
    /// Grade, number with its comparator, or that the pad was not read.
    pub value: String,
    /// The unit of a number; empty beside a grade.
    pub unit: String,
    /// OBX-8, as it was sent.
    pub flag: String,
}

impl fmt::Debug for Shown {
    /// What may be logged: no reading.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Shown").field("name", &self.name).finish_non_exhaustive()
    }
}

/// The n-th result of a message, from 1: our own name where there is one, else the code's.
#[must_use]
pub fn shown(message: &Message, nth: usize) -> Shown {
    let part = |field, component| message.component("OBX", nth, field, component);
    let names = [part(3, 5), part(3, 2), part(3, 1)];
    let value = match part(2, 1).as_str() {
        "SN" => (1..=4).map(|c| part(5, c)).collect(),
        "CE" | "CWE" => part(5, 2),
        _ => part(5, 1),
    };
    Shown {
        name: names.into_iter().find(|n| !n.is_empty()).unwrap_or_default(),
        value: if part(11, 1) == "X" { "not read".into() } else { value },
        unit: part(6, 1),
        flag: part(8, 1),
    }
}

/// Which OBX of a message are results, from 1: what is said of control material is none.
#[must_use]
pub fn results(message: &Message) -> Vec<usize> {
    let of_material = |nth: &usize| is_of_material(&message.component("OBX", *nth, 3, 1));
    (1..=message.count("OBX")).filter(|nth| !of_material(nth)).collect()
}

/// False for the OBX-3.1 of what is said of control material.
#[must_use]
pub fn is_result(code: &str) -> bool {
    !is_of_material(code)
}

/// The forms of the n-th result's value, from 1: a structured number as people write it, a grade's codes and
/// texts, else the text.
#[must_use]
pub fn forms(message: &Message, nth: usize) -> Vec<String> {
    let part = |component| message.component("OBX", nth, 5, component);
    let forms: Vec<String> = match message.component("OBX", nth, 2, 1).as_str() {
        "SN" => vec![(1..=4).map(part).collect()],
        "CE" | "CWE" | "CNE" => [1, 2, 4, 5].into_iter().map(part).collect(),
        _ => vec![part(1)],
    };
    forms.into_iter().filter(|form| !form.is_empty()).collect()
}

/// The codes of the n-th result, from 1: the one that it goes by, and the other one beside it.
#[must_use]
pub fn codes(message: &Message, nth: usize) -> Vec<String> {
    let codes = [1, 4].map(|component| message.component("OBX", nth, 3, component));
    codes.into_iter().filter(|code| !code.is_empty()).collect()
}

/// What a kept message says of each result; what it says of control material is none.
pub fn told(message: &[u8]) -> Result<Vec<(Told, ResultStatus)>, String> {
    let message = Message::read(message)?;
    if message.field("MSH", 1, 2) != Some("^~\\&") {
        return Err("its separators are not the ones that we write".into());
    }
    let status = |told: &Told| match told.cell(11) {
        "F" => Ok(ResultStatus::Final),
        "C" => Ok(ResultStatus::Corrected),
        "W" => Ok(ResultStatus::Withdrawn),
        "X" => Ok(ResultStatus::Unread),
        "P" => Ok(ResultStatus::Preliminary),
        "R" => Ok(ResultStatus::Unverified),
        _ => Err("an OBX-11 that is none of F, C, W, X, P and R".to_owned()),
    };
    let alone = message.count("OBR") < 2;
    let (mut group, mut results) = (String::new(), Vec::new());
    for line in message.lines() {
        let mut fields = line.split('|');
        match fields.next() {
            Some("OBR") => group = fields.nth(2).unwrap_or("").to_owned(),
            Some("OBX") => {
                let told = Told { group: group.clone(), alone, ..Told::read(line) };
                if !is_of_material(told.names()[0].0) {
                    results.push((status(&told)?, told));
                }
            }
            _ => {}
        }
    }
    Ok(results.into_iter().map(|(status, told)| (told, status)).collect())
}

/// What a kept message says under an order's own OBR-3, whichever report it was of.
pub fn told_under(
    message: &[u8],
    references: &References,
) -> Result<Vec<(Told, ResultStatus)>, String> {
    let Some(number) = references.own_number() else { return Ok(Vec::new()) };
    let mut rows = told(message)?;
    rows.retain(|(told, _)| Given::kept(&told.group) == *number);
    // Beside what another report said it goes by that number, and by nothing else.
    rows.iter_mut().for_each(|(told, _)| told.alone = false);
    Ok(rows)
}

impl Told {
    /// A segment as it was written.
    pub(super) fn read(line: &str) -> Told {
        let cells = line.split('|').map(str::to_owned).collect();
        Told { cells, group: String::new(), alone: true }
    }

    /// The number of its group (OBR-3.1), for people.
    #[must_use]
    pub fn number(&self) -> String {
        Given::kept(&self.group).value(1)
    }

    /// OBR-3 of its group, as written.
    pub(super) fn group(&self) -> &str {
        &self.group
    }

    /// It was the only group of its message.
    pub(super) fn is_alone(&self) -> bool {
        self.alone
    }

    /// To be compared within its group.
    pub(super) fn by_itself(&self) -> Told {
        Told { cells: self.cells.clone(), group: String::new(), alone: true }
    }

    fn same_group(&self, other: &Told) -> bool {
        (self.alone && other.alone) || self.group == other.group
    }

    fn cell(&self, n: usize) -> &str {
        self.cells.get(n).map_or("", String::as_str)
    }

    fn set(&mut self, n: usize, text: &str) {
        if self.cells.len() <= n {
            self.cells.resize(n + 1, String::new());
        }
        if let Some(cell) = self.cells.get_mut(n) {
            text.clone_into(cell);
        }
    }

    /// What of it a person reads.
    #[must_use]
    pub fn shown(&self) -> Shown {
        self.alone().map(|message| shown(&message, 1)).unwrap_or_default()
    }

    /// OBX-4: what tells it from others of its name.
    #[must_use]
    pub fn sub_id(&self) -> &str {
        self.cell(4)
    }

    /// Its codes and the forms of its value.
    #[must_use]
    pub fn codes_and_forms(&self) -> (Vec<String>, Vec<String>) {
        self.alone().map(|message| (codes(&message, 1), forms(&message, 1))).unwrap_or_default()
    }

    fn alone(&self) -> Option<Message> {
        let text = format!("MSH|^~\\&|\r{}", self.cells.join("|"));
        Message::read(text.as_bytes()).ok()
    }

    /// Code and system of OBX-3, and of the other name beside it.
    fn names(&self) -> [(&str, &str); 2] {
        let mut parts = self.cell(3).split('^');
        let mut name = || {
            let code = parts.next().unwrap_or("");
            (code, parts.nth(1).unwrap_or(""))
        };
        [name(), name()]
    }

    /// A number with or without a comparator or a range, whatever its type: `6.0`, `>=^2400`, `>2400`,
    /// `^10^-^25`, `10-25`; not `2+`.
    fn is_number(&self) -> bool {
        let bare = self.cell(5).trim_start_matches(['<', '>', '=', '^', '+', '-']);
        let number =
            |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit() || b == b'.');
        let range = bare.split_once("^-^").or_else(|| bare.split_once('-'));
        number(bare) || range.is_some_and(|(from, to)| number(from) && number(to))
    }

    /// Writes it again as the n-th result of a message.
    fn write(&self, w: &mut Writer, n: usize) -> Result<(), EncodeFault> {
        w.segment("OBX");
        w.count(n);
        for cell in self.cells.iter().skip(2) {
            w.fields(1);
            w.written(Field::private("OBX", usize::MAX), cell)?;
        }
        Ok(())
    }
}

impl Entry for Told {
    fn same_name(&self, other: &Self) -> bool {
        let ([one, one_beside], [two, two_beside]) = (self.names(), other.names());
        self.same_group(other) && (one == two || one == two_beside || one_beside == two)
    }

    fn same_place(&self, other: &Self) -> bool {
        let same = self.names()[0] == other.names()[0] && self.cell(4) == other.cell(4);
        same && self.same_group(other)
    }

    fn same_kind(&self, other: &Self) -> bool {
        self.is_number() == other.is_number()
    }

    /// Type, value, units, reference and flag.
    fn says_the_same(&self, other: &Self) -> bool {
        [2, 5, 6, 7, 8].into_iter().all(|n| self.cell(n) == other.cell(n))
    }
}

impl fmt::Debug for Told {
    /// What may be logged: no reading.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Told").field("name", &self.cell(3)).finish_non_exhaustive()
    }
}

/// The results of one group of a correction, each as it goes out.
pub(super) struct Amended {
    /// What is right now, under the names and places that the receiver knows it by.
    pub now: Vec<Told>,
    /// What was told and is no more: withdrawn as it was told.
    gone: Vec<Told>,
    /// OBR-25.
    pub status: ResultStatus,
}

impl Amended {
    /// None: the receiver was told all of it.
    pub(super) fn new(known: &[Known<Told>], now: Vec<Told>, goes: Finality) -> Option<Self> {
        let first = |told: &Told| match told.cell(11) {
            "X" => ResultStatus::Unread,
            _ => goes.status(),
        };
        let now: Vec<_> =
            now.into_iter().map(|told| (first(&told), told)).map(|(s, t)| (t, s)).collect();
        let plan = plan(known, &now);
        if !plan.says_anything {
            return None;
        }
        let withdrawn = |at: &usize| {
            let mut told = known.get(*at)?.entry.clone();
            told.set(11, ResultStatus::Withdrawn.text());
            Some(told)
        };
        let gone: Vec<Told> = plan.gone.iter().filter_map(withdrawn).collect();
        let mut amended = Vec::with_capacity(now.len());
        let status = of_report(known, goes, now.is_empty());
        for ((mut told, _), (status, pair)) in now.into_iter().zip(plan.now) {
            told.set(11, status.text());
            match pair.and_then(|at| known.get(at)) {
                Some(Known { entry, .. }) => {
                    [3, 4].iter().for_each(|n| told.set(*n, entry.cell(*n)))
                }
                None => stand_apart(&mut told, known, &amended),
            }
            amended.push(told);
        }
        Some(Self { now: amended, gone, status })
    }

    pub(super) fn is_withdrawal(&self) -> bool {
        self.now.is_empty()
    }

    /// Writes the n-th result that is right now.
    pub(super) fn write(&self, w: &mut Writer, n: usize) -> Result<(), EncodeFault> {
        self.now.get(n).map_or(Ok(()), |told| told.write(w, n + 1))
    }

    /// Says how many.
    pub(super) fn write_gone(&self, w: &mut Writer) -> Result<usize, EncodeFault> {
        (self.now.len() + 1..).zip(&self.gone).try_for_each(|(n, told)| told.write(w, n))?;
        Ok(self.gone.len())
    }
}

/// OBR-25 of a report that follows another under its OBR-3. What replaces a final one is a correction, whatever
/// became of each result; so is a withdrawal. What is told for the first time beside others, or was never final, goes
/// as far as results go today.
fn of_report(known: &[Known<Told>], goes: Finality, withdraws: bool) -> ResultStatus {
    if known.is_empty() {
        return goes.status();
    }
    let bare = known.iter().all(|k| k.stage == Stage::Bare);
    let open = is_open(known) || (bare && goes != Finality::Final);
    if withdraws || !open { ResultStatus::Corrected } else { goes.status() }
}

/// A new result under a name that others have gets a place (OBX-4) that none of them has.
fn stand_apart(told: &mut Told, known: &[Known<Told>], before: &[Told]) {
    let others = || known.iter().map(|k| &k.entry).chain(before).filter(|o| o.same_name(told));
    if others().any(|o| o.same_place(told)) {
        let last = others().filter_map(|o| o.cell(4).parse::<usize>().ok()).max().unwrap_or(1);
        told.set(4, &(last + 1).to_string());
    }
}
