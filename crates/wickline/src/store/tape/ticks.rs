//! The time of the tape's entries: their ticks, over all the processes that wrote them.

use super::Entry;

/// Ticks start anew with every process; reading across a restart needs one that only grows. Between two
/// processes nobody heard the line: that time is no silence.
#[derive(Debug, Default)]
pub(crate) struct TapeClock {
    shift: i64,
    last_tick: i64,
    last_at: i64,
    /// The time between two processes counts after all.
    over_restarts: bool,
}

impl TapeClock {
    /// For a report that is known to have ended in silence, as it was found when it was heard.
    pub(crate) fn over_restarts() -> Self {
        Self { over_restarts: true, ..Self::default() }
    }

    /// The time of an entry; it never goes back.
    pub(crate) fn at(&mut self, entry: &Entry) -> i64 {
        if entry.tick < self.last_tick - self.shift {
            let apart = if self.over_restarts { (entry.at - self.last_at).max(0) } else { 0 };
            self.shift = self.last_tick + apart - entry.tick;
        }
        self.last_at = entry.at;
        self.last_tick = entry.tick + self.shift;
        self.last_tick
    }

    /// The time of the last entry.
    pub(crate) fn last(&self) -> i64 {
        self.last_tick
    }

    /// When the last entry came, by the clock on the wall.
    pub(crate) fn last_at(&self) -> i64 {
        self.last_at
    }

    /// The time of a tick of this process.
    pub(crate) fn forward(&self, tick: i64) -> i64 {
        tick + self.shift
    }

    /// The tick of this process at a time.
    pub(crate) fn back(&self, time: i64) -> i64 {
        time - self.shift
    }
}

#[cfg(test)]
mod tests {
    use super::TapeClock;
    use crate::store::tape::{Entry, Kind};

    #[test]
    fn the_time_between_two_processes_is_no_silence_unless_it_is_known_to_be() {
        let entry = |at, tick| {
            let (kind, data, flaws) = (Kind::Closed, Vec::new(), Vec::new());
            Entry { n: 0, at, tick, kind, start: 0, data, flaws }
        };
        // A short-lived process, a minute in which none ran, and the next, from its first tick on.
        let entries = [entry(1_000, 200), entry(60_001_000, 0), entry(60_001_500, 500)];
        let times = |mut clock: TapeClock| entries.each_ref().map(|entry| clock.at(entry));
        assert_eq!(times(TapeClock::default()), [200, 200, 700]);
        assert_eq!(times(TapeClock::over_restarts()), [200, 60_000_200, 60_000_700]);
    }
}
