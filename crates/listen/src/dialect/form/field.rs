//! Placeholders: what each is called, what can stand in its place, and what may for a try.

use crate::dialect::calendar::{Calendar, Order};

/// What a placeholder stands for.
///
/// Each has its own idea of what can stand in its place, which tells lines of one form from those of
/// another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::dialect) enum Field {
    Number,
    Specimen,
    Operator,
    Strip,
    StripLot,
    Expiry,
    Lot,
    Level,
    Date,
    Day,
    Month,
    Year,
    Time,
    /// Parts of a time, with words of the form between them.
    Hour,
    Minute,
    Second,
    Half,
    /// How many readings the print says that it has.
    Count,
    /// How many of them it says that it has marked.
    Marked,
    /// Which page of the report this is, and how many it has.
    Page,
    Pages,
    /// Anything, read past.
    Any,
}

/// Every placeholder: its name in a form, what it is, and what it is called in an anatomy.
pub(super) const FIELDS: &[(&str, Field, &str)] = &[
    ("number", Field::Number, "number"),
    ("specimen", Field::Specimen, "specimen"),
    ("operator", Field::Operator, "operator"),
    ("strip", Field::Strip, "strip"),
    ("strip_lot", Field::StripLot, "strip lot"),
    ("expiry", Field::Expiry, "expiry"),
    ("lot", Field::Lot, "lot"),
    ("level", Field::Level, "level"),
    ("date", Field::Date, "date"),
    ("day", Field::Day, "day"),
    ("month", Field::Month, "month"),
    ("year", Field::Year, "year"),
    ("time", Field::Time, "time"),
    ("hour", Field::Hour, "hour"),
    ("minute", Field::Minute, "minute"),
    ("second", Field::Second, "second"),
    ("half", Field::Half, "half"),
    ("count", Field::Count, "count"),
    ("marked", Field::Marked, "marked"),
    ("page", Field::Page, "page"),
    ("pages", Field::Pages, "page"),
    ("any", Field::Any, "ignored"),
];

impl Field {
    /// What an anatomy calls it.
    pub fn what(self) -> &'static str {
        FIELDS.iter().find(|(_, field, _)| *field == self).map_or("ignored", |(.., what)| what)
    }

    /// What keeps `{date} {time}` from fitting a line of words.
    pub(super) fn admits(self, text: &str, calendar: &Calendar) -> bool {
        let one_word = || !text.contains([' ', '\t']) && text.len() <= 40;
        let digits = |least: usize, most: usize| {
            (least..=most).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_digit())
        };
        if text.is_empty() {
            return true;
        }
        match self {
            Field::Number => one_word() && text.bytes().any(|b| b.is_ascii_digit()),
            Field::Strip | Field::Lot | Field::StripLot => one_word(),
            Field::Level => text.chars().count() == 1,
            Field::Date | Field::Expiry => calendar.admits_date(text),
            Field::Day if calendar.order == Order::Ordinal => digits(1, 3),
            Field::Day | Field::Hour => digits(1, 2),
            Field::Minute | Field::Second => digits(2, 2),
            Field::Month => digits(1, 2) || !calendar.months.is_empty() && one_word(),
            Field::Year => digits(2, 4),
            Field::Time => calendar.admits_time(text),
            Field::Half => calendar.admits_half(text),
            Field::Count | Field::Marked | Field::Page | Field::Pages => digits(1, 4),
            Field::Specimen | Field::Operator => text.len() <= 120,
            Field::Any => true,
        }
    }

    /// Something that may stand in its place, and something else that may.
    pub(super) fn samples(self, calendar: &Calendar) -> [String; 2] {
        let half = calendar.halves.as_ref().and_then(|(am, _)| am.first());
        let half = half.map_or("", String::as_str);
        let month = |n: usize, digits| calendar.months.get(n).map_or(digits, String::as_str);
        let samples = match self {
            Field::Number => ["0042", "7301"],
            Field::Specimen => ["KP-10023", "KP-31742"],
            Field::Operator => ["op7", "qz"],
            Field::Strip => ["TEN", "QZ4"],
            Field::StripLot => ["S7731", "QZ5"],
            Field::Expiry => ["11-2027", "10-2028"],
            Field::Lot => ["L4471", "QZ6"],
            Field::Level => ["2", "1"],
            Field::Date => ["20250314", "20261125"],
            Field::Day if calendar.order == Order::Ordinal => ["073", "329"],
            Field::Day => ["14", "25"],
            Field::Hour => ["09", "10"],
            Field::Minute => ["14", "27"],
            Field::Second => ["55", "31"],
            Field::Month => [month(0, "3"), month(10, "11")],
            Field::Year => ["2025", "2026"],
            Field::Time => return ["09:14", "10:27"].map(|time| format!("{time}{half}")),
            Field::Half => [half; 2],
            Field::Count => ["10", "8"],
            Field::Marked => ["4", "7"],
            Field::Page => ["1", "3"],
            Field::Pages => ["2", "4"],
            Field::Any => ["x", "qz"],
        };
        samples.map(str::to_owned)
    }

    pub(super) fn sample(self, calendar: &Calendar) -> String {
        let [sample, _] = self.samples(calendar);
        sample
    }
}
