//! Numbers as analyzers print them: with a comparator or a word for one, or from one end of a range to the other.

use nom::branch::alt;
use nom::bytes::complete::tag;
use nom::character::complete::{char, digit1, space0};
use nom::combinator::{opt, recognize};
use nom::sequence::preceded;
use nom::{IResult, Parser};
use wickline_normalize::Text;

use super::{Results, blank};

/// A number as printed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::dialect) struct Figure<'t> {
    pub whole: &'t str,
    sign: &'t str,
    /// The comparator in words, where it stands behind the number's unit.
    pub behind: &'t str,
    /// With a point or a comma. None: a range, of which the whole is handed on.
    digits: Option<&'t str>,
}

impl<'t> Figure<'t> {
    /// Its unit, and what stands behind that; a comparator in words may stand before the unit or behind it. None: the
    /// number has two of them, or is a range: nobody knows what it says.
    pub(super) fn unit(&mut self, results: &Results, rest: &'t str) -> Option<(&'t str, &'t str)> {
        let rest = self.compared(results, rest)?.trim_ascii();
        let (unit, more) = rest.split_at(blank(rest).unwrap_or(rest.len()));
        Some((unit, self.compared(results, more)?))
    }

    /// A unit that has a cell of its own, without the comparator behind it.
    pub(super) fn apart(&mut self, results: &Results, text: &'t str) -> Option<&'t str> {
        let ends = |word: &str| {
            let before = text.strip_suffix(word)?;
            (before.is_empty() || before.ends_with([' ', '\t'])).then_some(before.len())
        };
        match results.comparators.iter().find_map(|(word, _)| ends(word)) {
            Some(at) => {
                self.compared(results, text.get(at..)?)?;
                Some(text.get(..at)?.trim_ascii_end())
            }
            None => Some(text),
        }
    }

    /// Takes a comparator in words that stands here, and gives what stands behind it.
    fn compared(&mut self, results: &Results, text: &'t str) -> Option<&'t str> {
        let text = text.trim_ascii_start();
        let Some((after, sign)) = results.compares(text) else { return Some(text) };
        (self.sign.is_empty() && self.digits.is_some()).then_some(())?;
        (self.sign, self.behind) = (sign, text.get(..text.len() - after.len())?);
        Some(after)
    }

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
/// unit, or the dialect's word for a comparator; anything else (`2+`, `1.0.0`) makes it no number.
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
    if !rest.is_empty() && !rest.starts_with(unit) && results.compares(rest).is_none() {
        return Err(nom::Err::Error(nom::error::Error::new(text, nom::error::ErrorKind::Verify)));
    }
    let whole = text.get(..text.len() - rest.len()).unwrap_or(text);
    Ok((rest, Figure { whole, sign, behind: "", digits: (!range).then_some(digits) }))
}

impl Results {
    /// The comparator in words with which a text begins, as its sign, and what stands behind it.
    fn compares<'t>(&self, text: &'t str) -> Option<(&'t str, &'static str)> {
        self.comparators.iter().find_map(|(word, sign)| {
            let after = text.strip_prefix(word.as_str())?;
            (after.is_empty() || after.starts_with([' ', '\t'])).then_some((after, *sign))
        })
    }
}

/// Whether a word is made of the signs that grades are made of.
pub(in crate::dialect) fn may_be_a_grade(word: &str) -> bool {
    word.chars().all(|c| "+-\u{b1}".contains(c))
}

/// The comparator before a number, as its sign; empty where there is none.
///
/// Words of the dialect come before the signs; a word that runs on into letters is none, and a sign of which grades are
/// made stands behind its number alone: `+ 55` may be a grade and its number.
fn comparator<'t>(results: &Results, text: &'t str) -> IResult<&'t str, &'t str> {
    let first = text.as_bytes().first().copied().unwrap_or(b' ');
    if first.is_ascii_digit() {
        return Ok((text, ""));
    }
    for (word, sign) in results.comparators.iter().filter(|(word, _)| !may_be_a_grade(word)) {
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
