//! One record: fields, repeats, components and escapes (NCCLS LIS2-A2 5.4).
//!
//! Cutting comes before unescaping, so that an escaped delimiter never cuts. Nothing is copied until it is asked for.

use std::borrow::Cow;

use nom::bytes::complete::{take_till, take_while_m_n};
use nom::character::complete::{char, one_of, satisfy};
use nom::sequence::{preceded, terminated};
use nom::{IResult, Parser};

use crate::dialect::text::{apart, latin1, trimmed};

/// Fields beyond this are read past (5.4.8); no record of ours needs more.
const FIELDS: usize = 27;

/// Fields of the records that a result rests on, the type among them (NCCLS LIS2-A2 clauses 6, 7, 8.4
/// and 9). One more is an unescaped separator, and everything behind that stands in the wrong field.
const LENGTHS: &[(char, usize)] = &[('H', 14), ('P', 35), ('O', 31), ('R', 14)];

/// The four delimiters that a header names; they hold until the next header.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Delimiters {
    pub field: char,
    pub repeat: char,
    pub component: char,
    pub escape: char,
}

impl Default for Delimiters {
    fn default() -> Self {
        Self { field: '|', repeat: '\\', component: '^', escape: '&' }
    }
}

impl Delimiters {
    /// From a header's text. None: it names no four different signs.
    pub fn read(header: &str) -> Option<Delimiters> {
        let sign = || satisfy(|c: char| c.is_ascii_graphic() && !c.is_ascii_alphanumeric());
        let named: IResult<&str, _> =
            preceded(one_of("Hh"), (sign(), sign(), sign(), sign())).parse(header);
        let (_, (field, repeat, component, escape)) = named.ok()?;
        let all = [field, repeat, component, escape];
        let differ = |(n, sign): (usize, &char)| !all.iter().skip(n + 1).any(|other| other == sign);
        all.iter().enumerate().all(differ).then_some(Delimiters {
            field,
            repeat,
            component,
            escape,
        })
    }
}

/// A record's fields, borrowed; nothing is unescaped before it is asked for.
pub(super) struct Record<'t> {
    delimiters: &'t Delimiters,
    fields: [&'t str; FIELDS],
    /// As many as were sent, the type and empty ones among them.
    sent: usize,
    /// The escape delimiter stands somewhere in it, as in few records.
    escapes: bool,
}

impl<'t> Record<'t> {
    pub fn read(delimiters: &'t Delimiters, text: &'t str) -> Self {
        let mut fields = [""; FIELDS];
        let mut sent = 0;
        for field in apart(text, delimiters.field) {
            if let Some(slot) = fields.get_mut(sent) {
                *slot = field;
            }
            sent += 1;
        }
        Self { delimiters, fields, sent, escapes: text.contains(delimiters.escape) }
    }

    /// A header's second field holds the delimiters and is left out of the cutting.
    pub fn read_header(delimiters: &'t Delimiters, text: &'t str) -> Self {
        let after = text.char_indices().nth(5).and_then(|(at, _)| text.get(at..)).unwrap_or("");
        let mut record = Self::read(delimiters, after);
        record.fields.rotate_right(1);
        record.sent += 1;
        record
    }

    /// What is wrong where more fields were sent than a record of this type has. 5.4.8 lets a receiver
    /// ignore them; but a separator that was not escaped looks the same.
    pub fn surplus(&self, kind: char) -> Option<String> {
        let (_, most) = LENGTHS.iter().find(|(known, _)| *known == kind)?;
        (self.sent > *most).then(|| {
            let sent = self.sent;
            format!(
                "{sent} fields in a record {kind}, which has {most}: is a separator not escaped?"
            )
        })
    }

    /// A field by its number in the standard, as sent. A field of `""` says nothing more than empty
    /// does here: there is nothing of ours that it could delete.
    pub fn field(&self, number: usize) -> &'t str {
        let field = number.checked_sub(1).and_then(|n| self.fields.get(n)).copied().unwrap_or("");
        if field == "\"\"" { "" } else { trimmed(field) }
    }

    /// A whole field, unescaped.
    pub fn text(&self, number: usize) -> Cow<'t, str> {
        self.unescape(self.field(number))
    }

    /// A field without a repeat delimiter is one repeat.
    pub fn repeats(&self, number: usize) -> impl Iterator<Item = &'t str> {
        apart(self.field(number), self.delimiters.repeat)
    }

    /// Of the whole field, repeats not cut.
    pub fn components(&self, number: usize) -> impl Iterator<Item = &'t str> {
        apart(self.field(number), self.delimiters.component)
    }

    /// The components of one repeat, as sent.
    pub fn parts(&self, repeat: &'t str) -> impl Iterator<Item = &'t str> {
        apart(repeat, self.delimiters.component)
    }

    /// One component of a field's first repeat, from 1, unescaped.
    pub fn component(&self, number: usize, component: usize) -> Cow<'t, str> {
        let first = self.repeats(number).next().unwrap_or("");
        let mut components = apart(first, self.delimiters.component);
        self.unescape(components.nth(component.saturating_sub(1)).unwrap_or(""))
    }

    /// The maker's or local code of a test id, else its name, else the universal code (5.6.1).
    pub fn test_id(&self, number: usize) -> Cow<'t, str> {
        [4, 2, 1]
            .into_iter()
            .map(|component| self.component(number, component))
            .find(|text| !text.trim().is_empty())
            .unwrap_or_default()
    }

    /// Replaces escapes (5.4.5.1). An unpaired sign and an unknown escape are kept as sent.
    pub fn unescape(&self, text: &'t str) -> Cow<'t, str> {
        if !self.escapes {
            return Cow::Borrowed(text);
        }
        let sign = self.delimiters.escape;
        let mut plain = String::with_capacity(text.len());
        let mut rest = text;
        while let Ok((after, before)) = field(sign, rest) {
            plain.push_str(before);
            let Ok((inside, _)) = delimiter(sign, after) else { break };
            match terminated(|i| field(sign, i), char(sign)).parse(inside) {
                Ok((next, code)) if self.escaped(code, &mut plain) => rest = next,
                _ => {
                    plain.push(sign);
                    rest = inside;
                }
            }
        }
        Cow::Owned(plain)
    }

    /// Writes what an escape stands for. False: it is none of the standard's.
    fn escaped(&self, code: &str, plain: &mut String) -> bool {
        let sign = self.delimiters.escape;
        match code.get(..1).unwrap_or("") {
            "F" if code.len() == 1 => plain.push(self.delimiters.field),
            "S" if code.len() == 1 => plain.push(self.delimiters.component),
            "R" if code.len() == 1 => plain.push(self.delimiters.repeat),
            "E" if code.len() == 1 => plain.push(sign),
            // Highlighting on and off.
            "H" | "N" if code.len() == 1 => {}
            "X" => match hex(code.get(1..).unwrap_or("")) {
                Some(bytes) => match std::str::from_utf8(&bytes) {
                    Ok(text) => plain.push_str(text),
                    Err(_) => plain.push_str(&latin1(&bytes)),
                },
                None => return false,
            },
            // Local escapes mean nothing to us and stay visible.
            "Z" => plain.extend([sign].into_iter().chain(code.chars()).chain([sign])),
            _ => return false,
        }
        true
    }
}

fn field(sign: char, text: &str) -> IResult<&str, &str> {
    take_till(|c| c == sign).parse(text)
}

fn delimiter(sign: char, text: &str) -> IResult<&str, char> {
    char(sign).parse(text)
}

/// Pairs of hexadecimal digits. None: something else.
fn hex(mut text: &str) -> Option<Vec<u8>> {
    let mut bytes = Vec::with_capacity(text.len() / 2);
    while !text.is_empty() {
        let pair: IResult<&str, &str> =
            take_while_m_n(2, 2, |c: char| c.is_ascii_hexdigit()).parse(text);
        let (rest, pair) = pair.ok()?;
        bytes.push(u8::from_str_radix(pair, 16).ok()?);
        text = rest;
    }
    (!bytes.is_empty()).then_some(bytes)
}
