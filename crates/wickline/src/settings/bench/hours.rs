//! Working hours of an analyzer, during which its silence is told.
//!
//! Weekdays have the two letters that RFC 5545 gives them (`weekday` in section 3.3.10), the week begins on Monday as
//! in ISO 8601. Times are of the site's zone; on the day on which it changes they mean what its clocks show.

use super::Builder;
use crate::clock::SiteClock;
use crate::settings::AnalyzerKeys;

const DAYS: [&str; 7] = ["Mo", "Tu", "We", "Th", "Fr", "Sa", "Su"];
const MINUTE_US: i64 = 60_000_000;
const DAY: i64 = 24 * 60;
/// Days that are looked back: longer than any silence that can be asked for.
const BACK: i64 = 8;
const FORM: &str = "hours such as \"Mo-Fr 07:00-19:00\" or \"Sa,Su 22:00-06:00\" (over midnight); days are Mo, Tu, We, \
                    Th, Fr, Sa, Su; 24:00 is the end of a day";

/// When silence counts, and how long it may be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hours {
    spans: Vec<Span>,
    longest_us: i64,
}

/// Some hours of some days, in minutes of the day on which they begin. Those over midnight end beyond 24 h.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Span {
    days: [bool; 7],
    from: i64,
    to: i64,
}

impl Hours {
    /// Reads them as the configuration has them.
    fn parse(texts: &[String], minutes: i64) -> Result<Self, (String, String)> {
        let read = |text: &String| span(text).ok_or_else(|| (text.clone(), FORM.to_owned()));
        let spans = texts.iter().map(read).collect::<Result<_, _>>()?;
        Ok(Self { spans, longest_us: minutes * MINUTE_US })
    }

    /// Since when it is silent, where that is longer than it may be and it is working time now. Counted from the last
    /// that was heard, or from when work began after that.
    #[must_use]
    pub fn silent_since(&self, clock: &SiteClock, now: i64, last: Option<i64>) -> Option<i64> {
        let open = self.open_since(clock, now)?;
        let since = last.map_or(open, |last| last.max(open));
        (now.saturating_sub(since) >= self.longest_us).then_some(since)
    }

    /// Since when it is working time without a gap. None: it is not.
    fn open_since(&self, clock: &SiteClock, now: i64) -> Option<i64> {
        let mut all = Vec::new();
        for back in 0..=BACK {
            let day = clock.weekday_before(now, back)?;
            for span in self.spans.iter().filter(|span| span.days.get(day) == Some(&true)) {
                let at = |minute| clock.minute_before(now, back, minute);
                all.extend(at(span.from).zip(at(span.to)));
            }
        }
        let holds = |at: i64| move |(from, to): &&(i64, i64)| *from < at && at <= *to;
        let mut since = all.iter().find(|(from, to)| *from <= now && now < *to)?.0;
        while let Some((from, _)) = all.iter().find(holds(since)) {
            since = *from;
        }
        Some(since)
    }
}

/// `Mo-Fr 07:00-19:00`.
fn span(text: &str) -> Option<Span> {
    let (days, times) = text.split_once(' ')?;
    let mut chosen = [false; 7];
    for part in days.split(',') {
        let place = |name: &str| DAYS.iter().position(|day| *day == name);
        let (first, last) = part.split_once('-').unwrap_or((part, part));
        let (first, last) = (place(first)?, place(last)?);
        // Over the end of the week as well: Fr-Mo.
        let count = (last + 7 - first) % 7;
        (0..=count).for_each(|n| chosen[(first + n) % 7] = true);
    }
    let (from, to) = times.split_once('-')?;
    let (from, to) = (minute(from)?, minute(to)?);
    let to = if to <= from { to + DAY } else { to };
    (from < DAY).then_some(Span { days: chosen, from, to })
}

/// `07:00`, up to `24:00`.
pub(super) fn minute(text: &str) -> Option<i64> {
    let two = |text: &str| {
        let digits = text.len() == 2 && text.bytes().all(|b| b.is_ascii_digit());
        digits.then(|| text.parse::<i64>().ok()).flatten()
    };
    let (hour, minute) = text.split_once(':')?;
    let all = two(hour)? * 60 + two(minute).filter(|minute| *minute < 60)?;
    (all <= DAY).then_some(all)
}

impl Builder<'_> {
    /// None within: silence is judged by what is its habit.
    pub(super) fn hours(&mut self, raw: &AnalyzerKeys, index: usize) -> Option<Option<Hours>> {
        if raw.hours.is_empty() {
            return Some(None);
        }
        match Hours::parse(&raw.hours, raw.silent_minutes) {
            Ok(hours) => Some(Some(hours)),
            Err((found, allowed)) => {
                self.fault("analyzer", index, "hours", &found, allowed);
                None
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Hours, span};
    use crate::clock::{SiteClock, moment_of};

    #[test]
    fn hours_are_read_or_refused() {
        for (text, days, from, to) in [
            ("Mo-Fr 07:00-19:00", "1111100", 420, 1_140),
            ("Sa,Su 08:30-12:00", "0000011", 510, 720),
            ("Fr-Mo 00:00-24:00", "1000111", 0, 1_440),
            ("Mo,We-Th 22:00-06:00", "1011000", 1_320, 1_800),
            ("Su 12:00-12:00", "0000001", 720, 2_160),
        ] {
            let span = span(text).expect(text);
            let found: String = span.days.map(|day| if day { '1' } else { '0' }).iter().collect();
            assert_eq!((found.as_str(), span.from, span.to), (days, from, to), "{text}");
        }
        for text in [
            "",
            "Mo",
            "Mo-Fr",
            "07:00-19:00",
            "mo 07:00-19:00",
            "Mo 7:00-19:00",
            "Mo 07:00",
            "Mo 07:00-24:01",
            "Mo 24:00-06:00",
            "Mo 07:60-19:00",
            "Mo-Xx 07:00-19:00",
            "Mo  07:00-19:00",
            "Mo 07:00-19:00 ",
            "Mo, 07:00-19:00",
            "Mo +7:00-19:00",
            "Mo 07:00-19:00-20:00",
        ] {
            assert_eq!(span(text), None, "{text}");
        }
    }

    #[test]
    fn silence_counts_from_the_last_report_or_from_when_work_began() {
        let clock = SiteClock::new("Europe/Lisbon").expect("a zone");
        let moment = |text: &str| moment_of(&text.replace(" ", "T")).expect("a time");
        let at = |text: &str| clock.us(moment(text)).expect(text);
        let since = |hours: &[&str], minutes: i64, now: &str, last: Option<&str>| {
            let hours: Vec<String> = hours.iter().map(ToString::to_string).collect();
            let hours = Hours::parse(&hours, minutes).expect("hours");
            hours.silent_since(&clock, at(now), last.map(at)).map(|us| clock.rfc3339(us))
        };
        let week = &["Mo-Fr 07:00-19:00"][..];
        let nights = &["Mo-Fr 22:00-06:00"][..];
        let always = &["Mo-Su 00:00-24:00"][..];
        // 13 March 2026 is a Friday; on the 29th, a Sunday, clocks go from 01:00 to 02:00.
        for (hours, minutes, now, last, wanted) in [
            (week, 120, "2026-03-13 12:00:00", Some("2026-03-13 10:00:01"), None),
            (
                week,
                120,
                "2026-03-13 12:00:00",
                Some("2026-03-13 10:00:00"),
                Some("2026-03-13T10:00:00"),
            ),
            // Before work, after it and at the weekend nobody is missed.
            (week, 120, "2026-03-13 06:59:59", Some("2026-03-11 10:00:00"), None),
            (week, 120, "2026-03-13 19:00:00", Some("2026-03-13 08:00:00"), None),
            (week, 120, "2026-03-14 12:00:00", Some("2026-03-13 08:00:00"), None),
            // On Monday it has its two hours again.
            (week, 120, "2026-03-16 08:59:59", Some("2026-03-13 18:00:00"), None),
            (
                week,
                120,
                "2026-03-16 09:00:00",
                Some("2026-03-13 18:00:00"),
                Some("2026-03-16T07:00:00"),
            ),
            (week, 120, "2026-03-16 09:00:00", None, Some("2026-03-16T07:00:00")),
            // The night of Friday ends on Saturday morning.
            (
                nights,
                60,
                "2026-03-14 05:59:00",
                Some("2026-03-13 20:00:00"),
                Some("2026-03-13T22:00:00"),
            ),
            (nights, 60, "2026-03-14 06:00:00", Some("2026-03-13 20:00:00"), None),
            (nights, 60, "2026-03-15 23:30:00", Some("2026-03-13 20:00:00"), None),
            // Days without an end between them are one stretch.
            (always, 2_880, "2026-03-13 12:00:00", Some("2026-03-11 12:00:01"), None),
            (
                always,
                2_880,
                "2026-03-13 12:00:00",
                Some("2026-03-11 12:00:00"),
                Some("2026-03-11T12:00:00"),
            ),
            // The night that is an hour shorter.
            (always, 120, "2026-03-29 03:00:00", Some("2026-03-29 00:00:01"), None),
            (
                always,
                120,
                "2026-03-29 03:00:00",
                Some("2026-03-29 00:00:00"),
                Some("2026-03-29T00:00:00"),
            ),
        ] {
            let found = since(hours, minutes, now, last);
            let found = found.as_deref().and_then(|text| text.get(..19));
            assert_eq!(found, wanted, "{hours:?} {now} {last:?}");
        }
    }
}
