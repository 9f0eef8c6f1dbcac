//! Dates and times as an analyzer prints them: any order, names of months, twelve hours or 24.
//!
//! A date that the calendar does not have, a time of two meanings or a month of no name is none: the report is held,
//! since nobody knows what was meant. Years of two digits are of this century unless the file says otherwise; a zone
//! is not read.

use nom::bytes::complete::{take_while_m_n, take_while1};
use nom::character::complete::char;
use nom::combinator::all_consuming;
use nom::{IResult, Parser};
use wickline_normalize::Moment;
use wickline_normalize::words::quote;

const DAY: i64 = 86_400;

/// How dates and times are written.
#[derive(Clone, Debug, Default)]
pub(super) struct Calendar {
    pub order: Order,
    /// Twelve names, or none: months are numbers.
    pub months: Vec<String>,
    /// Words of the first and the second half of the day. None: the clock has 24 hours.
    pub halves: Option<(Vec<String>, Vec<String>)>,
    /// The first of the hundred years that two digits stand for. None: 2000.
    pub years_from: Option<i16>,
    pub times: Times,
    /// A time without any date is no moment and no fault.
    pub time_alone: bool,
}

/// Which of several times counts, each with the date printed last before it or in its line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Times {
    /// There is one: another one holds the report.
    #[default]
    Same,
    First,
    Last,
}

/// Every rule for several times by its name in a dialect file.
pub(super) const TIMES: &[(&str, Times)] =
    &[("same", Times::Same), ("first", Times::First), ("last", Times::Last)];

/// The order of day, month and year.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Order {
    /// `2025-03-14`, ISO 8601.
    #[default]
    Ymd,
    /// `2025-14-03`.
    Ydm,
    /// `14.03.2025`.
    Dmy,
    /// `03/14/2025`.
    Mdy,
    /// `2025-073`, year and day of the year, ISO 8601.
    Ordinal,
    /// `2025-W11-5`, year, week and day of the week from Monday, ISO 8601.
    Week,
}

/// Every order by its name in a dialect file.
pub(super) const ORDERS: &[(&str, Order)] = &[
    ("ymd", Order::Ymd),
    ("ydm", Order::Ydm),
    ("dmy", Order::Dmy),
    ("mdy", Order::Mdy),
    ("ordinal", Order::Ordinal),
    ("week", Order::Week),
];

/// A time of day: hour and minute, and the second where it is printed.
type Time = ((u8, u8), Option<u8>);

/// What a print says of one moment, as far as it was read.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Said<'t> {
    pub date: Option<&'t str>,
    pub day: Option<&'t str>,
    pub month: Option<&'t str>,
    pub year: Option<&'t str>,
    pub time: Option<&'t str>,
    /// The time in parts of its own.
    pub hour: Option<&'t str>,
    pub minute: Option<&'t str>,
    pub second: Option<&'t str>,
    pub half: Option<&'t str>,
}

impl Said<'_> {
    /// True for half of one as well: then the moment is incomplete, and held.
    pub fn names_a_day(&self) -> bool {
        [self.date, self.day, self.month, self.year].iter().any(Option::is_some)
    }

    pub fn names_a_time(&self) -> bool {
        [self.time, self.hour, self.minute, self.second, self.half].iter().any(Option::is_some)
    }

    /// The date alone, for a time that comes.
    pub fn without_time(self) -> Self {
        Self {
            date: self.date,
            day: self.day,
            month: self.month,
            year: self.year,
            ..Self::default()
        }
    }
}

impl Calendar {
    /// A moment of the calendar. None: what is printed is none, or not one alone.
    pub fn moment(&self, said: &Said<'_>) -> Option<Moment> {
        let day = match (said.date, said.day, said.month, said.year) {
            (Some(date), None, None, None) => match self.order {
                Order::Ordinal => self.ordinal(year_and_day(date)?)?,
                Order::Week => self.week(date)?,
                _ => self.day(self.date(date)?)?,
            },
            (None, Some(day), Some(month), Some(year)) => self.day((year, month, day))?,
            (None, Some(day), None, Some(year)) if self.order == Order::Ordinal => {
                self.ordinal((year, day))?
            }
            _ => return None,
        };
        let time = match (said.time, said.hour, said.minute, said.second) {
            (None, None, None, None) if said.half.is_none() => None,
            (Some(time), None, None, None) => Some(self.time(time, said.half)?),
            (None, Some(hour), Some(minute), second) => {
                let second = second.map_or(Some(None), |second| two(second).map(Some))?;
                Some(self.of_day(((small(hour)?, two(minute)?), second), said.half)?)
            }
            _ => return None,
        };
        let moment = Moment {
            time: time.map(|(hour, _)| hour),
            second: time.and_then(|(_, second)| second),
            ..day
        };
        moment.is_real().then_some(moment)
    }

    fn day(&self, (year, month, day): (&str, &str, &str)) -> Option<Moment> {
        Some(midnightless(self.year(year)?, self.month(month)?, small(day)?))
    }

    /// By the year and three digits of the day in it.
    fn ordinal(&self, (year, day): (&str, &str)) -> Option<Moment> {
        let fits = day.len() == 3 && day.bytes().all(|b| b.is_ascii_digit());
        let (year, day) = (self.year(year)?, day.parse::<i64>().ok().filter(|_| fits)?);
        let first = midnightless(year, 1, 1);
        let found = day_after(&first, day.checked_sub(1)?)?;
        (day > 0 && found.year == year).then_some(found)
    }

    /// By year, week and day of the week: the first week has the fourth of January in it.
    fn week(&self, text: &str) -> Option<Moment> {
        let (_, (year, week, day)) = week_date(text).ok()?;
        let year = self.year(year)?;
        let (week, day) = (week.parse::<i64>().ok()?, day.parse::<i64>().ok()?);
        // The first of January 1970 was a Thursday.
        let monday = |year| {
            let fourth = midnightless(year, 1, 4).days();
            fourth - (fourth + 3).rem_euclid(7)
        };
        let days = monday(year) + (week - 1) * 7 + day - 1;
        let fits = week > 0 && (1..=7).contains(&day) && days < monday(year + 1);
        fits.then(|| day_after(&midnightless(1970, 1, 1), days)).flatten()
    }

    /// Four digits, or two by the rule of the file.
    fn year(&self, text: &str) -> Option<i16> {
        let digits = text.bytes().all(|b| b.is_ascii_digit());
        match text.len() {
            4 if digits => text.parse().ok(),
            2 if digits => {
                let from = self.years_from.unwrap_or(2000);
                Some(from + (text.parse::<i16>().ok()? - from).rem_euclid(100))
            }
            _ => None,
        }
    }

    /// A date of expiry. A month alone means its last day, as is common practice on strip bottles.
    pub fn expiry(&self, text: &str) -> Option<Moment> {
        if let Some(whole) = self.moment(&Said { date: Some(text), ..Said::default() }) {
            return Some(whole);
        }
        let mut words = words(text)?.into_iter().flatten();
        let (first, second) = (words.next()?, words.next()?);
        let (year, month) = match self.order {
            Order::Dmy | Order::Mdy => (second, first),
            _ => (first, second),
        };
        let (year, month) = (self.year(year)?, self.month(month)?);
        let of_day = |day| midnightless(year, month, day);
        let last = (28..=31).rev().map(of_day).find(Moment::is_real);
        if words.next().is_some() { None } else { last }
    }

    /// Year, month and day of a date in one piece.
    fn date<'t>(&self, text: &'t str) -> Option<(&'t str, &'t str, &'t str)> {
        let (a, b, c) = match words(text)? {
            [Some(a), Some(b), Some(c)] => (a, b, c),
            [Some(all), None, None] => self.cut(all)?,
            _ => return None,
        };
        Some(match self.order {
            Order::Ymd | Order::Ordinal | Order::Week => (a, b, c),
            Order::Ydm => (a, c, b),
            Order::Dmy => (c, b, a),
            Order::Mdy => (c, a, b),
        })
    }

    /// Cuts six or eight digits that stand without anything between them.
    fn cut<'t>(&self, all: &'t str) -> Option<(&'t str, &'t str, &'t str)> {
        let year = match all.len() {
            6 => 2,
            8 => 4,
            _ => return None,
        };
        let first = if matches!(self.order, Order::Dmy | Order::Mdy) { 2 } else { year };
        let (a, rest) = all.split_at_checked(first)?;
        let (b, c) = rest.split_at_checked(2)?;
        Some((a, b, c))
    }

    /// By number, or by its name without regard to case.
    fn month(&self, text: &str) -> Option<u8> {
        if text.starts_with(|c: char| c.is_ascii_digit()) {
            return small(text);
        }
        let text = text.to_lowercase();
        let place = self.months.iter().position(|name| name.to_lowercase() == text)?;
        u8::try_from(place + 1).ok()
    }

    /// A time of day. With halves of the day exactly one of their words must stand behind it.
    fn time(&self, text: &str, half: Option<&str>) -> Option<Time> {
        let digits = text.trim_end_matches(|c: char| !c.is_ascii_digit());
        let behind = text.get(digits.len()..).map(str::trim).filter(|word| !word.is_empty());
        let half = match (behind, half) {
            (Some(_), Some(_)) => return None,
            (behind, half) => behind.or(half),
        };
        self.of_day(clock(digits)?, half)
    }

    /// What a clock shows as the time of a day of 24 hours.
    fn of_day(&self, ((hour, minute), second): Time, half: Option<&str>) -> Option<Time> {
        let late = match (&self.halves, half) {
            (None, None) => None,
            (Some((am, pm)), Some(word)) => {
                let among = |words: &[String]| words.iter().any(|known| known == word);
                Some(if among(am) { false } else { among(pm).then_some(true)? })
            }
            _ => return None,
        };
        let hour = match late {
            None => hour,
            Some(late) => {
                (1..=12).contains(&hour).then_some(hour % 12 + if late { 12 } else { 0 })?
            }
        };
        Some(((hour, minute), second))
    }

    /// The words for the halves of the day, for a person. None: the clock has 24 hours.
    pub fn half_words(&self) -> Option<String> {
        let (am, pm) = self.halves.as_ref()?;
        Some(format!("{} or {}", quote(am.first()?), quote(pm.first()?)))
    }

    /// Whether a time would be one if a half of the day stood with it.
    pub fn lacks_its_half(&self, said: &Said<'_>) -> bool {
        let half = self.halves.as_ref().and_then(|(am, _)| am.first());
        said.half.is_none()
            && half.is_some_and(|half| self.moment(&Said { half: Some(half), ..*said }).is_some())
    }

    /// What can be no date tells other lines from lines with one.
    pub fn admits_date(&self, text: &str) -> bool {
        let week = self.order == Order::Week;
        let sign = |b: u8| b.is_ascii_digit() || b"-./,".contains(&b) || week && b == b'W';
        text.bytes().all(|b| sign(b) || !self.months.is_empty() && !b.is_ascii_whitespace())
            && text.bytes().any(|b| b.is_ascii_digit())
    }

    /// Cheaper than reading it, and no promise that it is one.
    pub fn admits_time(&self, text: &str) -> bool {
        let digits = text.trim_end_matches(|c: char| !c.is_ascii_digit());
        let behind = text.get(digits.len()..).unwrap_or("").trim();
        (behind.is_empty() || self.admits_half(behind)) && clock(digits).is_some()
    }

    /// As printed: these words are told apart by case.
    pub fn admits_half(&self, text: &str) -> bool {
        let halves = self.halves.iter().flat_map(|(am, pm)| am.iter().chain(pm));
        halves.into_iter().any(|word| word == text)
    }
}

/// Runs of digits and runs of letters, three at most. None: something else stands there.
fn words(text: &str) -> Option<[Option<&str>; 3]> {
    let mut found = [None; 3];
    let mut slots = found.iter_mut();
    let mut rest = text.trim();
    while let Some(first) = rest.chars().next() {
        if "-./,".contains(first) {
            rest = rest.get(1..)?;
            continue;
        }
        let digit = first.is_ascii_digit();
        if !digit && !first.is_alphabetic() {
            return None;
        }
        let same = |c: char| c.is_ascii_digit() == digit && (digit || c.is_alphabetic());
        let end = rest.find(|c: char| !same(c)).unwrap_or(rest.len());
        let (word, after) = rest.split_at_checked(end)?;
        *slots.next()? = Some(word);
        rest = after;
    }
    Some(found)
}

/// Year and day of the year, apart or in one piece.
fn year_and_day(text: &str) -> Option<(&str, &str)> {
    match words(text)? {
        [Some(year), Some(day), None] => Some((year, day)),
        [Some(all), None, None] => all.split_at_checked(all.len().checked_sub(3)?),
        _ => None,
    }
}

/// Hour, minute and second, apart by `:` or `.`, or four or six digits in one piece.
///
/// An hour may have one digit. A minute or second of one has lost the other on the way: `09:0` is not nine o'clock.
fn clock(text: &str) -> Option<Time> {
    let mut parts = text.split([':', '.']);
    let (hour, minute, second) = (parts.next()?, parts.next(), parts.next());
    let (hour, minute, second) = match (minute, hour.len()) {
        (Some(minute), _) => (hour, minute, second),
        (None, 4) => (hour.get(..2)?, hour.get(2..)?, None),
        (None, 6) => (hour.get(..2)?, hour.get(2..4)?, hour.get(4..)),
        _ => return None,
    };
    let second = second.map_or(Some(None), |second| two(second).map(Some))?;
    parts.next().is_none().then_some(((small(hour)?, two(minute)?), second))
}

/// A day without a time.
fn midnightless(year: i16, month: u8, day: u8) -> Moment {
    Moment { year, month, day, time: None, second: None, offset: None }
}

/// The day so many days after another.
fn day_after(day: &Moment, days: i64) -> Option<Moment> {
    let found = Moment::at_wall((day.days() + days) * DAY)?;
    Some(Moment { time: None, second: None, ..found })
}

/// `2025-W11-5` or `2025W115`: with both hyphens or with neither.
fn week_date(text: &str) -> IResult<&str, (&str, &str, &str)> {
    let digit = |c: char| c.is_ascii_digit();
    let (rest, year) = take_while1(digit).parse(text)?;
    let hyphens = usize::from(rest.starts_with('-'));
    let hyphen = || take_while_m_n(hyphens, hyphens, |c| c == '-');
    let week = || take_while_m_n(2, 2, digit);
    let (rest, (_, _, week, _)) = (hyphen(), char('W'), week(), hyphen()).parse(rest)?;
    let (rest, day) = all_consuming(take_while_m_n(1, 1, digit)).parse(rest)?;
    Ok((rest, (year, week, day)))
}

/// One or two digits.
fn small(text: &str) -> Option<u8> {
    let fits = (1..=2).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_digit());
    fits.then(|| text.parse().ok()).flatten()
}

/// Two digits, as minutes and seconds have.
fn two(text: &str) -> Option<u8> {
    small(text).filter(|_| text.len() == 2)
}

#[cfg(test)]
mod tests {
    use super::{Calendar, ORDERS, Said};

    fn calendar(order: &str, months: &[&str], halves: bool) -> Calendar {
        let order = ORDERS.iter().find(|(name, _)| *name == order).expect("an order").1;
        let halves = halves.then(|| (vec!["AM".to_owned()], vec!["PM".to_owned()]));
        let months = months.iter().map(|m| (*m).to_owned()).collect();
        Calendar { order, months, halves, ..Calendar::default() }
    }

    /// ISO 8601-1:2019 from memory; the days of week 53 and of the turn of a year by the calendar.
    #[test]
    fn days_of_the_year_and_of_the_week() {
        for (order, text, wanted) in [
            ("ordinal", "2026.329", "20261125"),
            ("ordinal", "2026-001", "20260101"),
            ("ordinal", "26365", "20261231"),
            ("ordinal", "2028366", "20281231"),
            ("ordinal", "2026366", ""),
            ("ordinal", "2026.000", ""),
            ("ordinal", "2026.32", ""),
            ("ordinal", "2026.11.25", ""),
            ("ordinal", "329", ""),
            ("week", "2026-W48-3", "20261125"),
            ("week", "2026W483", "20261125"),
            ("week", "2026-W01-1", "20251229"),
            ("week", "2020-W53-7", "20210103"),
            ("week", "2021-W53-1", ""),
            ("week", "2026-W00-1", ""),
            ("week", "2026-W48-8", ""),
            ("week", "2026-W483", ""),
            ("week", "2026-48-3", ""),
            ("week", "2026-11-25", ""),
        ] {
            let said = Said { date: Some(text), ..Said::default() };
            let moment = calendar(order, &[], false).moment(&said);
            assert_eq!(moment.map_or(String::new(), |m| m.digits()), wanted, "{order} {text}");
        }
    }

    #[test]
    fn two_digits_of_a_year_by_a_stated_rule() {
        for (from, text, wanted) in [
            (None, "99-12-31", "20991231"),
            (Some(1980), "80-01-01", "19800101"),
            (Some(1980), "79-01-01", "20790101"),
            (Some(2020), "26-03-14", "20260314"),
            (Some(2020), "19-03-14", "21190314"),
            (Some(2020), "1999-03-14", "19990314"),
        ] {
            let calendar = Calendar { years_from: from, ..calendar("ymd", &[], false) };
            let said = Said { date: Some(text), ..Said::default() };
            let moment = calendar.moment(&said).expect("a day");
            assert_eq!(moment.digits(), wanted, "{from:?} {text}");
        }
    }

    const MONTHS: &[&str] =
        &["Jan", "Feb", "Mär", "Apr", "Mai", "Jun", "Jul", "Aug", "Sep", "Okt", "Nov", "Dez"];

    #[test]
    fn dates_in_every_order_and_form() {
        for (order, text, wanted) in [
            ("ymd", "2025-03-14", "20250314"),
            ("ydm", "2025-14-03", "20250314"),
            ("dmy", "14.3.25", "20250314"),
            ("mdy", "03/14/2025", "20250314"),
            ("ymd", "20250314", "20250314"),
            ("ymd", "250314", "20250314"),
            ("dmy", "14032025", "20250314"),
            ("mdy", "031425", "20250314"),
            ("dmy", "14MÄR25", "20250314"),
            ("dmy", "14-mär-2025", "20250314"),
            ("mdy", "Okt-14,2025", "20251014"),
            ("dmy", "30.02.2025", ""),
            ("dmy", "14-xyz-2025", ""),
            ("dmy", "14.03", ""),
            ("dmy", "1.2.3.2025", ""),
            ("dmy", "14.03.025", ""),
            ("ymd", "2025031", ""),
            ("ymd", "2025é14", ""),
        ] {
            let said = Said { date: Some(text), ..Said::default() };
            let moment = calendar(order, MONTHS, false).moment(&said);
            assert_eq!(moment.map_or(String::new(), |m| m.digits()), wanted, "{order} {text}");
        }
        let apart = Said {
            day: Some("14"),
            month: Some("MAI"),
            year: Some("25"),
            time: Some("0914"),
            ..Said::default()
        };
        let moment = calendar("dmy", MONTHS, false).moment(&apart).expect("a moment");
        assert_eq!(moment.digits(), "202505140914");
        assert!(calendar("dmy", MONTHS, false).moment(&Said { day: None, ..apart }).is_none());
    }

    #[test]
    fn twelve_hours_and_twentyfour() {
        for (halves, text, half, wanted) in [
            (false, "09:14:55", None, "20250314091455"),
            (false, "9.14", None, "202503140914"),
            (false, "24:00", None, ""),
            (false, "9:14 AM", None, ""),
            (false, "9", None, ""),
            (false, "09:0", None, ""),
            (false, "9.1", None, ""),
            (false, "09:14:5", None, ""),
            (false, "09:14:05", None, "20250314091405"),
            (true, "9:1 PM", None, ""),
            (false, "9:14:55:1", None, ""),
            (true, "09:14PM", None, "202503142114"),
            (true, "12:00 AM", None, "202503140000"),
            (true, "12:59", Some("PM"), "202503141259"),
            (true, "12:59", None, ""),
            (true, "13:59", Some("PM"), ""),
            (true, "0:59", Some("AM"), ""),
            (true, "1:59AM", Some("AM"), ""),
            (true, "1:59", Some("XM"), ""),
        ] {
            let date = Some("2025-03-14");
            let said = Said { date, time: Some(text), half, ..Said::default() };
            let moment = calendar("ymd", &[], halves).moment(&said);
            assert_eq!(moment.map_or(String::new(), |m| m.digits()), wanted, "{text} {half:?}");
        }
    }

    #[test]
    fn parts_of_a_time_that_lost_a_digit_are_none() {
        for (hour, minute, second, wanted) in [
            ("9", "02", None, "202503140902"),
            ("09", "02", Some("05"), "20250314090205"),
            ("9", "0", None, ""),
            ("09", "2", None, ""),
            ("09", "02", Some("5"), ""),
        ] {
            let said = Said { date: Some("2025-03-14"), second, ..Said::default() };
            let said = Said { hour: Some(hour), minute: Some(minute), ..said };
            let moment = calendar("ymd", &[], false).moment(&said);
            assert_eq!(
                moment.map_or(String::new(), |m| m.digits()),
                wanted,
                "{hour} {minute} {second:?}"
            );
        }
    }

    #[test]
    fn a_month_of_expiry_ends_with_its_last_day() {
        let expiry = |order: &str, text: &str| {
            let moment = calendar(order, MONTHS, false).expiry(text);
            moment.map_or(String::new(), |m| m.digits())
        };
        assert_eq!(expiry("ymd", "2028-02"), "20280229");
        assert_eq!(expiry("dmy", "11/26"), "20261130");
        assert_eq!(expiry("dmy", "05.11.2026"), "20261105");
        assert_eq!(expiry("mdy", "Dez 2026".replace(' ', "-").as_str()), "20261231");
        assert_eq!(expiry("ymd", "2028-13"), "");
        assert_eq!(expiry("ymd", "2028"), "");
    }
}
