//! The analyzer's clock against ours: fine, or off in which of the ways that clocks are off.
//!
//! Everything in here is common practice; the limits are our own choice, no source.
//!
//! A printed time is either believed as it stands or not used at all: nothing is mended, since a date that
//! would fit is a guess. [`clock`] says which of the known ways it is off in, so that a person knows what to
//! set right at the analyzer, and [`Clock::settle`] what becomes of the report.

use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::hold::{Hold, Reason};
use crate::moment::Moment;
use crate::remark::Remark;

/// How far the distance of one report may be from the recent drift and still be the same drift.
const STEADY: i64 = 120;
/// What a guess at a mended date may be off because its own offset is not known.
const OFFSET: i64 = 3_600;

/// How far the clock of one analyzer may be off, in seconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockLimits {
    /// A print may say a later time than the one it was heard at by so much.
    pub ahead: i64,
    /// A print may be so much older than the time it was heard at: a memory read out late.
    pub behind: i64,
    /// The clock may drift by so much, either way.
    pub drift: i64,
}

impl Default for ClockLimits {
    /// One hour ahead, 72 hours behind, ten minutes of drift.
    fn default() -> Self {
        ClockLimits { ahead: 3_600, behind: 72 * 3_600, drift: 600 }
    }
}

/// What becomes of a report whose clock is off.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ClockPolicy {
    /// It waits for a person, who may release it with our own time.
    #[default]
    Hold,
    /// It goes with the daemon's time and a remark that says so.
    DaemonTime,
}

impl FromStr for ClockPolicy {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "hold" => Ok(ClockPolicy::Hold),
            "daemon-time" => Ok(ClockPolicy::DaemonTime),
            _ => Err(format!("`{text}` is not allowed; allowed: hold, daemon-time")),
        }
    }
}

/// What is known when a printed time is looked at.
#[derive(Clone, Copy, Debug)]
pub struct ClockFacts<'a> {
    /// As printed, by the analyzer's clock; with its offset only if the print says it.
    pub printed: Moment,
    /// When it was heard, with the site's offset.
    pub heard: Moment,
    /// The site's offsets at the printed time, in minutes east: one, none where the zone skips that
    /// time in spring, two where it has it twice in autumn. A bare date has one.
    pub offsets: &'a [i16],
    /// How far this analyzer's recent reports were ahead of ours, in seconds, where that is known:
    /// the middle one of the last few that were heard as they were taken.
    pub drift: Option<i64>,
    /// It fills a gap or is marked as a re-export: its age says nothing about the clock.
    pub late: bool,
}

/// Which parts of a date may have been exchanged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Swap {
    /// `03-04` for the fourth of March.
    DayAndMonth,
    /// A year of two digits.
    DayAndYear,
}

/// How a printed time stands to ours. Distances are in seconds, positive where the print is ahead.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "clock")]
pub enum Clock {
    /// Believed, at this offset.
    Fine {
        /// Minutes east of UTC: the analyzer's own, or the one of the site's that fits.
        offset: i16,
    },
    /// The same distance as the reports before it: the clock runs, and is wrong.
    Drifted {
        /// Seconds, much like the distance of the reports before it.
        by: i64,
    },
    /// With another year it would fit.
    WrongYear {
        /// The printed time with that year; shown, never used.
        fits: Moment,
    },
    /// With two parts of its date exchanged it would fit.
    Exchanged {
        /// Which parts.
        swap: Swap,
        /// The printed time with them exchanged; shown, never used.
        fits: Moment,
    },
    /// The zone has no such time: the clock did not follow the change in spring.
    InGap,
    /// The zone has this time twice, and both fit.
    AmbiguousHour,
    /// Later than it was heard by more than the limit, and nothing else explains it.
    Ahead {
        /// Seconds; positive.
        by: i64,
    },
    /// Older than it was heard by more than the limit, and nothing else explains it.
    Behind {
        /// Seconds; negative.
        by: i64,
    },
}

/// Looks at a printed time.
///
/// The order of what is looked for: a time that the zone does not have; one that fits (a steady drift
/// is told even then); a drift; another year; exchanged parts; else the bare distance.
#[must_use]
pub fn clock(facts: &ClockFacts<'_>, limits: &ClockLimits) -> Clock {
    let own = facts.printed.offset.filter(|_| facts.printed.time.is_some());
    let given = own.map(|o| vec![o]);
    let offsets = given.unwrap_or_else(|| facts.offsets.to_vec());
    if facts.printed.time.is_some() && offsets.is_empty() {
        return Clock::InGap;
    }
    let heard_offset = facts.heard.offset.unwrap_or(0);
    let offsets = if offsets.is_empty() { vec![heard_offset] } else { offsets };
    let near = |offset: &i16| (ahead(facts, facts.printed, *offset), *offset);
    let candidates: Vec<(i64, i16)> = offsets.iter().map(near).collect();
    let fits = |by: i64| within(by, facts, limits);
    let mut fitting = candidates.iter().filter(|(by, _)| fits(*by));
    match (fitting.next(), fitting.next()) {
        (Some(_), Some(_)) => return Clock::AmbiguousHour,
        (Some((by, offset)), None) => {
            return drifted(*by, facts, limits).unwrap_or(Clock::Fine { offset: *offset });
        }
        (None, _) => {}
    }
    let by = candidates.iter().map(|(by, _)| *by).min_by_key(|by| by.abs()).unwrap_or(0);
    drifted(by, facts, limits)
        .or_else(|| wrong_year(facts, limits))
        .or_else(|| exchanged(facts, limits))
        .unwrap_or(if by > 0 { Clock::Ahead { by } } else { Clock::Behind { by } })
}

/// How far a time is ahead of the one it was heard at; a bare date is as near as its day allows.
fn ahead(facts: &ClockFacts<'_>, printed: Moment, offset: i16) -> i64 {
    let heard = facts.heard.wall() - i64::from(facts.heard.offset.unwrap_or(0)) * 60;
    let from = printed.wall() - i64::from(offset) * 60;
    let to = if printed.time.is_some() { from } else { from + 86_399 };
    heard.clamp(from, to) - heard
}

fn within(by: i64, facts: &ClockFacts<'_>, limits: &ClockLimits) -> bool {
    by <= limits.ahead && (facts.late || by >= -limits.behind)
}

/// The same distance as lately, and more than a clock may drift.
fn drifted(by: i64, facts: &ClockFacts<'_>, limits: &ClockLimits) -> Option<Clock> {
    let drift = facts.drift?;
    let steady = by.abs_diff(drift) <= STEADY.unsigned_abs();
    (steady && !facts.late && by.abs() > limits.drift && facts.printed.time.is_some())
        .then_some(Clock::Drifted { by })
}

/// True when a mended date would be believed. Its own offset is not known: an hour either way.
fn would_fit(facts: &ClockFacts<'_>, limits: &ClockLimits, mended: Moment) -> bool {
    let by = ahead(facts, mended, facts.heard.offset.unwrap_or(0));
    mended.is_real() && by <= limits.ahead + OFFSET && by >= -limits.behind - OFFSET
}

fn wrong_year(facts: &ClockFacts<'_>, limits: &ClockLimits) -> Option<Clock> {
    // A report of New Year's Eve may be heard in the next year.
    let years = [facts.heard.year, facts.heard.year - 1, facts.heard.year + 1];
    let mended = years.into_iter().map(|year| Moment { year, ..facts.printed });
    let mut fitting =
        mended.filter(|m| m.year != facts.printed.year && would_fit(facts, limits, *m));
    fitting.next().map(|fits| Clock::WrongYear { fits })
}

fn exchanged(facts: &ClockFacts<'_>, limits: &ClockLimits) -> Option<Clock> {
    let Moment { year, month, day, .. } = facts.printed;
    let century = year - year.rem_euclid(100);
    let of_century = u8::try_from(year.rem_euclid(100)).unwrap_or(0);
    let swaps = [
        (Swap::DayAndMonth, Moment { month: day, day: month, ..facts.printed }),
        (
            Swap::DayAndYear,
            Moment { year: century + i16::from(day), day: of_century, ..facts.printed },
        ),
    ];
    let other = |m: &Moment| *m != facts.printed;
    let mut fitting = swaps.into_iter().filter(|(_, m)| other(m) && would_fit(facts, limits, *m));
    fitting.next().map(|(swap, fits)| Clock::Exchanged { swap, fits })
}

/// What becomes of a report by its clock.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ByClock {
    /// It goes with its printed time, at this offset.
    AsPrinted {
        /// Minutes east of UTC.
        offset: i16,
    },
    /// It waits for a person, with the reason in words.
    Held(Hold),
    /// It goes with the time it was heard at, and with this remark.
    DaemonTime(Remark),
}

impl Clock {
    /// As scripts and the ledger know it.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Clock::Fine { .. } => "fine",
            Clock::Drifted { .. } => "drifted",
            Clock::WrongYear { .. } => "wrong-year",
            Clock::Exchanged { .. } => "exchanged",
            Clock::InGap => "in-gap",
            Clock::AmbiguousHour => "ambiguous-hour",
            Clock::Ahead { .. } => "ahead",
            Clock::Behind { .. } => "behind",
        }
    }

    /// What becomes of the report under a policy. Nothing is mended: a date that would fit is only
    /// named.
    ///
    /// The hold's reason is [`Reason::ClockOff`], whose release lets the report go with our own time.
    #[must_use]
    pub fn settle(&self, printed: &Moment, policy: ClockPolicy) -> ByClock {
        let said = printed.shown();
        let what = match self {
            Clock::Fine { offset } => return ByClock::AsPrinted { offset: *offset },
            Clock::Drifted { by } => {
                format!("the print says {said}: its clock is off by {} all the time", span(*by))
            }
            Clock::WrongYear { fits } => {
                format!("the print says {said}; with the year {} it would fit", fits.year)
            }
            Clock::Exchanged { swap, fits } => {
                let parts = match swap {
                    Swap::DayAndMonth => "day and month",
                    Swap::DayAndYear => "day and year",
                };
                format!(
                    "the print says {said}; with {parts} exchanged it would be {}, which fits",
                    fits.shown()
                )
            }
            Clock::InGap => {
                format!("the print says {said}, a time that the change of clocks skips")
            }
            Clock::AmbiguousHour => {
                format!("the print says {said}, a time that the change of clocks brings twice")
            }
            Clock::Ahead { by } => {
                format!("the print says {said}, {} ahead of the time it was heard", span(*by))
            }
            Clock::Behind { by } => {
                format!("the print says {said}, {} behind the time it was heard", span(*by))
            }
        };
        match policy {
            ClockPolicy::Hold => {
                let end = "released, it goes with the daemon's time";
                ByClock::Held(Hold::new(Reason::ClockOff, format!("{what}: {end}")))
            }
            ClockPolicy::DaemonTime => {
                let text = format!("Time of reception instead of the analyzer's: {what}");
                ByClock::DaemonTime(Remark::new(Reason::ClockOff.code(), text))
            }
        }
    }
}

/// For a person: the two largest units.
fn span(seconds: i64) -> String {
    let s = seconds.unsigned_abs();
    match s {
        0..60 => format!("{s} s"),
        60..3_600 => format!("{} min {} s", s / 60, s % 60),
        3_600..86_400 => format!("{} h {} min", s / 3_600, s / 60 % 60),
        _ => format!("{} days {} h", s / 86_400, s / 3_600 % 24),
    }
}

#[cfg(test)]
mod tests;
