//! The shape of an unframed printout, as an analyst describes it in a dialect file.
//!
//! The notation is explained in `config/dialects/README.md`; each key's comment stands in
//! `config/dialects/two-column.toml` or in the example that uses it.
//!
//! A shape is data: what a file says, checked and put in an order that is quick to ask. Reading by it is in
//! `print`, for header lines with `form` and for result lines with `entry`.

mod forms;
mod load;
mod report;
mod rows;
#[cfg(test)]
mod tests;

pub(super) use self::load::choice;
use wickline_normalize::Fault;
use wickline_normalize::words::quote;

use super::calendar::Calendar;
use super::check::Check;
use super::codepage::Encoding;
use super::entry::Results;
use super::form::{Field, Fit, Form};
use super::parts::Parts;
use super::record::Record;
use crate::printed::PrintRules;

/// How a printout is to be read.
#[derive(Clone, Debug)]
pub(super) struct Shape {
    pub name: String,
    pub encoding: Encoding,
    pub calendar: Calendar,
    pub rules: PrintRules,
    /// None: a print is one report.
    pub parts: Option<Parts>,
    pub header: Header,
    pub number: NumberRule,
    /// None: a line is one thing.
    pub record: Option<Record>,
    pub results: Results,
    /// None: the print has no check characters.
    pub check: Option<Check>,
    /// A print must say how many readings it has; how many of them are marked; which page of how many it is.
    pub counts: bool,
    pub marked: bool,
    pub pages: bool,
}

/// The forms of header lines.
#[derive(Clone, Debug)]
pub(super) struct Header {
    forms: Vec<(Form, Sign)>,
    /// For each form, a bit for each that gives way to it where both fit.
    over: Vec<u64>,
    /// Whether any of them can begin with this byte: most lines are results and need no more.
    begin: Box<[bool; 256]>,
}

impl Header {
    /// Most lines of a print are results; a table of first bytes sends them past the forms.
    ///
    /// `over` has for each form a bit for each that gives way to it: it is tried before those.
    pub fn new(forms: Vec<(Form, Sign)>, over: &[u64]) -> Self {
        let mut begin = Box::new([false; 256]);
        for (slot, byte) in begin.iter_mut().zip(0..=u8::MAX) {
            *slot = forms.iter().any(|(form, _)| form.begins_with(byte));
        }
        let gives_way = |n: usize, m: usize| over.get(m).is_some_and(|bits| bits & (1 << n) != 0);
        let mut left: Vec<usize> = (0..forms.len()).collect();
        let mut order = Vec::with_capacity(forms.len());
        while let Some(at) = left.iter().position(|n| !left.iter().any(|m| gives_way(*n, *m))) {
            order.push(left.remove(at));
        }
        let bits = |n: &usize| {
            let places = (0_u64..).zip(&order).filter(|(_, m)| gives_way(**m, *n));
            places.fold(0, |bits, (place, _)| bits | 1 << place)
        };
        let over = order.iter().map(bits).collect();
        let forms = order.iter().filter_map(|n| forms.get(*n).cloned()).collect();
        Self { forms, over, begin }
    }

    /// Whether a line of any form may hold this.
    pub fn names(&self, wanted: Field) -> bool {
        self.forms.iter().any(|(form, _)| form.names(wanted))
    }
}

/// What a sign on a print says of its class.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sign {
    /// Nothing.
    None,
    Control,
    Urgent,
    /// Nothing of the class: the analyzer's own controls have not passed.
    NotPassed,
}

/// Every sign of class by its name in a dialect file.
pub(super) const CLASSES: &[(&str, Sign)] =
    &[("routine", Sign::None), ("control", Sign::Control), ("urgent", Sign::Urgent)];

/// Every sign that may stand behind a number.
pub(super) const SIGNS: &[(&str, Sign)] = &[
    ("routine", Sign::None),
    ("control", Sign::Control),
    ("urgent", Sign::Urgent),
    ("controls-not-passed", Sign::NotPassed),
];

/// What stands around the digits of a test number.
#[derive(Clone, Debug, Default)]
pub(super) struct NumberRule {
    /// The first digit tells the class; empty: it is a digit like the others.
    pub class_digits: Vec<(char, Sign)>,
    /// Marks behind the digits, the longest first; empty: whatever stands there is part of the
    /// number.
    pub suffixes: Vec<(String, Sign)>,
}

/// What a line says by its header forms.
pub(super) enum Heading<'s> {
    None,
    /// It begins as one of them does, and is none.
    Begun,
    One(Sign),
    /// Two forms fit and say different things.
    Two(&'s Form, &'s Form),
}

impl Shape {
    /// Reads a dialect file, or says everything that is wrong with it.
    pub fn parse(text: &str, file: &str) -> Result<Shape, Vec<Fault>> {
        load::shape(text, file)
    }

    /// Finds the form of a header line; `found` gets what its placeholders hold.
    pub fn heading<'t>(
        &self,
        text: &'t str,
        found: &mut Vec<(Field, &'t str)>,
        other: &mut Vec<(Field, &'t str)>,
    ) -> Heading<'_> {
        let byte = text.as_bytes().first().copied().map(usize::from);
        if !byte.and_then(|byte| self.header.begin.get(byte)).copied().unwrap_or(false) {
            return Heading::None;
        }
        let mut first: Option<(&(Form, Sign), u64)> = None;
        let mut begun = false;
        for (n, entry) in self.header.forms.iter().enumerate() {
            match first {
                None => match entry.0.fit(text, &self.calendar, found) {
                    Fit::No => {}
                    Fit::Begun => begun = true,
                    Fit::Whole => {
                        first = Some((entry, self.header.over.get(n).copied().unwrap_or(0)))
                    }
                },
                Some(((form, sign), over))
                    if over & (1 << n) == 0
                        && entry.0.fits(text, &self.calendar, other)
                        && (*sign != entry.1 || !agree(found, other)) =>
                {
                    return Heading::Two(form, &entry.0);
                }
                _ => {}
            }
        }
        match first {
            Some(((_, sign), _)) => Heading::One(*sign),
            None if begun => Heading::Begun,
            None => Heading::None,
        }
    }

    /// The form of which most of a text is there, as words for a person: of one that has none. It is
    /// the whole line or a part of it.
    pub fn nearest_form(&self, whole: &str, text: &str) -> Option<String> {
        let line = text.trim_ascii();
        // By the words that are there, wherever the first of them lacks; then by how far it fits. The shortest of those
        // that are equal, and the first of them, so that the answer is always the same.
        let mut best: Option<((usize, usize), &str, String)> = None;
        for (form, _) in &self.header.forms {
            let Some((at, wanted)) = form.nearly(line, &self.calendar) else { continue };
            let found = ((form.words_in(line), at), form.text.as_str(), wanted);
            let further = |(fits, form, _): &((usize, usize), &str, String)| {
                found.0 > *fits || found.0 == *fits && found.1.len() < form.len()
            };
            if best.as_ref().is_none_or(further) {
                best = Some(found);
            }
        }
        let ((_, at), form, wanted) = best?;
        let column = column(whole, line, at)?;
        Some(format!("the nearest is {form}, which wants {wanted} in column {column}"))
    }

    /// The form of a class that a line nearly has, as words for a person: of one that has a plain form, in which the
    /// word of the class, misspelt or damaged, is taken for part of an id.
    pub fn nearly_of_a_class(&self, whole: &str, text: &str) -> Option<String> {
        let line = text.trim_ascii();
        let classes = self.header.forms.iter().filter(|(_, sign)| *sign != Sign::None);
        let (form, at, wanted) = classes
            .filter_map(|(form, _)| {
                let (at, wanted) = form.misspelt(line, &self.calendar)?;
                Some((form, at, wanted))
            })
            .max_by_key(|(_, at, _)| *at)?;
        let column = column(whole, line, at)?;
        Some(format!(
            "the line is nearly {}, which says a class and wants {} in column {column}",
            form.text,
            quote(wanted)
        ))
    }

    /// Whether some form of the dialect must hold this.
    fn needs(&self, wanted: Field) -> bool {
        let forms = self.header.forms.iter().map(|(form, _)| form);
        let fields = self.record.iter().flat_map(|record| record.fields.iter().flatten());
        let all = || forms.clone().chain(fields.clone());
        // A text may stand for several forms.
        let always = |text: &str| all().filter(|form| form.text == text).all(|f| f.needs(wanted));
        all().any(|form| always(&form.text))
    }

    /// Whether any form or mark of the dialect says this.
    pub fn has_sign(&self, sign: Sign) -> bool {
        let header = self.header.forms.iter().map(|(_, sign)| sign);
        let digits = self.number.class_digits.iter().map(|(_, sign)| sign);
        let suffixes = self.number.suffixes.iter().map(|(_, sign)| sign);
        header.chain(digits).chain(suffixes).any(|own| *own == sign)
    }
}

impl NumberRule {
    /// The number as it is counted, and what stands around its digits says. None: it is none that
    /// this analyzer can print.
    pub fn read<'t>(&self, text: &'t str) -> Option<(&'t str, [Sign; 3])> {
        let mut signs = [Sign::None; 3];
        let mut number = text;
        if !self.suffixes.is_empty() {
            let digits = text.trim_end_matches(|c: char| !c.is_ascii_digit());
            let (kept, suffix) = text.split_at_checked(digits.len())?;
            [signs[0], signs[2]] = self.suffix(suffix)?;
            number = kept;
        }
        if !self.class_digits.is_empty() {
            let first = number.chars().next()?;
            signs[1] = self.class_digits.iter().find(|(digit, _)| *digit == first)?.1;
            number.bytes().all(|b| b.is_ascii_digit()).then_some(())?;
        }
        Some((number, signs))
    }

    /// What stands behind the digits: a mark of class, and before or behind it the sign that controls
    /// have not passed; either may lack. None: anything else.
    fn suffix(&self, text: &str) -> Option<[Sign; 2]> {
        if text.is_empty() {
            return Some([Sign::None; 2]);
        }
        let is = |mark: &str| Some(self.suffixes.iter().find(|(known, _)| known == mark)?.1);
        if let Some(sign) = is(text) {
            return Some([sign, Sign::None]);
        }
        let not_passed = self.suffixes.iter().filter(|(_, sign)| *sign == Sign::NotPassed);
        let mut beside = not_passed.filter_map(|(mark, _)| {
            let rest =
                text.strip_suffix(mark.as_str()).or_else(|| text.strip_prefix(mark.as_str()));
            is(rest?).filter(|sign| *sign != Sign::NotPassed)
        });
        beside.next().map(|class| [class, Sign::NotPassed])
    }
}

/// In which column of the whole line a place of a part of it stands, from 1.
fn column(whole: &str, part: &str, at: usize) -> Option<usize> {
    let begins = (part.as_ptr() as usize).checked_sub(whole.as_ptr() as usize)?;
    Some(whole.get(..begins + at)?.chars().count() + 1)
}

/// Two forms read the same out of one line.
pub(super) fn agree(one: &[(Field, &str)], other: &[(Field, &str)]) -> bool {
    let says = |(field, text): &&(Field, &str)| *field != Field::Any && !text.is_empty();
    one.iter().filter(says).eq(other.iter().filter(says))
}
