//! The account of an analyzer's numbers: which came, which are missing, which nobody can know.
//!
//! Common practice of the bench: an analyzer counts its strips, and a laboratory accounts for every
//! number. That a number may be ahead or behind where a counter wraps around is decided by the
//! shorter way, as in RFC 1982 (serial number arithmetic).
//!
//! The flow: the ledger hands the kept rows to [`Account::new`], every number that comes goes through
//! [`Account::next`], and what that says ([`Told`]) becomes rows of missing numbers. Numbers are counted for
//! each mark apart ([`crate::number::split`]), and within a mark for each day or generation
//! ([`Sequence`]). Nothing here reads a clock: days and times come with the report ([`Came`]).
//!
//! Laws that the tests hold: a number is never both heard and missing; one that comes late fills exactly its
//! own place; a repeat fills a gap but opens none; the same number again tells only that.

mod runs;
mod sequence;

use std::cmp::Ordering;
use std::collections::BTreeSet;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::moment::Moment;
use crate::number::Number;

pub use sequence::{GENERATIONS, Sequence, Spot, Stretch, first_generation, instrument_of, named};

/// Seconds by which a late number may be older than the first, or newer than the latest, that was heard
/// of its sequence: the line may have been unheard for a day. Our own choice, no source.
const NEIGHBOURS: i64 = 86_400;

/// When an analyzer begins its numbers again.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reset {
    /// With each local day of the site: the same number of two days is two numbers.
    #[default]
    Daily,
    /// Whenever it is switched on.
    PowerUp,
    /// It counts on from day to day; only the end of its counter ([`Counting::top`]) brings a number
    /// again.
    Never,
}

impl FromStr for Reset {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "daily" => Ok(Reset::Daily),
            "power-up" => Ok(Reset::PowerUp),
            "never" => Ok(Reset::Never),
            _ => Err(format!("`{text}` is not allowed; allowed: daily, power-up, never")),
        }
    }
}

/// How an analyzer counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Counting {
    /// When the numbers begin again without the counter's end being reached.
    pub reset: Reset,
    /// The number it begins with.
    pub first: i64,
    /// The number after which it begins again by itself. None: it has no end.
    pub top: Option<i64>,
}

impl Default for Counting {
    fn default() -> Self {
        Counting { reset: Reset::Daily, first: 1, top: None }
    }
}

impl Counting {
    /// From the words of a configuration.
    ///
    /// `first` is from 0 to 999,999 and `top` from `first + 9` to 999,999,999; the error says which
    /// range is allowed, in words that go on from the key's name.
    pub fn of(reset: &str, first: i64, top: Option<i64>) -> Result<Counting, String> {
        let reset = reset.parse()?;
        if !(0..1_000_000).contains(&first) {
            return Err("a first number from 0 to 999999".into());
        }
        // A late number must be told from the next round, which takes some room.
        if top.is_some_and(|top| !(first + 9..1_000_000_000).contains(&top)) {
            return Err(format!("a last number from {} to 999999999", first + 9));
        }
        Ok(Counting { reset, first, top })
    }

    /// How many numbers one round has.
    fn span(&self) -> Option<i64> {
        self.top.map(|top| top - self.first + 1)
    }

    /// The number that the analyzer prints for a count, and the round it belongs to.
    fn printed(&self, count: i64) -> (i64, i64) {
        match self.span() {
            Some(span) => (self.first + count.rem_euclid(span), count.div_euclid(span)),
            None => (self.first + count, 0),
        }
    }
}

/// What a number that came tells about the account.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Told {
    /// These were given out before it and did not come.
    Missing(Stretch),
    /// These went by, if they did, while the daemon was stopped.
    Unknown(Stretch),
    /// Whether anything followed this number before the reset: the daemon was stopped.
    UnknownAfter(Spot),
    /// It was missing, or unknown, and has come.
    CameLate(Spot),
    /// It came before: a repeat if all else is the same, else a number used twice.
    HeardBefore(Spot),
    /// The analyzer began again; this was the last number before.
    ResetSeen {
        /// The last number before the reset.
        after: Spot,
    },
    /// The counter reached its end and began again by itself.
    Wrapped {
        /// The last number heard of the round before.
        after: Spot,
    },
    /// It was given out before this account began.
    Before(Spot),
    /// No number of this analyzer, as it is configured to count.
    Outside {
        /// The number without its mark, as it came.
        value: i64,
    },
}

/// What a confirmed last number opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Confirmed {
    /// The account has the number among those of this day.
    pub of_this_day: bool,
    /// These were given out and did not come.
    pub missing: Vec<Stretch>,
}

/// What is known of a report when its number comes.
#[derive(Clone, Copy, Debug)]
pub struct Came<'a> {
    /// The local date taken, else heard: `2025-03-14`.
    pub day: &'a str,
    /// When it was taken, if the print says so.
    pub taken: Option<Moment>,
    /// A report equal to it was heard before.
    pub repeat: bool,
}

/// The numbers of one analyzer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Account {
    counting: Counting,
    /// The instrument whose numbers these are: 0 is the first that stood there.
    instrument: u32,
    sequences: Vec<Sequence>,
    /// Numbers that were heard a second time, of which nobody has said yet what that was: day, mark, count.
    undecided: BTreeSet<(String, String, i64)>,
}

/// Where a number belongs: to a new generation, or to a sequence that is there.
///
/// A new one: nothing of its mark and day is there yet, or the analyzer began again.
enum Place {
    New(u32),
    On(usize),
}

/// Where a count stands on a sequence.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Stand {
    Ahead,
    Missing,
    Heard,
    Before,
}

impl Account {
    /// Goes on from the rows of the ledger: of each mark the newest; of daily numbers also those of
    /// the days that the reports at hand belong to, and of each mark the one before each such day; of
    /// others also the generations that may still get a late number.
    ///
    /// The rows may come in any order. What is not among them does not exist for the account: a row
    /// left out makes its numbers look like the first ones.
    #[must_use]
    pub fn new(counting: Counting, sequences: Vec<Sequence>) -> Account {
        Account::of(0, counting, sequences)
    }

    /// The same for the instrument that stands there after so many others ([`instrument_of`]): the rows are
    /// its own alone, and nothing that an earlier one counted is known to it.
    #[must_use]
    pub fn of(instrument: u32, counting: Counting, mut sequences: Vec<Sequence>) -> Account {
        sequences.sort_by(|a, b| key(a).cmp(&key(b)));
        Account { counting, instrument, sequences, undecided: BTreeSet::new() }
    }

    /// The rows, for the ledger to write back.
    #[must_use]
    pub fn sequences(&self) -> &[Sequence] {
        &self.sequences
    }

    /// The daemon was stopped: until the next number of each mark nobody knows what went by.
    ///
    /// Whatever is skipped then is told as [`Told::Unknown`], since nobody listened.
    pub fn stopped(&mut self) {
        let places = self.all_newest().into_iter().flat_map(|newest| self.chain(newest));
        for place in places.collect::<Vec<_>>() {
            if let Some(sequence) = self.sequences.get_mut(place) {
                sequence.unheard = true;
            }
        }
    }

    /// The analyzer was switched on again, as it said itself or a person says.
    ///
    /// The next number of each mark then begins a new generation, unless it goes on from the last one.
    pub fn restarted(&mut self) {
        for newest in self.all_newest() {
            if let Some(sequence) = self.sequences.get_mut(newest) {
                sequence.restarted = true;
            }
        }
    }

    /// The newest sequence of every mark.
    fn all_newest(&self) -> Vec<usize> {
        let marks: BTreeSet<&str> = self.sequences.iter().map(|s| s.mark.as_str()).collect();
        marks.into_iter().filter_map(|mark| self.newest(mark, None)).collect()
    }

    /// The newest sequence of a mark, or of a mark and day.
    fn newest(&self, mark: &str, day: Option<&str>) -> Option<usize> {
        let fits = |s: &Sequence| s.mark == mark && day.is_none_or(|d| s.day == d);
        self.sequences.iter().rposition(fits)
    }

    /// Enters a number that came. A number that is none tells nothing.
    ///
    /// Several things may be told of one number: that the analyzer began again, what is missing before
    /// it, that it fills a gap. They come in the order in which they happened. Asking twice for one
    /// number tells [`Told::HeardBefore`] the second time.
    pub fn next(&mut self, number: &Number, came: Came<'_>) -> Vec<Told> {
        let Some(value) = number.value else { return Vec::new() };
        let Some(index) = self.index(value) else { return vec![Told::Outside { value }] };
        let day = self.day(came);
        match self.place(number, index, came) {
            Place::New(generation) => self.begin(number, day, generation, index, came.taken),
            Place::On(place) => self.enter(place, number, index, came),
        }
    }

    /// A person confirms this number as the last of its mark that the analyzer gave out on a day, in
    /// the generation that was heard last on that day (None: nothing was). What the account did not
    /// know of, up to and with it, has not come: told as stretches. None: no number of this analyzer.
    ///
    /// This is how the day's last number is closed: a gap before a number shows by itself, the one
    /// behind the last number does not. An empty list: the account had it already.
    pub fn confirm(
        &mut self,
        number: &Number,
        day: &str,
        generation: Option<u32>,
    ) -> Option<Confirmed> {
        let index = self.index(number.value?)?;
        let day = if self.counting.reset == Reset::Daily { day } else { "" };
        let of = |s: &Sequence| s.mark == number.mark && s.day == day;
        let place = match generation {
            Some(generation) => {
                self.sequences.iter().position(|s| of(s) && s.generation == generation)
            }
            None => self.newest(&number.mark, Some(day)),
        };
        let Some(place) = place else { return Some(self.open(number, day, index)) };
        let mut sequence = self.sequences.get(place)?.clone();
        let (count, stand) = self.stand(&sequence, index);
        let known = matches!(stand, Stand::Heard | Stand::Missing) && !day.is_empty();
        let mut missing = Vec::new();
        // The counter itself shows that this was a restart: what it gave out before did not come.
        if sequence.is_aside() && sequence.from > 0 {
            let below = std::mem::take(&mut sequence.from) - 1;
            missing = self.lacking(&mut sequence, 0, below);
        }
        if stand == Stand::Ahead {
            let from = sequence.last + 1;
            missing.extend(self.lacking(&mut sequence, from, count));
            sequence.last = count;
        }
        let of_this_day = known || !missing.is_empty();
        if let Some(row) = self.sequences.get_mut(place) {
            *row = sequence;
        }
        Some(Confirmed { of_this_day, missing })
    }

    /// Begins a sequence of which nothing has come yet. Where numbers go on from day to day and none
    /// was ever heard, nobody knows where this day began: only the number itself is told.
    fn open(&mut self, number: &Number, day: &str, index: i64) -> Confirmed {
        let from = if self.counting.reset == Reset::Daily { 0 } else { index };
        let sequence = Sequence {
            day: day.to_owned(),
            generation: first_generation(self.instrument),
            mark: number.mark.clone(),
            from,
            last: index,
            missing: [(from, index)].into(),
            width: number.width(),
            ..Sequence::default()
        };
        let missing = self.stretches(&sequence, from, index).collect();
        let place = self.sequences.partition_point(|s| key(s) < key(&sequence));
        self.sequences.insert(place, sequence);
        Confirmed { of_this_day: true, missing }
    }

    /// Which of all numbers this one is, without entering it: what tells a number used twice from one
    /// of another day, generation or round.
    #[must_use]
    pub fn spot_of(&self, number: &Number, came: Came<'_>) -> Option<Spot> {
        let index = self.index(number.value?)?;
        let (day, mark) = (self.day(came).to_owned(), number.mark.clone());
        match self.place(number, index, came) {
            Place::New(generation) => {
                Some(Spot { day, generation, round: 0, mark, value: number.value? })
            }
            Place::On(place) => {
                let sequence = self.sequences.get(place)?;
                Some(self.spot(sequence, self.stand(sequence, index).0))
            }
        }
    }

    /// True while this number is missing, or unknown, and its time is one that its neighbours in the
    /// sequence could have: one that comes late is judged by them and not by now.
    ///
    /// A number without a printed time is awaited by its number alone.
    #[must_use]
    pub fn awaits(&self, number: &Number, came: Came<'_>) -> bool {
        let Some(index) = number.value.and_then(|value| self.index(value)) else { return false };
        let Place::On(place) = self.place(number, index, came) else { return false };
        let Some(sequence) = self.sequences.get(place) else { return false };
        let apart =
            |a: Option<Moment>, b: Option<Moment>| a.zip(b).map(|(a, b)| a.wall() - b.wall());
        let too_early = apart(sequence.began, came.taken).is_some_and(|by| by > NEIGHBOURS);
        let too_late = apart(came.taken, sequence.latest).is_some_and(|by| by > NEIGHBOURS);
        self.stand(sequence, index).1 == Stand::Missing && !too_early && !too_late
    }

    /// Its place in a round, from 0. None: the analyzer does not count so.
    fn index(&self, value: i64) -> Option<i64> {
        let Counting { first, top, .. } = self.counting;
        (value >= first && top.is_none_or(|top| value <= top)).then(|| value - first)
    }

    fn day<'d>(&self, came: Came<'d>) -> &'d str {
        if self.counting.reset == Reset::Daily { came.day } else { "" }
    }

    fn place(&self, number: &Number, index: i64, came: Came<'_>) -> Place {
        let Some(newest) = self.newest(&number.mark, Some(self.day(came))) else {
            return Place::New(first_generation(self.instrument));
        };
        let place = self.generation_of(newest, index, came.taken);
        if place == newest && !came.repeat && self.resets(newest, index, came.taken) {
            let generation = self.sequences.get(newest).map_or(1, |s| s.generation);
            return Place::New(generation.saturating_add(1));
        }
        Place::On(self.run_of(place, index, came.taken))
    }

    /// The generation that a number belongs to: the newest that had begun when it was taken. What was
    /// taken after the last of one and before the first heard of the next is of the next where that
    /// lacks it, unless it goes on from the last of the one.
    fn generation_of(&self, newest: usize, index: i64, taken: Option<Moment>) -> usize {
        let time = |place: usize, of: fn(&Sequence) -> Option<Moment>| {
            self.sequences
                .get(place)
                .and_then(of)
                .zip(taken)
                .map(|(own, t)| t.order().cmp(&own.order()))
        };
        let stand = |place: usize| self.sequences.get(place).map(|s| self.stand(s, index).1);
        let mut place = newest;
        while time(place, |s| s.began) == Some(Ordering::Less)
            && let Some(before) = self.before(place)
            && (time(before, |s| s.latest) != Some(Ordering::Greater)
                || stand(place) != Some(Stand::Missing)
                || stand(before) == Some(Stand::Ahead))
        {
            place = before;
        }
        place
    }

    /// The generation before this one, of the same mark and day.
    fn before(&self, place: usize) -> Option<usize> {
        let own = self.sequences.get(place)?;
        let fits = |s: &Sequence| s.mark == own.mark && s.day == own.day;
        self.sequences.iter().take(place).rposition(fits)
    }

    /// Whether this number begins a new generation.
    ///
    /// What is older than the latest of its sequence never does: it is a late one.
    fn resets(&self, place: usize, index: i64, taken: Option<Moment>) -> bool {
        let Some(sequence) = self.sequences.get(place) else { return false };
        let newer = sequence.latest.zip(taken).map(|(l, t)| t.order() > l.order());
        let (_, stand) = self.stand(sequence, index);
        let by_itself = self.counting.reset == Reset::PowerUp;
        match (by_itself, sequence.restarted) {
            _ if newer == Some(false) => false,
            (true, true) => true,
            (false, true) => stand != Stand::Ahead,
            // Its first number again, and not one that is still awaited.
            (true, false) => {
                let awaited = stand == Stand::Missing && newer.is_none();
                index == 0 && stand != Stand::Ahead && !awaited
            }
            (false, false) => false,
        }
    }

    /// The count that a printed number means on a sequence, and where it stands.
    fn stand(&self, sequence: &Sequence, index: i64) -> (i64, Stand) {
        let count = match self.counting.span() {
            None => index,
            Some(span) => {
                let ahead = (index - sequence.last).rem_euclid(span);
                // The shorter way; of two equal ones the way back, which calls nothing missing.
                let by = if ahead * 2 < span { ahead } else { ahead - span };
                sequence.last + by
            }
        };
        let stand = if count > sequence.last {
            Stand::Ahead
        } else if sequence.lacks(count) {
            Stand::Missing
        } else if count < sequence.from {
            Stand::Before
        } else {
            Stand::Heard
        };
        (count, stand)
    }

    fn enter(&mut self, place: usize, number: &Number, index: i64, came: Came<'_>) -> Vec<Told> {
        let Some(mut sequence) = self.sequences.get(place).cloned() else { return Vec::new() };
        let (count, stand) = self.stand(&sequence, index);
        let mut told = Vec::new();
        let spot = self.spot(&sequence, count);
        match stand {
            // A repeat too: what it repeats may have been entered elsewhere, before a reset was known.
            Stand::Missing => {
                sequence.fill(count);
                told.push(Told::CameLate(spot));
            }
            Stand::Heard => told.push(Told::HeardBefore(spot)),
            _ if came.repeat => told.push(Told::HeardBefore(spot)),
            Stand::Before => told.push(Told::Before(spot)),
            Stand::Ahead => {
                sequence.width = number.width().max(sequence.width);
                told.extend(self.wrapped(&sequence, count));
                let (from, unheard) = (sequence.last + 1, sequence.unheard);
                told.extend(
                    self.lacking(&mut sequence, from, count - 1).into_iter().map(gap(unheard)),
                );
                sequence.last = count;
                sequence.unheard = false;
                sequence.restarted = false;
            }
        }
        // One that stood there already may be of a generation that nobody knows of yet.
        let entered = matches!(stand, Stand::Ahead | Stand::Missing) && !came.repeat;
        let newer = sequence.latest.zip(came.taken).is_none_or(|(l, t)| t.order() > l.order());
        if entered && newer {
            sequence.latest = came.taken.or(sequence.latest);
        }
        if let Some(row) = self.sequences.get_mut(place) {
            *row = sequence;
        }
        told
    }

    /// Begins a sequence with this number.
    fn begin(
        &mut self,
        number: &Number,
        day: &str,
        generation: u32,
        index: i64,
        taken: Option<Moment>,
    ) -> Vec<Told> {
        let mut sequence = Sequence {
            day: day.to_owned(),
            generation,
            mark: number.mark.clone(),
            from: index,
            last: index,
            width: number.width(),
            began: taken,
            latest: taken,
            ..Sequence::default()
        };
        let mut told = Vec::new();
        let before = |s: &Sequence| key(s) < key(&sequence);
        let newest = self.sequences.iter().rposition(|s| s.mark == number.mark && before(s));
        let own = newest.map(|newest| self.head(newest));
        // Another mark's earlier day tells as well that this one was listened for from its start.
        let any = || self.sequences.iter().rposition(|s| s.day.as_str() < day);
        if let Some(previous) = own.or_else(any).and_then(|place| self.sequences.get(place)) {
            let unheard = previous.unheard;
            let last = self.spot(previous, previous.last);
            if own.is_some() && previous.day == day {
                told.push(Told::ResetSeen { after: last.clone() });
            }
            if own.is_some() && unheard {
                told.push(Told::UnknownAfter(last));
            }
            sequence.from = self.known_otherwise(number, day, index);
            told.extend(self.stretches(&sequence, sequence.from, index - 1).map(gap(unheard)));
            if sequence.from < index {
                sequence.missing.insert(sequence.from, index - 1);
            }
        }
        for place in newest.map_or_else(Vec::new, |newest| self.chain(newest)) {
            if let Some(previous) = self.sequences.get_mut(place) {
                (previous.unheard, previous.restarted) = (false, false);
            }
        }
        let place = self.sequences.partition_point(|s| key(s) < key(&sequence));
        self.sequences.insert(place, sequence);
        told
    }

    fn spot(&self, sequence: &Sequence, count: i64) -> Spot {
        let (value, round) = self.counting.printed(count);
        let Sequence { day, generation, mark, .. } = sequence;
        Spot { day: day.clone(), generation: *generation, round, mark: mark.clone(), value }
    }

    /// Says that the counter went over its end on the way to this count.
    fn wrapped(&self, sequence: &Sequence, count: i64) -> Option<Told> {
        let (_, from) = self.counting.printed(sequence.last);
        let (_, to) = self.counting.printed(count);
        let after = self.spot(sequence, sequence.last);
        (from < to).then_some(Told::Wrapped { after })
    }

    /// The counts from one to another, cut where a round ends: two at most, for no number can be
    /// ahead by more than one round.
    ///
    /// The counts go on over the rounds; what is printed does not, so that a stretch never spans two
    /// rounds.
    fn stretches(&self, sequence: &Sequence, from: i64, to: i64) -> impl Iterator<Item = Stretch> {
        let end = match self.counting.span() {
            Some(span) => from.div_euclid(span) * span + span - 1,
            None => to,
        };
        let cut = [(from, to.min(end)), (end + 1, to)];
        let width = sequence.width;
        let stretches: Vec<Stretch> = cut
            .into_iter()
            .filter(|(from, to)| from <= to)
            .map(|(from, to)| Stretch {
                first: self.spot(sequence, from),
                to: self.counting.printed(to).0,
                width,
            })
            .collect();
        stretches.into_iter()
    }
}

/// Marks apart, then days and generations in their order.
fn key(sequence: &Sequence) -> (&str, &str, u32) {
    (&sequence.mark, &sequence.day, sequence.generation)
}

fn gap(unheard: bool) -> impl Fn(Stretch) -> Told {
    move |stretch| if unheard { Told::Unknown(stretch) } else { Told::Missing(stretch) }
}

#[cfg(test)]
mod tests;
