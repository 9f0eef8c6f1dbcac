//! Lines that hold more than one thing: records of fields with a sign between them, and tables whose columns are
//! headed once.

use nom::branch::alt;
use nom::bytes::complete::{tag, take_till};
use nom::character::complete::char;
use nom::combinator::{all_consuming, peek, recognize};
use nom::sequence::{delimited, terminated};
use nom::{IResult, Parser};

use super::entry::Cell;
use super::form::Form;
use super::steps;

/// How a line falls into fields, each of which is read as a line of its own.
#[derive(Clone, Debug)]
pub(super) struct Record {
    pub apart: Apart,
    /// What the first fields hold, each in its place: one of these forms.
    pub fields: Vec<Vec<Form>>,
    /// The names of all fields, where a line gives them.
    pub heading: Vec<String>,
}

/// What tells one field from the next.
#[derive(Clone, Debug)]
pub(super) enum Apart {
    Sign {
        sign: char,
        /// A field may stand in double quotes, and then hold the sign.
        quoted: bool,
    },
    /// How many characters each field has.
    Widths {
        widths: Vec<usize>,
        /// A line must have all of them; else blanks at its end may lack.
        exact: bool,
    },
}

/// Why a line falls into no fields.
const QUOTES: &str = "a field in quotes has no end, or goes on behind it";
const WIDTHS: &str = "the line is not as long as record.widths says";

/// Readings in columns: one line names the pads, each of those below it says one thing of all of them.
#[derive(Clone, Debug)]
pub(super) struct Table {
    /// How the line with the labels begins.
    pub headed: String,
    /// How each other line begins, and what it says.
    pub rows: Vec<(String, Cell)>,
    /// Words for a place that says nothing.
    pub blank: Vec<String>,
    /// None: blanks stand between the columns.
    pub sign: Option<char>,
}

impl Record {
    /// The fields of a line, or why it has none.
    pub fn pieces<'t>(&self, line: &'t str) -> Result<Vec<&'t str>, &'static str> {
        steps::take(line.len());
        match &self.apart {
            Apart::Sign { sign, quoted } => signed(line, *sign, *quoted).ok_or(QUOTES),
            Apart::Widths { widths, exact } => cut(line, widths, *exact).ok_or(WIDTHS),
        }
    }

    /// Whether these are the names of the fields, all and in order.
    pub fn is_heading(&self, pieces: &[&str]) -> bool {
        !self.heading.is_empty() && pieces.iter().map(|piece| piece.trim()).eq(self.heading.iter())
    }
}

/// The fields between signs. None: one in quotes has no end, or goes on behind it.
fn signed(line: &str, sign: char, quoted: bool) -> Option<Vec<&str>> {
    let mut pieces = Vec::new();
    let mut rest = line;
    loop {
        let (after, piece) = piece(rest, sign, quoted).ok()?;
        pieces.push(piece);
        let Ok((next, _)) = char::<_, nom::error::Error<&str>>(sign).parse(after) else {
            return after.is_empty().then_some(pieces);
        };
        rest = next;
    }
}

fn piece(text: &str, sign: char, quoted: bool) -> IResult<&str, &str> {
    if !quoted || !text.starts_with('"') {
        return take_till(move |c| c == sign).parse(text);
    }
    let end = alt((recognize(char(sign)), all_consuming(tag(""))));
    terminated(delimited(char('"'), take_till(|c| c == '"'), char('"')), peek(end)).parse(text)
}

/// The fields by their widths. None: the line has not their length. Where it may be shorter, only blanks lack.
fn cut<'t>(line: &'t str, widths: &[usize], exact: bool) -> Option<Vec<&'t str>> {
    let mut pieces = Vec::with_capacity(widths.len());
    let mut rest = line;
    for width in widths {
        let mut places = rest.char_indices().map(|(at, _)| at).chain([rest.len()]);
        let end = match places.nth(*width) {
            Some(end) => end,
            None if exact => return None,
            None => rest.len(),
        };
        let (piece, after) = rest.split_at_checked(end)?;
        pieces.push(piece);
        rest = after;
    }
    let longer = if exact { !rest.is_empty() } else { !rest.trim_ascii().is_empty() };
    (!longer).then_some(pieces)
}

impl Table {
    /// What stands behind the word that a line begins with.
    pub fn behind<'t>(&self, line: &'t str, word: &str) -> Option<&'t str> {
        let rest = line.trim_ascii_start().strip_prefix(word)?;
        match self.sign {
            _ if rest.is_empty() => Some(rest),
            Some(sign) => rest.trim_ascii_start().strip_prefix(sign),
            None => rest.starts_with([' ', '\t']).then_some(rest),
        }
    }

    /// The columns of what stands there.
    pub fn columns<'t>(&self, text: &'t str) -> Vec<&'t str> {
        steps::take(text.len());
        match self.sign {
            Some(sign) => text.split(sign).map(str::trim_ascii).collect(),
            None => text.split_ascii_whitespace().collect(),
        }
    }
}
