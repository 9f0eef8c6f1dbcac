//! A point in time as printed or sent: as precise as it was said, with or without an offset.

use serde::{Deserialize, Serialize};

/// Civil time with its precision. Unknown parts are absent, never zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Moment {
    pub year: i16,
    pub month: u8,
    pub day: u8,
    /// Hour and minute.
    pub time: Option<(u8, u8)>,
    pub second: Option<u8>,
    /// Minutes east of UTC. None: the analyzer's own zone.
    pub offset: Option<i16>,
}

impl Moment {
    /// Reads `YYYYMMDD[HHMM[SS]][+HHMM|-HHMM]` (LIS02 5.6.2). None when it is not a real date or time.
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
        let leap = self.year % 4 == 0 && (self.year % 100 != 0 || self.year % 400 == 0);
        let days = match self.month {
            1 | 3 | 5 | 7 | 8 | 10 | 12 => 31,
            4 | 6 | 9 | 11 => 30,
            2 if leap => 29,
            2 => 28,
            _ => return false,
        };
        (1900..=2199).contains(&self.year)
            && (1..=days).contains(&self.day)
            && self.time.is_none_or(|(h, m)| h < 24 && m < 60)
            && self.second.is_none_or(|s| s < 60)
            && (self.second.is_none() || self.time.is_some())
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
        for text in ["20250230", "2025", "20251314", "2025031425", "20250314096002", "é0250314"] {
            assert_eq!(Moment::from_digits(text), None, "{text}");
        }
    }
}
