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
    pub sign: char,
    /// A field may stand in double quotes, and then hold the sign.
    pub quoted: bool,
    /// What the first fields hold, each in its place.
    pub fields: Vec<Form>,
    /// The names of all fields, where a line gives them.
    pub heading: Vec<String>,
}

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
    /// The fields of a line. None: a field in quotes has no end, or goes on behind it.
    pub fn pieces<'t>(&self, line: &'t str) -> Option<Vec<&'t str>> {
        steps::take(line.len());
        let mut pieces = Vec::new();
        let mut rest = line;
        loop {
            let (after, piece) = self.piece(rest).ok()?;
            pieces.push(piece);
            let Ok((next, _)) = char::<_, nom::error::Error<&str>>(self.sign).parse(after) else {
                return after.is_empty().then_some(pieces);
            };
            rest = next;
        }
    }

    fn piece<'t>(&self, text: &'t str) -> IResult<&'t str, &'t str> {
        let sign = self.sign;
        let bare = |text| take_till(move |c| c == sign).parse(text);
        if !self.quoted || !text.starts_with('"') {
            return bare(text);
        }
        let end = alt((recognize(char(sign)), all_consuming(tag(""))));
        terminated(delimited(char('"'), take_till(|c| c == '"'), char('"')), peek(end)).parse(text)
    }

    /// Whether these are the names of the fields, all and in order.
    pub fn is_heading(&self, pieces: &[&str]) -> bool {
        !self.heading.is_empty() && pieces.iter().map(|piece| piece.trim()).eq(self.heading.iter())
    }
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
