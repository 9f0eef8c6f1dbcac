//! Where an analyzer stands with its controls: passed until when, failed since when, or due.
//!
//! How often: at least once each day of patient testing (42 CFR 493.1256(d)); normal and abnormal
//! controls again when a new strip lot is opened (laboratory teaching material); each shift, each
//! week and each month as policies of the house: common practice.
//!
//! A level that failed stays failed until it passes again, whatever the day: that a new day began is no
//! evidence. One that passed is good until its period ends or, where the laboratory wants it, until another
//! strip lot is in use.

use std::str::FromStr;

use crate::controls::Verdict;
use crate::moment::Moment;

/// Seconds of a shift.
const SHIFT: i64 = 8 * 3_600;
const DAY: i64 = 86_400;

/// How often every level must pass.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Every {
    /// Eight hours; three shifts a day.
    Shift,
    /// From the time of day at which the laboratory's day begins.
    Day,
    /// From Monday.
    Week,
    /// From the first.
    Month,
}

impl Every {
    /// From the shortest to the longest.
    pub const ALL: &[Every] = &[Every::Shift, Every::Day, Every::Week, Every::Month];
}

impl FromStr for Every {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "shift" => Ok(Every::Shift),
            "daily" => Ok(Every::Day),
            "weekly" => Ok(Every::Week),
            "monthly" => Ok(Every::Month),
            _ => Err(format!("`{text}` is not allowed; allowed: shift, daily, weekly, monthly")),
        }
    }
}

/// For how long a passed level is good.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Period {
    /// How long a pass is good.
    pub every: Every,
    /// When a day of work, or its first shift, begins: hour and minute on the wall.
    pub start: (u8, u8),
    /// A new strip lot makes every level due.
    pub new_lot: bool,
}

impl Default for Period {
    /// Each day from midnight, and on a new strip lot.
    fn default() -> Self {
        Period { every: Every::Day, start: (0, 0), new_lot: true }
    }
}

impl Period {
    /// The period that holds a time: its first second and the first one after it, on the wall.
    fn around(&self, wall: i64) -> (i64, i64) {
        let start = i64::from(self.start.0) * 3_600 + i64::from(self.start.1) * 60;
        let shifted = wall - start;
        let day = shifted.div_euclid(DAY);
        let (from, to) = match self.every {
            Every::Shift => {
                let shift = shifted.div_euclid(SHIFT);
                (shift * SHIFT, (shift + 1) * SHIFT)
            }
            Every::Day => (day * DAY, (day + 1) * DAY),
            Every::Week => {
                // 1970-01-01 was a Thursday.
                let monday = day - (day + 3).rem_euclid(7);
                (monday * DAY, (monday + 7) * DAY)
            }
            Every::Month => month(day),
        };
        (from + start, to + start)
    }
}

fn month(day: i64) -> (i64, i64) {
    let Some(moment) = Moment::at_wall(day * DAY) else { return (day * DAY, (day + 1) * DAY) };
    let first = Moment { day: 1, time: None, second: None, ..moment };
    let (year, month) = if first.month == 12 { (1, 1) } else { (0, first.month + 1) };
    let next = Moment { year: first.year + year, month, ..first };
    (first.days() * DAY, next.days() * DAY)
}

/// One run of one level, as the ledger remembers it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ran {
    /// As its signs name it.
    pub level: String,
    /// With a time of day, by the clock that times the patients' reports too.
    pub at: Moment,
    /// What it amounted to; one that says nothing lifts nothing.
    pub verdict: Verdict,
    /// The strip lot that it was run with, printed or entered; None: not known.
    pub strip_lot: Option<String>,
}

/// How one level, or the whole analyzer, stands. Times are those on the wall.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case", tag = "standing")]
pub enum State {
    /// Every run since is good.
    Passed {
        /// When its period ends.
        until: Moment,
    },
    /// Since the first of the runs that failed without one that passed between.
    Failed {
        /// When that run was taken.
        since: Moment,
    },
    /// Since the last one that passed was no longer good. None: no run passed that counts.
    Due {
        /// When it was no longer good.
        since: Option<Moment>,
    },
}

impl State {
    /// As scripts and the ledger know it.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            State::Passed { .. } => "passed",
            State::Failed { .. } => "failed",
            State::Due { .. } => "due",
        }
    }
}

/// How an analyzer stands at one time.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Standing {
    /// Every level that must pass, in the plan's order.
    pub levels: Vec<(String, State)>,
    /// Failed if one level is, else due if one is, else passed until the first is due. Without any
    /// level: due.
    pub overall: State,
}

impl Standing {
    /// True when every level has passed and is still good: what was held for controls may go.
    #[must_use]
    pub fn is_passed(&self) -> bool {
        matches!(self.overall, State::Passed { .. })
    }
}

/// How the analyzer stood at a time, from its runs in any order; those after that time do not count.
/// `lot` is the strip lot in use, if it is known.
///
/// A level without any run is due. Runs of levels that are not asked for do not count.
#[must_use]
pub fn standing(
    levels: &[String],
    runs: &[Ran],
    period: &Period,
    lot: Option<&str>,
    at: Moment,
) -> Standing {
    let of = |level: &String| {
        let mut own: Vec<&Ran> =
            runs.iter().filter(|r| r.level == *level && not_after(r.at, at)).collect();
        own.sort_by_key(|r| r.at.order());
        (level.clone(), state(&own, period, lot.filter(|_| period.new_lot), at))
    };
    let levels: Vec<(String, State)> = levels.iter().map(of).collect();
    let overall = levels.iter().map(|(_, state)| *state).reduce(worse);
    Standing { levels, overall: overall.unwrap_or(State::Due { since: None }) }
}

/// With a bare date nothing of that day is overlooked.
fn not_after(run: Moment, at: Moment) -> bool {
    match (run.instant(), at.instant()) {
        (Some(run), Some(at)) => run <= at,
        _ => Moment { offset: None, ..run }.order() <= Moment { offset: None, ..at }.order(),
    }
}

/// The state of one level from its own runs, the oldest first.
fn state(runs: &[&Ran], period: &Period, lot: Option<&str>, at: Moment) -> State {
    // A failure counts whatever strip lot it was run with: the fault may be the analyzer's. A run that
    // says nothing does not lift it.
    let of_lot = |r: &&&Ran| lot.is_none() || r.strip_lot.as_deref() == lot;
    let told = runs.iter().rev().find(|r| r.verdict != Verdict::NoTarget);
    let last = told.filter(|r| r.verdict == Verdict::Failed);
    let last = last.or_else(|| runs.iter().rev().find(of_lot));
    let Some(last) = last else { return State::Due { since: None } };
    match last.verdict {
        Verdict::Failed => {
            let since = runs.iter().rev().skip_while(|r| r.at.order() > last.at.order());
            let row = since.take_while(|r| r.verdict != Verdict::Passed);
            let first = row.filter(|r| r.verdict == Verdict::Failed).last();
            State::Failed { since: first.map_or(last.at, |r| r.at) }
        }
        Verdict::NoTarget => State::Due { since: Some(last.at) },
        Verdict::Passed => {
            // Without a time of day nobody knows which shift it was.
            let (_, end) = period.around(last.at.wall());
            let until = Moment::at_wall(end).unwrap_or(last.at);
            if last.at.time.is_some() && at.time.is_some() && at.wall() < end {
                State::Passed { until }
            } else {
                State::Due { since: Some(until) }
            }
        }
    }
}

/// Of two states the one that says less for the analyzer; of two alike the one that matters first.
fn worse(a: State, b: State) -> State {
    let rank = |s: &State| match s {
        State::Failed { since } => (0, since.wall()),
        State::Due { since } => (1, since.map_or(i64::MIN, |m| m.wall())),
        State::Passed { until } => (2, until.wall()),
    };
    if rank(&b) < rank(&a) { b } else { a }
}

#[cfg(test)]
mod tests;
