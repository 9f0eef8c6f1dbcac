//! Runs that a person said had begun: the analyzer began its numbers again, or a strip was run under a
//! number used before. Which of the two it was shows in what comes next, and until then nothing is missing.

use std::collections::BTreeSet;

use super::{Account, Came, Reset, Sequence, Stand, Stretch, Told, key};
use crate::moment::Moment;
use crate::number::Number;

impl Account {
    /// A person says that a number was used a second time, for a strip of its own. It opens no gap: what
    /// follows it goes on from it or from where the numbers were before.
    pub fn began_again(&mut self, number: &Number, came: Came<'_>) -> Vec<Told> {
        let Some(index) = number.value.and_then(|value| self.index(value)) else {
            return Vec::new();
        };
        let day = self.day(came);
        let Some(newest) = self.newest(&number.mark, Some(day)) else {
            return self.next(number, came);
        };
        let place = self.generation_of(newest, index, came.taken);
        // One that was said to have begun before this number may go on with it.
        if self.goes_on(self.run_of(place, index, came.taken), index) {
            return self.next(number, came);
        }
        for place in self.chain(newest) {
            if let Some(run) =
                self.sequences.get_mut(place).filter(|s| s.said && s.from == index + 1)
            {
                run.from = index;
                run.began = came.taken.or(run.began);
                return Vec::new();
            }
        }
        let generation = self.sequences.get(newest).map_or(1, |s| s.generation);
        let mut told = Vec::new();
        if let Some(before) = self.sequences.get(self.head(newest)) {
            let after = self.spot(before, before.last);
            told.push(Told::ResetSeen { after: after.clone() });
            // Where it began again, nobody can know what it gave out before that unheard.
            if before.unheard {
                told.push(Told::UnknownAfter(after));
            }
        }
        for place in self.chain(newest) {
            if let Some(before) = self.sequences.get_mut(place) {
                before.unheard = false;
            }
        }
        let sequence = Sequence {
            day: day.to_owned(),
            generation: generation.saturating_add(1),
            mark: number.mark.clone(),
            from: index,
            last: index,
            width: number.width(),
            began: came.taken,
            latest: came.taken,
            said: true,
            ..Sequence::default()
        };
        let place = self.sequences.partition_point(|s| key(s) < key(&sequence));
        self.sequences.insert(place, sequence);
        told
    }

    /// A number came a second time on a day, and nobody has said yet what that was: where its analyzer began
    /// again, it is not missing.
    pub fn undecided(&mut self, number: &Number, day: &str) {
        let day = if self.counting.reset == Reset::Daily { day } else { "" };
        if let Some(index) = number.value.and_then(|value| self.index(value)) {
            self.undecided.insert((day.to_owned(), number.mark.clone(), index));
        }
    }

    /// Whether a report that stands on this day would go on with its numbers, or fill a gap in them: one that
    /// opens none.
    #[must_use]
    pub fn fits(&self, number: &Number, came: Came<'_>) -> bool {
        let Some(index) = number.value.and_then(|value| self.index(value)) else { return false };
        let newest = self.newest(&number.mark, Some(self.day(came)));
        newest.is_some_and(|newest| {
            let place = self.generation_of(newest, index, came.taken);
            self.goes_on(self.run_of(place, index, came.taken), index)
        })
    }

    /// The first count of a new mark that was not heard on its day under a shorter one: a configuration that
    /// tells classes apart by a digit may come in the middle of a day.
    pub(super) fn known_otherwise(&self, number: &Number, day: &str, index: i64) -> i64 {
        let scale = u32::try_from(number.digits.len()).ok().and_then(|n| 10_i64.checked_pow(n));
        let heard = self.sequences.iter().filter(|s| s.day == day).filter_map(|s| {
            let rest = number.mark.strip_prefix(s.mark.as_str()).filter(|r| !r.is_empty())?;
            let offset = rest.parse::<i64>().ok()?.checked_mul(scale?)?;
            // Both count from the first number.
            s.heard().map(|count| count - offset).filter(|count| (0..index).contains(count)).max()
        });
        heard.max().map_or(0, |count| count + 1)
    }

    /// The day among whose numbers one counts whose date is not believed. That is the day on which it was
    /// heard, unless it fits nowhere there, and another day lacks it or goes on with it: the day before, whose
    /// numbers the analyzer still gives out or has in its memory; or the one after, `next_day`, where it
    /// prints that already.
    #[must_use]
    pub fn day_of(&self, number: &Number, heard: &str, next_day: Option<&str>) -> String {
        let index = number.value.and_then(|value| self.index(value));
        let (Reset::Daily, Some(index)) = (self.counting.reset, index) else {
            return heard.to_owned();
        };
        let own = self.newest(&number.mark, Some(heard));
        let fits = |place: usize| self.chain(place).into_iter().any(|p| self.goes_on(p, index));
        if own.map_or(index == 0, fits) {
            return heard.to_owned();
        }
        let used = own.is_some_and(|own| {
            self.chain(own).into_iter().any(|p| self.stands(p, index) == Some(Stand::Heard))
        });
        if let Some(next_day) = next_day.filter(|_| used) {
            let begun = self.newest(&number.mark, Some(next_day));
            if begun.map_or(index == 0, fits) {
                return next_day.to_owned();
            }
        }
        let before = |s: &Sequence| s.mark == number.mark && s.day.as_str() < heard;
        let before = self.sequences.iter().rposition(before).filter(|place| match own {
            Some(_) => {
                let stands = |p| self.stands(p, index) == Some(Stand::Missing);
                self.chain(*place).into_iter().any(stands)
            }
            None => fits(*place),
        });
        before.and_then(|place| self.sequences.get(place)).map_or(heard, |s| &s.day).to_owned()
    }

    /// Runs that a person said had begun and that the analyzer does not go on with, by mark, day and generation:
    /// the last number that it gave out is in none of them.
    #[must_use]
    pub fn asides(&self) -> Vec<(&str, &str, u32)> {
        let newest = |place: usize| {
            let follows = |p: &usize| {
                let pair = self.sequences.get(*p).zip(self.sequences.get(*p + 1));
                pair.is_some_and(|(a, b)| b.said && (&a.mark, &a.day) == (&b.mark, &b.day))
            };
            (place..).find(|p| !follows(p)).unwrap_or(place)
        };
        let all = self.sequences.iter().enumerate().filter(|(_, s)| s.said);
        let aside = all.filter(|(place, _)| self.head(newest(*place)) != *place);
        aside.map(|(_, s)| (s.mark.as_str(), s.day.as_str(), s.generation)).collect()
    }

    /// A generation and, while a person said that they had begun, those before it: the newest first.
    pub(super) fn chain(&self, newest: usize) -> Vec<usize> {
        let mut chain = vec![newest];
        let mut place = newest;
        while self.sequences.get(place).is_some_and(|s| s.said)
            && let Some(before) = self.before(place)
        {
            chain.push(before);
            place = before;
        }
        chain
    }

    /// The generation whose numbers the analyzer gives out now: strips that were run under a number used
    /// before are none.
    pub(super) fn head(&self, newest: usize) -> usize {
        let chain = self.chain(newest);
        let base = chain.last().copied().unwrap_or(newest);
        chain.into_iter().find(|p| self.is_restart(*p, base)).unwrap_or(base)
    }

    /// Whether what a person said to have begun is a restart, and the numbers before it were not gone on with
    /// since.
    fn is_restart(&self, place: usize, base: usize) -> bool {
        let (Some(run), Some(base)) = (self.sequences.get(place), self.sequences.get(base)) else {
            return false;
        };
        let gone_on = base.latest.zip(run.latest).is_some_and(|(b, r)| b.order() > r.order());
        run.said && !run.is_aside() && !gone_on
    }

    /// Of a chain the generation that a number belongs to: the one that goes on with it or lacks it, where
    /// numbers were given out before anything was said first; for one used before, a restart that may have
    /// come that far (where it says when it was taken); else where it was used; and for one that is
    /// ahead of all, the one that has come nearest.
    pub(super) fn run_of(&self, newest: usize, index: i64, taken: Option<Moment>) -> usize {
        let chain = self.chain(newest);
        let Some((base, said)) = chain.split_last().filter(|(_, said)| !said.is_empty()) else {
            return newest;
        };
        let ahead = |place: usize| {
            let sequence = self.sequences.get(place)?;
            let (count, stand) = self.stand(sequence, index);
            (stand == Stand::Ahead).then(|| count - sequence.last)
        };
        if ahead(*base) == Some(1) {
            return *base;
        }
        // What was taken after the latest of a run was not given out in it before that.
        let latest = self.sequences.get(*base).and_then(|s| s.latest);
        let after = latest.zip(taken).is_some_and(|(latest, t)| t.order() > latest.order());
        let lacks = self.stands(*base, index) == Some(Stand::Missing) && !after;
        let fits = |place: usize| {
            let restart = self.is_restart(place, *base);
            let may_be =
                restart && taken.is_some() && ahead(*base).is_none() && ahead(place).is_some();
            may_be || (self.goes_on(place, index) && (restart || !lacks))
        };
        if let Some(place) = said.iter().find(|p| fits(**p)) {
            return *place;
        }
        let there = |place: &&usize| self.stands(**place, index) == Some(Stand::Heard);
        if let Some(place) = chain.iter().find(there).filter(|_| !lacks) {
            return *place;
        }
        let near = chain.iter().filter_map(|p| Some((ahead(*p)?, *p)));
        match ahead(*base) {
            None => *base,
            Some(_) => near.min_by_key(|(by, _)| *by).map_or(*base, |(_, place)| place),
        }
    }

    fn stands(&self, place: usize, index: i64) -> Option<Stand> {
        self.sequences.get(place).map(|s| self.stand(s, index).1)
    }

    /// Whether a generation lacks a number, or it is the next one.
    fn goes_on(&self, place: usize, index: i64) -> bool {
        self.sequences.get(place).is_some_and(|s| {
            let (count, stand) = self.stand(s, index);
            stand == Stand::Missing || count == s.last + 1
        })
    }

    /// Enters counts that have not come, where there are any, and tells them.
    pub(super) fn lacking(&self, sequence: &mut Sequence, from: i64, to: i64) -> Vec<Stretch> {
        // What waits for a decision was heard, and so was what stands in another run of its kind.
        let own =
            |day: &str, mark: &str| sequence.said && day == sequence.day && mark == sequence.mark;
        let waiting = self.undecided.iter().filter(|(day, mark, _)| own(day, mark)).map(|u| u.2);
        let others = self.sequences.iter().filter(|s| s.said && own(&s.day, &s.mark));
        let others = others.filter(|s| s.generation != sequence.generation);
        let index = |count: i64| self.counting.printed(count).0 - self.counting.first;
        let heard: BTreeSet<i64> = waiting
            .chain(others.flat_map(Sequence::heard).map(index))
            .map(|index| self.stand(sequence, index).0)
            .filter(|count| (from..=to).contains(count))
            .collect();
        let (mut ranges, mut begin) = (Vec::new(), from);
        for count in heard {
            ranges.push((begin, count - 1));
            begin = count + 1;
        }
        ranges.push((begin, to));
        ranges.retain(|(from, to)| from <= to);
        sequence.missing.extend(ranges.iter().copied());
        ranges.iter().flat_map(|(from, to)| self.stretches(sequence, *from, *to)).collect()
    }
}

#[cfg(test)]
mod tests;
