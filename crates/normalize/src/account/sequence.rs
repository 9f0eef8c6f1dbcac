//! Rows of the account: runs of numbers without a reset, and how single numbers are named.
//!
//! A count is the distance from the first number of the first round and goes on where a counter wraps; a
//! printed number is a count in one round. All arithmetic is on counts, all names are of numbers.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::moment::Moment;
use crate::number::SKIPPED_MOST;

/// One run of numbers without a reset: what the ledger keeps in a row. Counts go on over the rounds
/// of a counter that wraps; 0 is the first number.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sequence {
    /// Of numbers that begin again each day; else empty.
    pub day: String,
    /// From 1 within its mark and day: one more after each reset.
    pub generation: u32,
    /// What stands before the digits; each mark counts for itself ([`crate::number::Number::mark`]).
    pub mark: String,
    /// The lowest count that it accounts for, and the highest heard.
    pub from: i64,
    /// The highest count that came, or that a person confirmed as the last.
    pub last: i64,
    /// Counts that have not come, from and to.
    pub missing: BTreeMap<i64, i64>,
    /// Digits with zeros in front; 0: none are printed.
    pub width: usize,
    /// When the first and the latest of it were taken.
    pub began: Option<Moment>,
    /// When the latest of it was taken, as printed; None: no print said so.
    pub latest: Option<Moment>,
    /// The daemon was stopped since the last number.
    pub unheard: bool,
    /// The analyzer is known to have been switched on since the last number.
    pub restarted: bool,
}

/// One number among all that an analyzer ever gave out.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Spot {
    /// `2025-03-14` where numbers begin again each day; else empty.
    pub day: String,
    /// From 1 within its mark and day.
    pub generation: u32,
    /// The round of a counter that wraps.
    pub round: i64,
    /// What stands before the digits.
    pub mark: String,
    /// The digits as a number, without their leading zeros.
    pub value: i64,
}

impl Spot {
    /// What it shares with the numbers that it must not be mixed up with, as one text: day,
    /// generation and round.
    #[must_use]
    pub fn sequence(&self) -> String {
        format!("{}#{}.{}", self.day, self.generation, self.round)
    }
}

/// Numbers without a gap between them, in one round.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Its lowest number.
    pub first: Spot,
    /// The value of its last number.
    pub to: i64,
    /// Digits with zeros in front, for naming them as the analyzer prints them; 0: without zeros.
    pub width: usize,
}

impl Stretch {
    /// How many numbers it has.
    ///
    /// At least 1 for every stretch that an account tells.
    #[must_use]
    pub fn count(&self) -> i64 {
        self.to - self.first.value + 1
    }

    /// Its numbers as the analyzer would print them: the lowest, and so many that a wild number does
    /// not flood a sheet.
    ///
    /// At most [`SKIPPED_MOST`] names, the lowest first.
    #[must_use]
    pub fn names(&self) -> Vec<String> {
        let (mark, width) = (&self.first.mark, self.width);
        let values = (self.first.value..=self.to).take(SKIPPED_MOST);
        values.map(|n| format!("{mark}{n:0width$}")).collect()
    }
}

impl Sequence {
    /// True while this count has not come.
    pub(super) fn lacks(&self, count: i64) -> bool {
        self.missing.range(..=count).next_back().is_some_and(|(_, to)| count <= *to)
    }

    /// Takes a count out of those that have not come.
    pub(super) fn fill(&mut self, count: i64) {
        let Some((from, to)) = self.missing.range(..=count).next_back().map(|(f, t)| (*f, *t))
        else {
            return;
        };
        if count > to {
            return;
        }
        self.missing.remove(&from);
        if from < count {
            self.missing.insert(from, count - 1);
        }
        if count < to {
            self.missing.insert(count + 1, to);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Spot, Stretch};
    use crate::number::SKIPPED_MOST;

    #[test]
    fn skipped_numbers_are_named_as_printed_and_bounded() {
        let of = |mark: &str, from: i64, to: i64, width: usize| {
            let (day, mark) = (String::new(), mark.to_owned());
            let first = Spot { day, generation: 1, round: 0, mark, value: from };
            Stretch { first, to, width }.names()
        };
        assert_eq!(of("", 58, 59, 4), ["0058", "0059"]);
        assert_eq!(of("Q1", 9, 10, 3), ["Q1009", "Q1010"]);
        assert_eq!(of("", 99, 100, 0), ["99", "100"]);
        assert_eq!(of("", 1, 2, 0), ["1", "2"]);
        assert!(of("", 58, 57, 4).is_empty());
        assert_eq!(of("", 1, 999_999_998, 0).len(), SKIPPED_MOST);
        assert_eq!(of("", i64::MAX, i64::MAX - 1, 0), Vec::<String>::new());
    }
}
