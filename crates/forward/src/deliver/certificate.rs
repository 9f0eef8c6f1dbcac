//! When a certificate ends: the one field of X.509 that is read here (RFC 5280 section 4.1).

/// DER tags of X.690.
const SEQUENCE: u8 = 0x30;
const INTEGER: u8 = 0x02;
const VERSION: u8 = 0xA0;
const UTC_TIME: u8 = 0x17;
const GENERALIZED_TIME: u8 = 0x18;

/// The end of a certificate's validity in Unix seconds.
pub(super) fn ends(der: &[u8]) -> Option<i64> {
    let (certificate, _) = element(der, SEQUENCE)?;
    let (mut rest, _) = element(certificate, SEQUENCE)?;
    if let Some((_, after)) = element(rest, VERSION) {
        rest = after;
    }
    // Serial number, algorithm, issuer; then the validity: not before, not after.
    for tag in [INTEGER, SEQUENCE, SEQUENCE] {
        rest = element(rest, tag)?.1;
    }
    let (validity, _) = element(rest, SEQUENCE)?;
    let (_, after) = time(validity)?;
    time(after).map(|(end, _)| end)
}

/// The content of the element at the front, if it is of this kind, and what follows it.
fn element(bytes: &[u8], tag: u8) -> Option<(&[u8], &[u8])> {
    let (&found, rest) = bytes.split_first()?;
    let (&first, rest) = rest.split_first()?;
    if found != tag {
        return None;
    }
    let (length, rest) = match first {
        0..=0x7F => (usize::from(first), rest),
        // One to four bytes of length follow.
        0x81..=0x84 => {
            let (digits, rest) = rest.split_at_checked(usize::from(first - 0x80))?;
            (digits.iter().fold(0, |sum, d| sum << 8 | usize::from(*d)), rest)
        }
        _ => return None,
    };
    rest.split_at_checked(length)
}

/// `YYMMDDhhmmssZ` or `YYYYMMDDhhmmssZ`, and what follows it.
fn time(bytes: &[u8]) -> Option<(i64, &[u8])> {
    let (text, rest, short) = match element(bytes, UTC_TIME) {
        Some((text, rest)) => (text, rest, true),
        None => element(bytes, GENERALIZED_TIME).map(|(text, rest)| (text, rest, false))?,
    };
    let digits = text.strip_suffix(b"Z")?;
    if digits.len() != if short { 12 } else { 14 } || !digits.iter().all(u8::is_ascii_digit) {
        return None;
    }
    let number = |part: &[u8]| part.iter().fold(0, |sum, d| sum * 10 + i64::from(*d - b'0'));
    let (year, rest_digits) = digits.split_at(digits.len() - 10);
    let year = match number(year) {
        // Two digits: 1950 to 2049.
        year @ 0..=49 if short => 2000 + year,
        year if short => 1900 + year,
        year => year,
    };
    let mut pairs = rest_digits.chunks(2).map(number);
    let mut next = || pairs.next().unwrap_or(0);
    let (month, day, hour, minute, second) = (next(), next(), next(), next(), next());
    if !(1..=12).contains(&month) || !(1..=31).contains(&day) {
        return None;
    }
    Some((days(year, month, day) * 86_400 + hour * 3_600 + minute * 60 + second, rest))
}

/// Days since 1970-01-01 in the Gregorian calendar, by years that begin in March.
fn days(year: i64, month: i64, day: i64) -> i64 {
    let year = if month <= 2 { year - 1 } else { year };
    let of_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    let leap_days = year.div_euclid(4) - year.div_euclid(100) + year.div_euclid(400);
    365 * year + leap_days + of_year - 719_468
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::{GENERALIZED_TIME, UTC_TIME, days, element, ends, time};

    fn written(tag: u8, text: &str) -> Vec<u8> {
        let length = u8::try_from(text.len()).expect("short");
        [&[tag, length], text.as_bytes()].concat()
    }

    #[test]
    fn times_are_read_in_both_forms() {
        // Values by `date -u -d ... +%s`.
        for (tag, text, wanted) in [
            (UTC_TIME, "260314120000Z", Some(1_773_489_600)),
            (UTC_TIME, "500101000000Z", Some(-631_152_000)),
            (UTC_TIME, "491231235959Z", Some(2_524_607_999)),
            (GENERALIZED_TIME, "20500101000000Z", Some(2_524_608_000)),
            (GENERALIZED_TIME, "20000229000000Z", Some(951_782_400)),
            (GENERALIZED_TIME, "21260301000000Z", Some(4_927_996_800)),
            (GENERALIZED_TIME, "99991231235959Z", Some(253_402_300_799)),
            (UTC_TIME, "20260314120000Z", None),
            (UTC_TIME, "260314120000", None),
            (UTC_TIME, "261314120000Z", None),
            (GENERALIZED_TIME, "2026031412000xZ", None),
        ] {
            let read = time(&written(tag, text)).map(|(at, _)| at);
            assert_eq!(read, wanted, "{text}");
        }
    }

    #[test]
    fn each_day_is_one_after_the_day_before() {
        let mut last = days(1899, 12, 31);
        for year in 1900..2200 {
            for month in 1..=12 {
                let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
                let length = match month {
                    2 if leap => 29,
                    2 => 28,
                    4 | 6 | 9 | 11 => 30,
                    _ => 31,
                };
                for day in 1..=length {
                    let this = days(year, month, day);
                    assert_eq!(this, last + 1, "{year}-{month}-{day}");
                    last = this;
                }
            }
        }
        assert_eq!(days(1970, 1, 1), 0);
    }

    proptest! {
        #[test]
        fn rubbish_is_no_certificate_and_harms_nothing(bytes in prop::collection::vec(any::<u8>(), 0..80)) {
            let _ = ends(&bytes);
            let nested = [&[0x30, 0x84][..], &bytes].concat();
            let _ = ends(&nested);
            let _ = element(&nested, 0x30);
        }
    }
}
