//! A point in time as printed or sent: as precise as it was said, with or without an offset.
//!
//! What a print does not say is not made up: a date without a time has no midnight, a time without a zone has no
//! offset, and comparing two moments says on which clock ([`Moment::wall`], [`Moment::instant`]). Years from 1900
//! to 2199 are real here; nothing that a bench prints lies outside.

use jiff::SignedDuration;
use jiff::civil::{Date, DateTime};
use serde::{Deserialize, Serialize};

/// Where days and seconds are counted from, on whichever clock.
const EPOCH: DateTime = DateTime::constant(1970, 1, 1, 0, 0, 0, 0);

/// Civil time with its precision. Unknown parts are absent, never zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Moment {
    /// Of four digits.
    pub year: i16,
    /// 1 to 12.
    pub month: u8,
    /// 1 to 31.
    pub day: u8,
    /// Hour and minute.
    pub time: Option<(u8, u8)>,
    /// 0 to 59, only where the time is known too: no bench prints a leap second.
    pub second: Option<u8>,
    /// Minutes east of UTC. None: the analyzer's own zone.
    pub offset: Option<i16>,
}

impl Moment {
    /// Reads `YYYYMMDD[HHMM[SS]][+HHMM|-HHMM]` (LIS02 5.6.2). None when it is not a real date or time.
    ///
    /// ```
    /// use wickline_normalize::Moment;
    ///
    /// let taken = Moment::from_digits("20250314091455").expect("a real time");
    /// assert_eq!((taken.time, taken.offset), (Some((9, 14)), None));
    /// assert_eq!(taken.day_text(), "2025-03-14");
    /// assert!(Moment::from_digits("20250230").is_none(), "the calendar has no such day");
    /// ```
    #[must_use]
    pub fn from_digits(text: &str) -> Option<Moment> {
        let cut = text.find(['+', '-']).unwrap_or(text.len());
        let (digits, zone) = text.split_at(cut);
        if !digits.bytes().all(|b| b.is_ascii_digit()) || !matches!(digits.len(), 8 | 12 | 14) {
            return None;
        }
        let part = |from: usize, to: usize| digits.get(from..to).and_then(|d| d.parse().ok());
        let moment = Moment {
            year: digits[..4].parse().ok()?,
            month: part(4, 6)?,
            day: part(6, 8)?,
            time: part(8, 10).zip(part(10, 12)),
            second: part(12, 14),
            offset: if zone.is_empty() { None } else { Some(offset(zone)?) },
        };
        moment.is_real().then_some(moment)
    }

    /// True when the calendar has this day and the clock this time.
    #[must_use]
    pub fn is_real(&self) -> bool {
        (1900..=2199).contains(&self.year)
            && self.date().is_some()
            && self.time.is_none_or(|(h, m)| h < 24 && m < 60)
            && self.second.is_none_or(|s| s < 60)
            && (self.second.is_none() || self.time.is_some())
    }

    /// None: the calendar has no such day.
    fn date(&self) -> Option<Date> {
        Date::new(self.year, i8::try_from(self.month).ok()?, i8::try_from(self.day).ok()?).ok()
    }

    /// Days since 1970-01-01 by the calendar; those of its first day where it has no such day.
    #[must_use]
    pub fn days(&self) -> i64 {
        self.date().unwrap_or_default().duration_since(EPOCH.date()).as_secs() / 86_400
    }

    /// Seconds since 1970 by the clock on the wall; a bare date is its midnight.
    #[must_use]
    pub fn wall(&self) -> i64 {
        let (hour, minute) = self.time.unwrap_or((0, 0));
        let second = i64::from(self.second.unwrap_or(0));
        self.days() * 86_400 + i64::from(hour) * 3_600 + i64::from(minute) * 60 + second
    }

    /// Seconds since 1970 in UTC. None: a bare date, or the offset is not known.
    #[must_use]
    pub fn instant(&self) -> Option<i64> {
        self.time?;
        Some(self.wall() - i64::from(self.offset?) * 60)
    }

    /// For putting moments in order: in UTC where the offset is known, so that the hour that comes
    /// twice in autumn keeps its order. A bare date is its last second.
    #[must_use]
    pub(crate) fn order(&self) -> i64 {
        let last = if self.time.is_none() { 86_399 } else { 0 };
        self.instant().unwrap_or_else(|| self.wall() + last)
    }

    /// The time of day that a wall clock shows so many seconds after 1970 began on it. None outside
    /// the years that are real here.
    #[must_use]
    pub fn at_wall(seconds: i64) -> Option<Moment> {
        let at = EPOCH.checked_add(SignedDuration::from_secs(seconds)).ok()?;
        let part = |part: i8| u8::try_from(part).ok();
        let moment = Moment {
            year: at.year(),
            month: part(at.month())?,
            day: part(at.day())?,
            time: part(at.hour()).zip(part(at.minute())),
            second: part(at.second()),
            offset: None,
        };
        moment.is_real().then_some(moment)
    }

    /// Reads a local date as the ledger writes it: `2025-03-14`.
    ///
    /// None for any other form and for a day that the calendar does not have.
    #[must_use]
    pub fn from_day(text: &str) -> Option<Moment> {
        let shape =
            |(n, b): (usize, u8)| if matches!(n, 4 | 7) { b == b'-' } else { b.is_ascii_digit() };
        let fits = text.len() == 10 && text.bytes().enumerate().all(shape);
        if fits { Moment::from_digits(&text.replace('-', "")) } else { None }
    }

    /// The local date as the ledger writes it.
    #[must_use]
    pub fn day_text(&self) -> String {
        format!("{:04}-{:02}-{:02}", self.year, self.month, self.day)
    }

    /// For a person: `2025-03-14 09:15`.
    #[must_use]
    pub fn shown(&self) -> String {
        let time = self.time.map(|(h, m)| format!(" {h:02}:{m:02}")).unwrap_or_default();
        format!("{}{time}", self.day_text())
    }

    /// `YYYYMMDD[HHMM[SS]][+ZZZZ]`, as HL7 v2 and LIS02 write it.
    #[must_use]
    pub fn digits(&self) -> String {
        let mut text = format!("{:04}{:02}{:02}", self.year, self.month, self.day);
        if let Some((hour, minute)) = self.time {
            text.push_str(&format!("{hour:02}{minute:02}"));
            if let Some(second) = self.second {
                text.push_str(&format!("{second:02}"));
            }
            // A zone says nothing about a bare date.
            if let Some(offset) = self.offset {
                let sign = if offset < 0 { '-' } else { '+' };
                let minutes = offset.unsigned_abs();
                text.push_str(&format!("{sign}{:02}{:02}", minutes / 60, minutes % 60));
            }
        }
        text
    }
}

fn offset(zone: &str) -> Option<i16> {
    let digits = &zone[1..];
    if digits.len() != 4 || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let (hours, minutes): (i16, i16) = (digits[..2].parse().ok()?, digits[2..].parse().ok()?);
    let total = hours * 60 + minutes;
    (hours < 15 && minutes < 60).then_some(if zone.starts_with('-') { -total } else { total })
}

#[cfg(test)]
mod tests {
    use super::Moment;

    #[test]
    fn digits_round_trip_and_unreal_times_are_refused() {
        for text in ["20250314", "202503140915", "20250314091502", "20250314091502-0330"] {
            assert_eq!(Moment::from_digits(text).map(|m| m.digits()).as_deref(), Some(text));
        }
        assert_eq!(
            Moment::from_day("2025-03-14").map(|m| m.day_text()).as_deref(),
            Some("2025-03-14")
        );
        for text in ["2025-3-14", "2025-02-30", "20250314", "2025-03-14x", ""] {
            assert_eq!(Moment::from_day(text), None, "{text}");
        }
        for text in ["20250230", "2025", "20251314", "2025031425", "20250314096002", "é0250314"] {
            assert_eq!(Moment::from_digits(text), None, "{text}");
        }
    }

    #[test]
    fn the_calendar_is_counted_in_days_without_a_break() {
        let mut day = Moment::from_digits("19000101").expect("a day");
        let mut count = day.days();
        while day.year < 2200 {
            assert_eq!(day.days(), count, "{}", day.digits());
            let back = Moment::at_wall(count * 86_400 + 3_661).expect("a real time");
            assert_eq!(
                (back.day_text(), back.time, back.second),
                (day.day_text(), Some((1, 1)), Some(1))
            );
            count += 1;
            day = (Moment { day: day.day + 1, ..day })
                .real()
                .or_else(|| Moment { day: 1, month: day.month + 1, ..day }.real())
                .unwrap_or(Moment { year: day.year + 1, month: 1, day: 1, ..day });
        }
        let epoch = Moment::from_digits("197001010130+0130").expect("a time");
        assert_eq!((epoch.wall(), epoch.instant()), (5_400, Some(0)));
        assert_eq!(Moment::at_wall(i64::MAX), None);
        assert_eq!(Moment::at_wall(i64::MIN), None);
    }

    impl Moment {
        fn real(self) -> Option<Moment> {
            self.is_real().then_some(self)
        }
    }
}
