//! Rows of the account: runs of numbers without a reset, and how single numbers are named.
//!
//! A count is the distance from the first number of the first round and goes on where a counter wraps; a
//! printed number is a count in one round. All arithmetic is on counts, all names are of numbers.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::moment::Moment;

/// The generations of one instrument: those of the one that takes its place begin above them all, so that no
/// number of the one is ever the same as one of the other. Our own choice: it is switched on fewer times.
pub const GENERATIONS: u32 = 100_000;

/// The first generation of an instrument; 0 is the one that stood there first.
#[must_use]
pub fn first_generation(instrument: u32) -> u32 {
    instrument.saturating_mul(GENERATIONS).saturating_add(1)
}

/// The instrument that a generation is of.
#[must_use]
pub fn instrument_of(generation: u32) -> u32 {
    generation.saturating_sub(1) / GENERATIONS
}

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
    /// A person said that a number that was used before began it.
    pub said: bool,
}

/// One number among all that an analyzer ever gave out.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
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

    /// What is left of it when one of its numbers has come.
    #[must_use]
    pub fn without(self, spot: &Spot) -> Vec<Stretch> {
        let to = self.to;
        let same = Spot { value: spot.value, ..self.first.clone() } == *spot;
        if !same || !(self.first.value..=to).contains(&spot.value) {
            return vec![self];
        }
        let after = Spot { value: spot.value + 1, ..spot.clone() };
        let parts =
            [Stretch { to: spot.value - 1, ..self.clone() }, Stretch { first: after, ..self }];
        parts.into_iter().filter(|part| part.count() > 0).collect()
    }

    /// A number of it as the analyzer would print it.
    #[must_use]
    pub fn named(&self, value: i64) -> String {
        named(&self.first.mark, value, self.width)
    }

    /// Its first and last number as the analyzer would print them: `41-44`, or `41` alone.
    #[must_use]
    pub fn name(&self) -> String {
        let (first, last) = (self.named(self.first.value), self.named(self.to));
        if self.first.value == self.to { first } else { format!("{first}-{last}") }
    }
}

/// A number as an analyzer prints it: its mark, and digits with zeros in front up to a width.
#[must_use]
pub fn named(mark: &str, value: i64, width: usize) -> String {
    format!("{mark}{value:0width$}")
}

impl Sequence {
    /// True where what a person said to have begun is no restart: a strip that was run under a number used
    /// before, or a few of them. An analyzer that begins again begins with its first number and goes on.
    #[must_use]
    pub fn is_aside(&self) -> bool {
        self.said && (self.from > 0 || self.last == self.from)
    }

    /// The counts that came.
    pub(super) fn heard(&self) -> impl Iterator<Item = i64> {
        let ends = self.missing.keys().map(|from| *from - 1).chain([self.last]);
        let begins = [self.from].into_iter().chain(self.missing.values().map(|to| *to + 1));
        begins.zip(ends).flat_map(|(begin, end)| begin..=end)
    }

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

    #[test]
    fn skipped_numbers_are_named_as_printed() {
        let of = |mark: &str, from: i64, to: i64, width: usize| {
            let (day, mark) = (String::new(), mark.to_owned());
            let first = Spot { day, generation: 1, round: 0, mark, value: from };
            Stretch { first, to, width }.name()
        };
        assert_eq!(of("", 58, 59, 4), "0058-0059");
        assert_eq!(of("Q1", 9, 10, 3), "Q1009-Q1010");
        assert_eq!(of("", 99, 100, 0), "99-100");
        assert_eq!(of("", 3, 3, 0), "3");
        assert_eq!(of("", 11, 20_000, 5), "00011-20000");
    }

    #[test]
    fn a_number_that_comes_is_cut_out() {
        let spot = |value| Spot { value, ..Spot::default() };
        let left = |value| {
            let stretch = Stretch { first: spot(3), to: 6, width: 0 };
            stretch.without(&spot(value)).iter().map(Stretch::name).collect::<Vec<_>>()
        };
        assert_eq!(left(5), ["3-4", "6"]);
        assert_eq!((left(3), left(6)), (vec!["4-6".to_owned()], vec!["3-5".to_owned()]));
        assert_eq!((left(2), left(7)), (vec!["3-6".to_owned()], vec!["3-6".to_owned()]));
    }
}
