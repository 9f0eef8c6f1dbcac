//! Test numbers: the mark before the digits, and what can be counted.
//!
//! An analyzer may tell control material or urgent work by what it prints before the digits, and counts each of
//! these by itself. Splitting a number is therefore the first step of both the class and the account.

use crate::rules::Rules;

/// Digits of a number that can be counted on.
const DIGITS: usize = 9;

/// A test number in its parts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Number {
    /// What stands before the digits; each mark counts for itself.
    pub mark: String,
    /// The digits as printed.
    pub digits: String,
    /// None: what follows the mark is no number, so that gaps cannot be told.
    pub value: Option<i64>,
    /// The mark is a leading digit, so that as many digits follow it on every print.
    pub fixed: bool,
}

impl Number {
    /// Digits that are printed after the mark, with zeros in front; 0: without.
    #[must_use]
    pub fn width(&self) -> usize {
        if self.fixed || self.digits.starts_with('0') { self.digits.len() } else { 0 }
    }
}

/// Splits a number as printed: a leading digit that has a class is the mark; else a configured mark,
/// the longest; else everything before the digits at its end.
///
/// Never fails: what has no digits at its end, or more than nine, has no value and is not counted.
#[must_use]
pub fn split(text: &str, rules: &Rules) -> Number {
    let text = text.trim();
    if rules.leading_digit(text).is_some()
        && let Some((mark, digits)) = text.split_at_checked(1)
    {
        let (mark, digits) = (mark.to_owned(), digits.to_owned());
        let value = digits.parse().ok().filter(|_| digits.len() <= DIGITS);
        return Number { mark, digits, value, fixed: true };
    }
    let controls = rules.control_marks.iter().map(|m| m.mark.as_str());
    let marks = controls.chain(rules.stat_marks.iter().map(String::as_str));
    let configured = marks.filter(|m| !m.is_empty() && text.starts_with(m)).map(str::len).max();
    let rest = text.get(configured.unwrap_or(0)..).unwrap_or(text);
    let tail = rest.bytes().rev().take_while(u8::is_ascii_digit).count();
    let (mark, digits) = text.split_at(text.len() - tail);
    let countable = (1..=DIGITS).contains(&digits.len());
    Number {
        mark: mark.to_owned(),
        digits: digits.to_owned(),
        value: if countable { digits.parse().ok() } else { None },
        fixed: false,
    }
}

#[cfg(test)]
mod tests {
    use super::split;
    use crate::rules::Rules;

    fn rules() -> Rules {
        let marks = ["Q1=1", "Q=9"].map(|m| m.parse().expect("a mark"));
        Rules { control_marks: marks.into(), stat_marks: vec!["S".into()], ..Rules::default() }
    }

    #[test]
    fn the_longest_configured_mark_is_taken_else_what_stands_before_the_digits() {
        for (text, mark, value) in [
            ("0058", "", Some(58)),
            ("Q1003", "Q1", Some(3)),
            ("Q003", "Q", Some(3)),
            ("S-12", "S-", Some(12)),
            ("2025-07", "2025-", Some(7)),
            ("12A", "12A", None),
            ("", "", None),
            ("é12", "é", Some(12)),
            ("1234567890", "", None),
            ("Q1", "Q1", None),
        ] {
            let number = split(text, &rules());
            assert_eq!((number.mark.as_str(), number.value), (mark, value), "{text}");
        }
    }
}
