//! Numbers as analyzers print them: with a comparator or a word for one, or from one end of a range to the other.

use nom::branch::alt;
use nom::bytes::complete::tag;
use nom::character::complete::{char, digit1, space0};
use nom::combinator::{opt, recognize};
use nom::sequence::preceded;
use nom::{IResult, Parser};
use wickline_normalize::Text;

use super::Results;

/// A number as printed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::dialect) struct Figure<'t> {
    pub whole: &'t str,
    sign: &'t str,
    /// With a point or a comma. None: a range, of which the whole is handed on.
    digits: Option<&'t str>,
}

impl Figure<'_> {
    /// With a point before its decimals and the comparator as a sign, the ends of a range likewise.
    pub fn owned(&self, decimal: char) -> Text {
        let Some(digits) = self.digits else { return self.whole.replace(decimal, ".").into() };
        if self.sign.is_empty() && decimal == '.' {
            return digits.into();
        }
        match digits.split_once(decimal) {
            Some((whole, decimals)) => Text::from_iter([self.sign, whole, ".", decimals]),
            None => Text::from_iter([self.sign, digits]),
        }
    }
}

/// A number as printed, with its comparator, or a range. What follows it is a blank, the end, or a
/// unit; anything else (`2+`, `1.0.0`) makes it no number.
pub(super) fn figure<'t>(results: &Results, text: &'t str) -> IResult<&'t str, Figure<'t>> {
    let (begun, sign) = comparator(results, text)?;
    let number = || recognize((digit1, opt(preceded(char(results.decimal), digit1))));
    let (mut rest, digits) = number().parse(begun)?;
    let mut range = false;
    if sign.is_empty()
        && let Ok((after, _)) = preceded(char('-'), number()).parse(rest)
    {
        (rest, range) = (after, true);
    }
    let unit = |c: char| c.is_alphabetic() || matches!(c, ' ' | '\t' | '/' | '%' | '[' | '{');
    if !rest.is_empty() && !rest.starts_with(unit) {
        return Err(nom::Err::Error(nom::error::Error::new(text, nom::error::ErrorKind::Verify)));
    }
    let whole = text.get(..text.len() - rest.len()).unwrap_or(text);
    Ok((rest, Figure { whole, sign, digits: (!range).then_some(digits) }))
}

/// The comparator before a number, as its sign; empty where there is none.
///
/// Words of the dialect come before the signs; a word that runs on into letters is none.
fn comparator<'t>(results: &Results, text: &'t str) -> IResult<&'t str, &'t str> {
    let first = text.as_bytes().first().copied().unwrap_or(b' ');
    if first.is_ascii_digit() {
        return Ok((text, ""));
    }
    for (word, sign) in &results.comparators {
        let after = text.strip_prefix(word.as_str());
        if let Some(after) = after.filter(|rest| !rest.starts_with(char::is_alphabetic)) {
            return space0.map(|_| *sign).parse(after);
        }
    }
    // Most words are grades: no sign that is a letter or a plus is worth a try.
    if first.is_ascii() && !matches!(first, b'<' | b'>') {
        return Err(nom::Err::Error(nom::error::Error::new(text, nom::error::ErrorKind::Tag)));
    }
    let signs = alt((tag("<="), tag(">="), tag("<"), tag(">"), tag("≤"), tag("≥")));
    let (rest, (sign, _)) = (signs, space0).parse(text)?;
    Ok((rest, sign))
}
