//! A result that somebody was told by telephone, while no receiver had it or beside that: who was told, and when. It
//! stands in the trail, with the report and on its day, and changes nothing else: the message goes all the same.

use wickline_normalize::Moment;
use wickline_normalize::words::quote;

use super::facts::{refused, whole};
use crate::clock::{SiteClock, moment_of, now_us};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::trail::{Act, Actor, record};
use crate::texts::say;

pub use crate::store::lists::calls::VERB;

/// Characters of who was told at most.
const LONGEST: usize = 200;

/// A time of day without its date is of so many hours: beyond that it is rather a slip.
const RECENT_HOURS: i64 = 12;
const HOUR_US: i64 = 3_600_000_000;

/// Who was told.
#[derive(Clone, Debug, Default)]
pub struct Called {
    pub who: String,
    pub when: String,
    /// They said it again, as one does where a result is told by word of mouth.
    pub read_back: bool,
}

/// When a call was, as it is kept: `14:05` of today, else with its date. None: no time of day, one that the zone skips,
/// one that is not reached yet, or one without its date that is long ago.
fn spoken(clock: &SiteClock, now: i64, typed: &str) -> Option<String> {
    let today = clock.day(now);
    let (day, time) = typed.split_once(' ').unwrap_or(("", typed));
    let time = if time.len() == 4 { format!("0{time}") } else { time.to_owned() };
    let kept = |day: &str| if day == today { time.clone() } else { format!("{day} {time}") };
    if !day.is_empty() {
        return at(clock, day, &time).filter(|at| *at <= now).map(|_| kept(day));
    }
    let yesterday = clock.day(clock.day_span(&today)?.0 - 1);
    let recent = |day: &&str| {
        at(clock, day, &time).is_some_and(|at| (0..=RECENT_HOURS * HOUR_US).contains(&(now - at)))
    };
    [today.as_str(), &yesterday].into_iter().find(recent).map(kept)
}

/// When it was `14:05` on a day, written like that; the first time where the zone has it twice.
fn at(clock: &SiteClock, day: &str, time: &str) -> Option<i64> {
    let typed = format!("{day}T{time}");
    let moment = moment_of(&typed)?;
    let offsets = clock.offsets(moment).into_iter().map(Some);
    let at = offsets.filter_map(|offset| clock.us(Moment { offset, ..moment })).min()?;
    clock.rfc3339(at).starts_with(&format!("{typed}:")).then_some(at)
}

impl Ledger {
    /// States that the results of a patient's report were told by telephone.
    pub async fn report_telephoned(
        &self,
        clock: &SiteClock,
        actor: &Actor,
        n: i64,
        called: &Called,
    ) -> Result<(), StoreError> {
        let (who, when) = (called.who.trim(), called.when.trim());
        if !(1..=LONGEST).contains(&who.chars().count()) {
            return Err(refused(say!("no.who_told", most = LONGEST)));
        }
        let Some(when) = spoken(clock, now_us(), when) else {
            let (found, hours) = (quote(when), RECENT_HOURS);
            return Err(refused(say!("no.call_time", found = found, hours = hours)));
        };
        let mut write = self.act().await?;
        let row = whole(&mut write, n).await?;
        if row.level.is_some() {
            return Err(refused(say!("no.control_waits", n = n)));
        }
        let told = match called.read_back {
            true => say!("kept.told_and_read", name = who, at = &when),
            false => say!("kept.told_to", name = who, at = &when),
        };
        let reason = Some(told.to_string());
        let object = format!("report {n}");
        record(&mut write, actor, Act { verb: VERB, object, reason, was: None, became: None })
            .await?;
        write.commit().await
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2026-10-25 is the day on which Lisbon has the hour from 01:00 twice; 2026-03-29 has no 01:30.
    #[test]
    fn a_call_was_at_a_time_of_day_that_is_over() {
        let clock = SiteClock::new("Europe/Lisbon").expect("a zone of the tz database");
        let now = |text: &str| {
            let moment = Moment::from_digits(text).expect("a time");
            clock.us(Moment { offset: Some(0), ..moment }).expect("a time")
        };
        for (said, typed, kept) in [
            ("20261130144000", "14:40", Some("14:40")),
            ("20261130144000", "9:05", Some("09:05")),
            ("20261130144000", "02:40", Some("02:40")),
            ("20261130144000", "02:39", None),
            ("20261130144000", "14:41", None),
            ("20261130144000", "2026-11-30 02:39", Some("02:39")),
            ("20261130144000", "2026-11-28 23:10", Some("2026-11-28 23:10")),
            ("20261130144000", "2026-12-01 00:00", None),
            ("20261201000500", "23:58", Some("2026-11-30 23:58")),
            ("20261201000500", "11:00", None),
            ("20261025013000", "01:15", Some("01:15")),
            ("20260329100000", "01:30", None),
            ("20261130144000", "noon", None),
            ("20261130144000", "2:4", None),
            ("20261130144000", "25:00", None),
            ("20261130144000", "14.40", None),
            ("20261130144000", "2026-11-30  02:39", None),
            ("20261130144000", "14:05:00", None),
            ("20261130144000", "14:05+00", None),
            ("20261130144000", "20-2611-28 14:05", None),
            ("20261130144000", "", None),
        ] {
            assert_eq!(spoken(&clock, now(said), typed).as_deref(), kept, "{typed} at {said}");
        }
    }
}
