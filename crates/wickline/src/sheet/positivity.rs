//! How many of a month's strips were positive, by analyzer and analyte, beside the months before: counts; whose they
//! are is not among them. A pad without a negative (pH, density, colour) is on no such list.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::acts::reviewing::Month;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::read_on::ReadStrip;

/// Months before one that it is compared with, where nobody says how many.
pub const BEFORE: i64 = 5;

/// Of so many that were read, so many stood above negative.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Count {
    pub read: u64,
    pub positive: u64,
}

impl Count {
    /// Percent to one place, half away from zero: whole numbers all the way. None: nothing was read.
    #[must_use]
    pub fn percent(self) -> Option<String> {
        let (read, positive) = (i128::from(self.read), i128::from(self.positive));
        (read > 0).then(|| tenths(rounded(positive * 1000, read)))
    }
}

/// A quotient to the nearest whole, half away from zero.
fn rounded(above: i128, below: i128) -> i128 {
    let half = if above < 0 { -below } else { below };
    (2 * above + half) / (2 * below)
}

fn tenths(value: i128) -> String {
    let sign = if value < 0 { "-" } else { "" };
    format!("{sign}{}.{}", value.abs() / 10, value.abs() % 10)
}

/// One analyte of one analyzer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Positive {
    pub analyzer: String,
    pub analyte: String,
    pub title: String,
    /// By month, the oldest first.
    pub counts: Vec<Count>,
}

impl Positive {
    /// The last month.
    #[must_use]
    pub fn now(&self) -> Count {
        self.counts.last().copied().unwrap_or_default()
    }

    /// All months before it together.
    #[must_use]
    pub fn before(&self) -> Count {
        let before = self.counts.iter().rev().skip(1);
        before.fold(Count::default(), |sum, one| Count {
            read: sum.read + one.read,
            positive: sum.positive + one.positive,
        })
    }

    /// By how many percent points the last month is above those before, to one place. None: one of both is empty.
    #[must_use]
    pub fn shift(&self) -> Option<String> {
        let (now, before) = (self.now(), self.before());
        if now.read == 0 || before.read == 0 {
            return None;
        }
        let [n, p, m, q] = [now.read, now.positive, before.read, before.positive].map(i128::from);
        let points = rounded((p * m - q * n) * 1000, n * m);
        let plus = if points > 0 { "+" } else { "" };
        Some(format!("{plus}{}", tenths(points)))
    }
}

/// The list.
#[derive(Clone, Debug, Serialize)]
pub struct Positivity {
    /// The oldest first.
    pub months: Vec<String>,
    #[serde(rename = "items")]
    pub rows: Vec<Positive>,
}

impl Positivity {
    /// A month and so many before it, of all analyzers that are configured here, or of one.
    pub async fn read(
        ledger: &Ledger,
        bench: &Bench,
        month: &Month,
        before: i64,
        analyzer: Option<&str>,
    ) -> Result<Self, StoreError> {
        let months: Vec<Month> = (0..=before).rev().filter_map(|ago| month.later(-ago)).collect();
        let mut rows = rows_of(bench, analyzer, months.len());
        for (nth, month) in months.iter().enumerate() {
            let (first, next) = month.days();
            let mut day = first;
            while day < next {
                for strip in ledger.read_on(&day).await? {
                    count(bench, &strip, nth, &mut rows);
                }
                let Some((_, end)) = bench.clock.day_span(&day) else { break };
                day = bench.clock.day(end);
            }
        }
        let rows = rows.into_values().filter(|row| row.counts.iter().any(|c| c.read > 0));
        let mut rows: Vec<(usize, Positive)> = rows.map(|row| (place(bench, &row), row)).collect();
        rows.sort_by(|(a, x), (b, y)| {
            (&x.analyzer, a, &x.analyte).cmp(&(&y.analyzer, b, &y.analyte))
        });
        let rows = rows.into_iter().map(|(_, row)| row).collect();
        Ok(Self { months: months.into_iter().map(|month| month.name).collect(), rows })
    }
}

type Rows = BTreeMap<(String, String), Positive>;

/// Every pad that can be negative.
fn rows_of(bench: &Bench, analyzer: Option<&str>, months: usize) -> Rows {
    let mut rows = Rows::new();
    for one in bench.analyzers.iter().filter(|a| analyzer.is_none_or(|id| id == a.id)) {
        for pad in one.strips.iter().flat_map(|s| &s.pads).filter(|pad| pad.negatives() > 0) {
            let row = Positive {
                analyzer: one.id.clone(),
                analyte: pad.id.clone(),
                title: pad.title.clone(),
                counts: vec![Count::default(); months],
            };
            rows.entry((one.id.clone(), pad.id.clone())).or_insert(row);
        }
    }
    rows
}

/// Where a pad stands on its strip: rows are in that order.
fn place(bench: &Bench, row: &Positive) -> usize {
    let strips = bench.analyzer(&row.analyzer).map(|a| a.strips.as_slice()).unwrap_or_default();
    let places = strips.iter().filter_map(|s| s.pads.iter().position(|p| p.id == row.analyte));
    places.min().unwrap_or(usize::MAX)
}

fn count(bench: &Bench, read: &ReadStrip, nth: usize, rows: &mut Rows) {
    let Some(analyzer) = bench.analyzer(&read.analyzer) else { return };
    let Some(strip) = analyzer.strips.iter().find(|s| s.id == read.strip) else { return };
    for reading in &read.readings {
        let Some(pad) = reading.analyte.as_deref().and_then(|id| strip.pad(id)) else { continue };
        let Some(positive) = pad.is_positive(reading.rung, reading.grade.as_deref()) else {
            continue;
        };
        let row = rows.get_mut(&(read.analyzer.clone(), pad.id.clone()));
        if let Some(count) = row.and_then(|row| row.counts.get_mut(nth)) {
            count.read += 1;
            count.positive += u64::from(positive);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Count, Positive};

    #[test]
    fn shares_are_exact_to_their_place() {
        // By hand: 1 of 3, 2 of 3, 1 of 8, 1 of 80 (1.25), 1 of 2000 (0.05), all, none.
        for (positive, read, text) in [
            (1, 3, "33.3"),
            (2, 3, "66.7"),
            (1, 8, "12.5"),
            (1, 80, "1.3"),
            (1, 2000, "0.1"),
            (7, 7, "100.0"),
            (0, 9, "0.0"),
        ] {
            assert_eq!(Count { read, positive }.percent().as_deref(), Some(text));
        }
        assert_eq!(Count::default().percent(), None);
    }

    #[test]
    fn a_shift_is_of_all_the_months_before_together() {
        let row = |counts: &[(u64, u64)]| Positive {
            analyzer: "bench-1".into(),
            analyte: "GLU".into(),
            title: "Glucose".into(),
            counts: counts
                .iter()
                .map(|(read, positive)| Count { read: *read, positive: *positive })
                .collect(),
        };
        // By hand: 30 of 200 are 15 %; before 5 of 100 and 15 of 300, together 20 of 400, 5 %.
        assert_eq!(row(&[(100, 5), (300, 15), (200, 30)]).shift().as_deref(), Some("+10.0"));
        // 1 of 3 after 2 of 3: -33.33.
        assert_eq!(row(&[(3, 2), (3, 1)]).shift().as_deref(), Some("-33.3"));
        assert_eq!(row(&[(3, 1), (3, 1)]).shift().as_deref(), Some("0.0"));
        assert_eq!(row(&[(0, 0), (3, 1)]).shift(), None);
        assert_eq!(row(&[(3, 1)]).shift(), None);
    }
}
