//! Who is heard where analyzers connect to us: one at a time, and who knocks takes over from one that is gone.
//!
//! A serial device server that lost its power leaves a connection that looks like silence. It comes back as a new
//! one, which must not be turned away for as long as the old one is believed; an analyzer that prints must not lose
//! its line to whoever knocks. So the old one has to have said nothing for a while, with nothing under way. Only
//! reports count: whoever sends a byte now and then says nothing, and what has begun and does not end is not under
//! way for ever. Where takeovers go on and on, two devices have the same address in their settings: that is told.

use std::collections::VecDeque;

use crate::{SECOND, Tick};

/// After so long without a report another may take over. Our own choice, as are the next three.
const SILENT: Tick = 30 * SECOND;
/// A report that has begun counts as under way for no longer: 64 KiB, the most that a print may hold, take 68 s at
/// 9600 bits/s, and of a framed session each frame counts anew.
const LONGEST: Tick = 120 * SECOND;
/// More takeovers than this within [`WINDOW`] are no device that came back.
const MANY: usize = 5;
const WINDOW: Tick = 600 * SECOND;

/// What becomes of one who knocks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Verdict {
    /// Turned away: why.
    Away(&'static str),
    /// Takes over; `many` where it has become one takeover too many.
    Over { many: bool },
}

/// What is known of who was heard, and of takeovers.
#[derive(Debug)]
pub(super) struct Takeovers {
    pub silent: Tick,
    /// How long takeovers count, and how long it has to be quiet.
    pub window: Tick,
    /// When the present one ended a report, or came.
    heard: Tick,
    /// Takeovers that count.
    times: VecDeque<Tick>,
    many: bool,
}

impl Default for Takeovers {
    fn default() -> Self {
        Self { silent: SILENT, window: WINDOW, heard: 0, times: VecDeque::new(), many: false }
    }
}

impl Takeovers {
    /// The present one came.
    pub fn came(&mut self, now: Tick) {
        self.heard = now;
    }

    /// The present one said something whole, then.
    pub fn heard(&mut self, then: Tick) {
        self.heard = self.heard.max(then);
    }

    /// Somebody knocks while another is heard; `open`: for how long a report of that one is under way.
    pub fn knocks(&self, now: Tick, open: Option<Tick>) -> Verdict {
        if open.is_some_and(|open| open < LONGEST) {
            return Verdict::Away("a report of the one that is heard is under way");
        }
        if now.saturating_sub(self.heard) < self.silent {
            return Verdict::Away("another analyzer came or reported less than 30 s ago");
        }
        let recent = self.times.iter().filter(|at| now.saturating_sub(**at) < self.window).count();
        Verdict::Over { many: !self.many && recent >= MANY }
    }

    /// Whoever knocked has taken over.
    pub fn taken(&mut self, now: Tick) {
        let Verdict::Over { many } = self.knocks(now, None) else { return };
        let window = self.window;
        self.times.retain(|at| now.saturating_sub(*at) < window);
        // No more than matter.
        if self.times.len() > MANY {
            self.times.pop_front();
        }
        self.times.push_back(now);
        (self.many, self.heard) = (self.many || many, now);
    }

    /// There were too many, and it has not become quiet since.
    pub fn is_told(&self) -> bool {
        self.many
    }

    /// When it counts as quiet, unless somebody takes over before. None: it does.
    pub fn quiet_at(&self) -> Option<Tick> {
        let last = self.times.back().filter(|_| self.many)?;
        Some(last.saturating_add(self.window))
    }

    /// Whether it became quiet just now.
    pub fn is_quiet(&mut self, now: Tick) -> bool {
        let quiet = self.quiet_at().is_some_and(|at| now >= at);
        self.many &= !quiet;
        quiet
    }
}

#[cfg(test)]
mod tests {
    use super::{LONGEST, MANY, SILENT, Takeovers, Verdict, WINDOW};
    use crate::{SECOND, Tick};

    const OVER: Verdict = Verdict::Over { many: false };

    #[test]
    fn only_one_that_is_silent_with_nothing_under_way_is_taken_over_from() {
        for (heard, now, open, over) in [
            (0, 0, None, false),
            (0, 30 * SECOND - 1, None, false),
            (0, 30 * SECOND, None, true),
            (0, 30 * SECOND, Some(0), false),
            (0, 3_600 * SECOND, Some(LONGEST - 1), false),
            // What does not end keeps nobody off the line for ever.
            (0, 3_600 * SECOND, Some(LONGEST), true),
            (29 * SECOND, 31 * SECOND, None, false),
            (29 * SECOND, 59 * SECOND, None, true),
            // A clock that stands still takes nobody's line.
            (31 * SECOND, 30 * SECOND, None, false),
        ] {
            let mut rule = Takeovers::default();
            rule.heard(heard);
            assert_eq!(rule.knocks(now, open) == OVER, over, "{heard} {now} {open:?}");
        }
    }

    /// Takes over at these times, as soon as that may be; says at which of them it was one too many.
    fn many_at(rule: &mut Takeovers, times: impl Iterator<Item = Tick>) -> Vec<Tick> {
        let mut many = Vec::new();
        for now in times {
            let Verdict::Over { many: too } = rule.knocks(now, None) else {
                panic!("turned away at {now}")
            };
            rule.taken(now);
            if too {
                many.push(now);
            }
        }
        many
    }

    #[test]
    fn what_ended_earlier_makes_nobody_heard_later() {
        let mut rule = Takeovers::default();
        rule.came(40 * SECOND);
        rule.heard(10 * SECOND);
        assert_ne!(rule.knocks(69 * SECOND, None), OVER);
        assert_eq!(rule.knocks(70 * SECOND, None), OVER);
    }

    #[test]
    fn more_than_five_in_ten_minutes_are_told_until_it_is_quiet() {
        let mut rule = Takeovers::default();
        let each = |n: Tick| n * SILENT;
        assert_eq!(many_at(&mut rule, (1..=5).map(each)), [] as [Tick; 0]);
        assert_eq!(rule.quiet_at(), None);
        assert_eq!(many_at(&mut rule, (6..=8).map(each)), [each(6)], "told once");
        assert_eq!(rule.quiet_at(), Some(each(8) + WINDOW));
        // One more before that, and it is longer until it is quiet.
        let later = each(8) + WINDOW - 1;
        assert!(!rule.is_quiet(later));
        assert_eq!(many_at(&mut rule, [later].into_iter()), []);
        assert!(!rule.is_quiet(later + WINDOW - 1));
        assert!(rule.is_quiet(later + WINDOW) && !rule.is_quiet(later + WINDOW));
        assert_eq!(rule.quiet_at(), None);
        assert_eq!(many_at(&mut rule, [later + 2 * WINDOW].into_iter()), []);
    }

    #[test]
    fn a_device_that_comes_back_now_and_then_is_none_of_two() {
        let mut rule = Takeovers::default();
        assert_eq!(many_at(&mut rule, (1..=500).map(|n| n * WINDOW / 5)), [] as [Tick; 0]);
        assert!(rule.times.len() <= MANY + 1, "bounded: {}", rule.times.len());
    }
}
