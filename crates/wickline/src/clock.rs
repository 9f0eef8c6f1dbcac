//! The only room that reads a clock: wall time for people, a steady tick for machines.

use std::sync::{Mutex, OnceLock, PoisonError};
use std::time::{Instant, SystemTime, UNIX_EPOCH};

use jiff::{Timestamp, ZonedDateTime, tz::TimeZone};
use wickline_normalize::Moment;

/// Microseconds since 1970 by the wall clock: it may step.
#[must_use]
pub fn now_us() -> i64 {
    SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |d| i64::try_from(d.as_micros()).unwrap_or(i64::MAX))
}

/// A time for the name of a file or folder, in UTC so that names go up with time: `2026-03-14T091500Z`.
#[must_use]
pub fn stamp(us: i64) -> String {
    let at = Timestamp::from_microsecond(us).unwrap_or(Timestamp::UNIX_EPOCH);
    at.strftime("%Y-%m-%dT%H%M%SZ").to_string()
}

/// The time that a stamp has.
#[must_use]
pub fn stamped(text: &str) -> Option<i64> {
    let digits = text.strip_suffix('Z')?;
    let (day, time) = digits.split_once('T')?;
    let (hours, rest) = time.split_at_checked(2)?;
    let (minutes, seconds) = rest.split_at_checked(2)?;
    let at: Timestamp = format!("{day}T{hours}:{minutes}:{seconds}Z").parse().ok()?;
    Some(at.as_microsecond())
}

/// Microseconds since this process first asked: it never steps.
#[must_use]
pub fn tick_us() -> i64 {
    static START: OnceLock<Instant> = OnceLock::new();
    let start = *START.get_or_init(Instant::now);
    i64::try_from(start.elapsed().as_micros()).unwrap_or(i64::MAX)
}

/// Microseconds of a clock that never steps and goes on while the machine sleeps.
#[must_use]
pub fn steady_us() -> i64 {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
    now.tv_sec.saturating_mul(1_000_000).saturating_add(now.tv_nsec / 1000)
}

/// Whether this machine's clock follows a time server.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sync {
    Yes,
    No,
    /// Nobody here says so where it can be read without asking the kernel in C.
    Unknown,
}

/// How long an answer is believed: a daemon looks often, and each look would be a process.
const BELIEVED_US: i64 = 300_000_000;

/// Whether our clock is synchronised, as it was seen within the last minutes.
pub async fn synchronised() -> Sync {
    static SEEN: Mutex<Option<(i64, Sync)>> = Mutex::new(None);
    let seen = || SEEN.lock().unwrap_or_else(PoisonError::into_inner);
    let believed = seen().filter(|(at, _)| tick_us().saturating_sub(*at) < BELIEVED_US);
    if let Some((_, sync)) = believed {
        return sync;
    }
    let sync = asked_whether_synchronised().await;
    *seen() = Some((tick_us(), sync));
    sync
}

/// As systemd-timesyncd leaves it in its folder (systemd-timesyncd.service(8)), for many commands ask this in
/// passing; else as the kernel was told by whatever program keeps the time: `timedatectl` shows its flag as
/// `NTPSynchronized` (org.freedesktop.timedate1(5)).
async fn asked_whether_synchronised() -> Sync {
    const PATIENCE: std::time::Duration = std::time::Duration::from_secs(2);
    let folder = std::path::Path::new("/run/systemd/timesync");
    if folder.join("synchronized").exists() {
        return Sync::Yes;
    }
    let asked = tokio::process::Command::new("timedatectl")
        .args(["show", "--property=NTPSynchronized", "--value"])
        .stdin(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .kill_on_drop(true)
        .output();
    if let Ok(Ok(said)) = tokio::time::timeout(PATIENCE, asked).await {
        match said.stdout.trim_ascii() {
            b"yes" => return Sync::Yes,
            b"no" => return Sync::No,
            _ => {}
        }
    }
    if folder.exists() { Sync::No } else { Sync::Unknown }
}

/// The instant at which [`tick_us`] reads `tick`, for a timer.
#[must_use]
pub fn instant_at(tick: i64) -> tokio::time::Instant {
    let wait = u64::try_from(tick.saturating_sub(tick_us())).unwrap_or(0);
    tokio::time::Instant::now() + std::time::Duration::from_micros(wait)
}

/// The IANA name of this machine's own zone, where it has one.
#[must_use]
pub fn zone_of_this_machine() -> Option<String> {
    let zone = TimeZone::try_system().ok()?;
    zone.iana_name().map(str::to_owned)
}

/// The site's clock: turns stored microseconds into local times and back.
#[derive(Clone, Debug)]
pub struct SiteClock {
    zone: TimeZone,
}

impl SiteClock {
    /// A clock for an IANA zone name.
    pub fn new(name: &str) -> Result<Self, String> {
        TimeZone::get(name).map(|zone| Self { zone }).map_err(|_| {
            format!("`{name}` is not an IANA time zone name known here, such as `Europe/Lisbon`")
        })
    }

    /// The IANA name of the zone.
    #[must_use]
    pub fn zone_name(&self) -> &str {
        self.zone.iana_name().unwrap_or("local time")
    }

    fn zoned(&self, us: i64) -> ZonedDateTime {
        Timestamp::from_microsecond(us)
            .unwrap_or(Timestamp::UNIX_EPOCH)
            .to_zoned_datetime(self.zone.clone())
    }

    /// RFC 3339 with the site's offset, to the second.
    #[must_use]
    pub fn rfc3339(&self, us: i64) -> String {
        self.zoned(us).strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
    }

    /// As mails have it (RFC 5322, 3.3).
    #[must_use]
    pub fn mail_date(&self, us: i64) -> String {
        self.zoned(us).strftime("%a, %d %b %Y %H:%M:%S %z").to_string()
    }

    /// `14:03:59`, for a person who knows the day.
    #[must_use]
    pub fn time_of_day(&self, us: i64) -> String {
        self.zoned(us).strftime("%H:%M:%S").to_string()
    }

    /// The local date, `YYYY-MM-DD`.
    #[must_use]
    pub fn day(&self, us: i64) -> String {
        self.zoned(us).strftime("%Y-%m-%d").to_string()
    }

    /// From when to when a local date, `YYYY-MM-DD`, lasts. None: not a date.
    #[must_use]
    pub fn day_span(&self, day: &str) -> Option<(i64, i64)> {
        let date: jiff::civil::Date = day.parse().ok()?;
        let start = |date: jiff::civil::Date| {
            let midnight = date.to_zoned_datetime(self.zone.clone()).ok()?;
            Some(midnight.timestamp().as_microsecond())
        };
        Some((start(date)?, start(date.tomorrow().ok()?)?))
    }

    /// The weekday of so many days before a time, 0 for Monday.
    #[must_use]
    pub fn weekday_before(&self, us: i64, days: i64) -> Option<usize> {
        usize::try_from(self.date_before(us, days)?.weekday().to_monday_zero_offset()).ok()
    }

    /// The weekday of a time: Monday is 0.
    #[must_use]
    pub fn weekday(&self, us: i64) -> usize {
        self.weekday_before(us, 0).unwrap_or(0)
    }

    /// When a minute is of the local day that is so many days before a time; of the next day beyond 24 h. In an hour
    /// that is skipped or comes twice: what a clock that is set in that night would show.
    #[must_use]
    pub fn minute_before(&self, us: i64, days: i64, minute: i64) -> Option<i64> {
        let (next, minute) = (minute / 1_440, minute % 1_440);
        let (hour, minute) = (i8::try_from(minute / 60).ok()?, i8::try_from(minute % 60).ok()?);
        let civil = self.date_before(us, days - next)?.at(hour, minute, 0, 0);
        Some(civil.to_zoned_datetime(self.zone.clone()).ok()?.timestamp().as_microsecond())
    }

    fn date_before(&self, us: i64, days: i64) -> Option<jiff::civil::Date> {
        self.zoned(us).date().checked_sub(jiff::Span::new().days(days)).ok()
    }

    /// A stored time as a moment with the site's offset.
    #[must_use]
    pub fn moment(&self, us: i64) -> Moment {
        let z = self.zoned(us);
        Moment {
            year: z.year(),
            month: z.month().unsigned_abs(),
            day: z.day().unsigned_abs(),
            time: Some((z.hour().unsigned_abs(), z.minute().unsigned_abs())),
            second: Some(z.second().unsigned_abs()),
            offset: i16::try_from(z.offset().seconds() / 60).ok(),
        }
    }

    /// Microseconds since 1970 of a time of day that has or is given its offset. None: a bare date, or
    /// a time that the zone skips or has twice.
    #[must_use]
    pub fn us(&self, moment: Moment) -> Option<i64> {
        let moment = self.with_offset(moment)?;
        let (hour, minute) = moment.time?;
        let civil = jiff::civil::DateTime::new(
            moment.year,
            i8::try_from(moment.month).ok()?,
            i8::try_from(moment.day).ok()?,
            i8::try_from(hour).ok()?,
            i8::try_from(minute).ok()?,
            i8::try_from(moment.second.unwrap_or(0)).ok()?,
            0,
        )
        .ok()?;
        let utc = civil.to_zoned_datetime(TimeZone::UTC).ok()?.timestamp().as_microsecond();
        Some(utc - i64::from(moment.offset?) * 60_000_000)
    }

    /// Every offset that the site's zone has at a printed time, in minutes east: none in the hour that
    /// is skipped in spring, two in the one that comes twice in autumn.
    #[must_use]
    pub fn offsets(&self, printed: Moment) -> Vec<i16> {
        use jiff::tz::AmbiguousOffset::{Fold, Gap, Unambiguous};
        let (hour, minute) = printed.time.unwrap_or((12, 0));
        let second = printed.second.unwrap_or(0);
        let small = |n: u8| i8::try_from(n).ok();
        let civil = || {
            let (month, day) = (small(printed.month)?, small(printed.day)?);
            let (hour, minute, second) = (small(hour)?, small(minute)?, small(second)?);
            jiff::civil::DateTime::new(printed.year, month, day, hour, minute, second, 0).ok()
        };
        let Some(civil) = civil() else { return Vec::new() };
        let offsets = match self.zone.to_ambiguous_timestamp(civil).offset() {
            Unambiguous { offset } => vec![offset],
            Gap { .. } => Vec::new(),
            Fold { before, after } => vec![before, after],
        };
        offsets.iter().filter_map(|o| i16::try_from(o.seconds() / 60).ok()).collect()
    }

    /// A printed time with the site's offset added where it has none. None when the zone skips that
    /// time (spring) or has it twice (autumn): the caller decides what that is worth.
    #[must_use]
    pub fn with_offset(&self, printed: Moment) -> Option<Moment> {
        let (Some((hour, minute)), None) = (printed.time, printed.offset) else {
            return Some(printed);
        };
        let civil = jiff::civil::DateTime::new(
            printed.year,
            i8::try_from(printed.month).ok()?,
            i8::try_from(printed.day).ok()?,
            i8::try_from(hour).ok()?,
            i8::try_from(minute).ok()?,
            i8::try_from(printed.second.unwrap_or(0)).ok()?,
            0,
        )
        .ok()?;
        let zoned = self.zone.to_ambiguous_zoned_datetime(civil).unambiguous().ok()?;
        Some(Moment { offset: i16::try_from(zoned.offset().seconds() / 60).ok(), ..printed })
    }
}

/// A moment as RFC 3339, as far as it was said.
#[must_use]
pub fn moment_rfc3339(m: &Moment) -> String {
    let mut text = format!("{:04}-{:02}-{:02}", m.year, m.month, m.day);
    if let Some((hour, minute)) = m.time {
        text.push_str(&format!("T{hour:02}:{minute:02}:{:02}", m.second.unwrap_or(0)));
        if let Some(offset) = m.offset {
            let sign = if offset < 0 { '-' } else { '+' };
            let by = offset.unsigned_abs();
            text.push_str(&format!("{sign}{:02}:{:02}", by / 60, by % 60));
        }
    }
    text
}

/// A moment from its RFC 3339 text.
#[must_use]
pub fn moment_of(text: &str) -> Option<Moment> {
    let (day, rest) = text.split_at_checked(10)?;
    let plain = |t: &str| t.replace([':', '-'], "");
    let Some(time) = rest.strip_prefix('T') else { return Moment::from_day(day) };
    let (time, zone) = time.split_at(time.find(['+', '-']).unwrap_or(time.len()));
    let (sign, zone) = zone.split_at_checked(1).unwrap_or(("", ""));
    Moment::from_digits(&format!("{}{}{sign}{}", plain(day), plain(time), plain(zone)))
}

#[cfg(test)]
mod tests {
    use super::{SiteClock, moment_of, moment_rfc3339};
    use wickline_normalize::Moment;

    #[test]
    fn the_repeated_and_the_skipped_hour_are_not_guessed() {
        let lisbon = SiteClock::new("Europe/Lisbon").expect("a zone of the tz database");
        let at = |text| lisbon.with_offset(Moment::from_digits(text).expect("a real time"));
        assert_eq!(
            at("20260629101500").map(|m| moment_rfc3339(&m)).as_deref(),
            Some("2026-06-29T10:15:00+01:00")
        );
        for digits in ["20260629", "20260629101500", "20260629101500+0100", "20260629101500-0330"] {
            let moment = Moment::from_digits(digits);
            assert_eq!(moment.and_then(|m| moment_of(&moment_rfc3339(&m))), moment, "{digits}");
        }
        assert_eq!(at("20261025013000"), None, "01:30 comes twice");
        assert_eq!(at("20260329013000"), None, "01:30 does not come");
        let noon = Moment::from_digits("20260629130000").expect("a real time");
        let us = lisbon.us(noon).expect("it comes once");
        assert_eq!(lisbon.rfc3339(us), "2026-06-29T13:00:00+01:00");
        assert!(SiteClock::new("Kestrel/Point").is_err());
    }
}
