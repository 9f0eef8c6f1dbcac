//! What goes wrong on a line beneath its bytes: told at once, and then at most once a minute, so that a cable that
//! hangs by a thread does not fill the log.

use wickline_listen::line::Counts;

/// How often it is told, in microseconds of the steady clock. Our own choice.
const EVERY: i64 = 60_000_000;

/// What is known of one line, over all its openings.
#[derive(Debug, Default)]
pub struct Troubles {
    /// Of this opening, as it was last looked at.
    known: Counts,
    /// Of all of them, and what of it was not told yet.
    all: Counts,
    untold: Counts,
    told_at: Option<i64>,
}

impl Troubles {
    /// The line is opened anew: its counts begin with none.
    pub fn begin(&mut self) {
        self.known = Counts::default();
    }

    /// Looks at the counts of the open line. Some: what is to be told now, as more than before and in all.
    pub fn look(&mut self, counts: Counts, now: i64) -> Option<(Counts, Counts)> {
        let grown = counts.since(&self.known);
        self.known = counts;
        self.all.add_all(&grown);
        self.untold.add_all(&grown);
        if self.untold.is_none() || self.told_at.is_some_and(|at| now < at + EVERY) {
            return None;
        }
        self.told_at = Some(now);
        Some((std::mem::take(&mut self.untold), self.all))
    }

    /// When something is to be told that waits for its minute.
    #[must_use]
    pub fn due(&self) -> Option<i64> {
        self.told_at.filter(|_| !self.untold.is_none()).map(|at| at + EVERY)
    }
}

#[cfg(test)]
mod tests {
    use wickline_listen::line::{Counts, Trouble};

    use super::{EVERY, Troubles};

    fn counts(breaks: u64, damage: u64) -> Counts {
        let mut counts = Counts::default();
        counts.add(Trouble::Break, breaks);
        counts.add(Trouble::Damage, damage);
        counts
    }

    #[test]
    fn told_at_once_and_then_once_a_minute_with_nothing_left_out() {
        let mut troubles = Troubles::default();
        assert_eq!(troubles.look(counts(0, 0), 5), None);
        assert_eq!(troubles.due(), None);
        assert_eq!(troubles.look(counts(1, 0), 10), Some((counts(1, 0), counts(1, 0))));
        assert_eq!(troubles.look(counts(1, 2), 20), None);
        assert_eq!(troubles.due(), Some(10 + EVERY));
        // The line is opened again meanwhile: its own counts begin with none.
        troubles.begin();
        assert_eq!(troubles.look(counts(3, 0), 30), None);
        assert_eq!(troubles.look(counts(3, 0), 10 + EVERY), Some((counts(3, 2), counts(4, 2))));
        assert_eq!(troubles.due(), None);
        assert_eq!(troubles.look(counts(3, 0), 20 + 9 * EVERY), None);
        assert_eq!(troubles.look(counts(3, 1), 21 + 9 * EVERY), Some((counts(0, 1), counts(4, 3))));
    }
}
