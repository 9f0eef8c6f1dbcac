//! The rows of a day: every report and every number that did not come, in the analyzer's own order.

use std::cmp::Reverse;
use std::collections::{BTreeMap, HashSet};
use std::fmt;

use sqlx::Row;
use sqlx::any::AnyRow;
use wickline_normalize::number;
use wickline_normalize::rules::Rules;

use crate::clock::SiteClock;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::reports::Item;

/// Where a number stands among those of its analyzer: without a mark first, then as counted.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Spot {
    pub mark: String,
    /// Day, generation and round: what tells a number from the same one of another run.
    pub run: Run,
    /// -1: what follows the mark is no number.
    pub value: i64,
}

/// Numbers that begin and end together.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Run {
    pub day: String,
    pub generation: u32,
    pub round: i64,
}

impl Run {
    /// From the text that the rows have: `2026-03-14#1.0`.
    fn of(text: &str) -> Option<Self> {
        let (day, rest) = text.rsplit_once('#')?;
        let (generation, round) = rest.split_once('.')?;
        let (generation, round) = (generation.parse().ok()?, round.parse().ok()?);
        Some(Self { day: day.to_owned(), generation, round })
    }
}

impl fmt::Display for Run {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}#{}.{}", self.day, self.generation, self.round)
    }
}

/// One line of the sheet with its place.
#[derive(Clone, Debug)]
pub(crate) struct Placed {
    pub item: Item,
    /// None: a report without a number.
    pub spot: Option<Spot>,
    /// The number was entered in the account.
    pub counted: bool,
    /// The key of the row of a number that did not come.
    pub row: Option<Key>,
    /// The row of a report: where it is among all of them.
    pub n: i64,
    /// When it was heard, or noticed that it did not come.
    pub at: i64,
    /// The account cannot tell whether anything followed this number.
    pub last_unknown: bool,
}

/// What the row of a number that did not come is found by.
#[derive(Clone, Debug)]
pub(crate) struct Key {
    pub sequence: String,
    pub mark: String,
    pub value: i64,
}

impl Ledger {
    /// Every report of a local day and every number that did not come, in the order of the numbers.
    pub async fn day(&self, day: &str, clock: &SiteClock) -> Result<Vec<Item>, StoreError> {
        Ok(self.placed(day, clock).await?.into_iter().map(|p| p.item).collect())
    }

    /// The same with their places.
    pub(crate) async fn placed(
        &self,
        day: &str,
        clock: &SiteClock,
    ) -> Result<Vec<Placed>, StoreError> {
        let marks = self.marks(day).await?;
        let rows = self.reports_of(day).await?;
        let mut placed =
            rows.iter().map(|row| report(row, clock, &marks)).collect::<Result<Vec<_>, _>>()?;
        let mut items: Vec<Item> = placed.iter().map(|p| p.item.clone()).collect();
        self.attach(&mut items, clock).await?;
        for (one, item) in placed.iter_mut().zip(items) {
            one.item = item;
        }
        placed.extend(self.absent(day, clock).await?);
        sort(&mut placed);
        Ok(placed)
    }

    async fn absent(&self, day: &str, clock: &SiteClock) -> Result<Vec<Placed>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(
            "SELECT analyzer, sequence, mark, value, number, class, state, reason, why, noticed_at \
             FROM absent WHERE day = $1 AND state <> 'heard'",
        )
        .bind(day)
        .fetch_all(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = |row: &AnyRow| absent(row, clock);
        rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| self.wrong(&e))
    }

    /// The marks that the account of each analyzer knows: they say where the digits of a number begin,
    /// here as where it was entered, whatever the configuration says now.
    pub(crate) async fn marks(&self, day: &str) -> Result<Marks, StoreError> {
        let mut conn = self.db.read().await?;
        let rows =
            sqlx::query("SELECT DISTINCT analyzer, mark FROM numbering WHERE day = $1 OR day = ''")
                .bind(day)
                .fetch_all(&mut conn)
                .await
                .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let mut marks = Marks::default();
        for row in rows {
            let read = || Ok((row.try_get("analyzer")?, row.try_get("mark")?));
            let (analyzer, mark): (String, String) = read().map_err(|e| self.wrong(&e))?;
            marks.0.entry(analyzer).or_default().insert(mark);
        }
        Ok(marks)
    }
}

/// The marks of each analyzer.
#[derive(Debug, Default)]
pub(crate) struct Marks(BTreeMap<String, HashSet<String>>);

impl Marks {
    /// A number in mark and value: the longest mark that the account knows, else what stands before
    /// the digits.
    pub fn split(&self, analyzer: &str, text: &str) -> (String, Option<i64>) {
        /// Digits that can be counted on.
        const DIGITS: usize = 9;
        let tail = text.bytes().rev().take_while(u8::is_ascii_digit).take(DIGITS).count();
        let known = self.0.get(analyzer);
        for digits in 1..=tail {
            let (mark, value) = text.split_at(text.len() - digits);
            if known.is_some_and(|k| k.contains(mark)) {
                return (mark.to_owned(), value.parse().ok());
            }
        }
        let number = number::split(text, &Rules::default());
        (number.mark, number.value)
    }
}

fn report(row: &AnyRow, clock: &SiteClock, marks: &Marks) -> Result<Placed, StoreError> {
    let item = crate::store::lists::reports::item(row, clock)?;
    placed(row, item, marks).map_err(|e| StoreError::from_sql("the ledger", &e))
}

fn placed(row: &AnyRow, item: Item, marks: &Marks) -> Result<Placed, sqlx::Error> {
    let (day, sequence): (String, Option<String>) = (row.try_get("day")?, row.try_get("sequence")?);
    let run = sequence.as_deref().and_then(Run::of);
    let spot = item.number.as_deref().map(|text| {
        let (mark, value) = marks.split(&item.analyzer, text);
        // Rows from before the account have none.
        let run = run.clone().unwrap_or(Run { day, generation: 1, round: 0 });
        Spot { mark, run, value: value.unwrap_or(-1) }
    });
    Ok(Placed {
        counted: run.is_some(),
        row: None,
        spot,
        n: row.try_get("n")?,
        at: row.try_get("heard_at")?,
        last_unknown: false,
        item,
    })
}

fn absent(row: &AnyRow, clock: &SiteClock) -> Result<Placed, sqlx::Error> {
    let (analyzer, number): (String, String) = (row.try_get("analyzer")?, row.try_get("number")?);
    let (reason, why): (String, Option<String>) = (row.try_get("reason")?, row.try_get("why")?);
    let (mark, value): (String, i64) = (row.try_get("mark")?, row.try_get("value")?);
    let sequence: String = row.try_get("sequence")?;
    let at: i64 = row.try_get("noticed_at")?;
    let key = Key { sequence: sequence.clone(), mark: mark.clone(), value };
    // Rows from before the account have the number as their mark.
    let (mark, value) = if value == 0 && mark == number {
        let old = number::split(&number, &Rules::default());
        (old.mark, old.value.unwrap_or(-1))
    } else {
        (mark, value)
    };
    let run = Run::of(&sequence).unwrap_or_default();
    let apart = if (run.generation, run.round) == (1, 0) {
        String::new()
    } else {
        format!("#{}.{}", run.generation, run.round)
    };
    let item = Item {
        id: format!("{analyzer}/{number}{apart}"),
        detail: Some(why.unwrap_or_else(|| absence(&reason, &number, &clock.time_of_day(at)))),
        number: Some(number),
        class: row.try_get("class")?,
        state: row.try_get("state")?,
        reason: Some(reason.clone()),
        analyzer,
        ..Item::default()
    };
    Ok(Placed {
        item,
        spot: Some(Spot { mark, run, value }),
        counted: true,
        row: Some(key),
        n: 0,
        at,
        last_unknown: reason == "last-unknown",
    })
}

/// Why a number stands on the sheet that nobody heard.
fn absence(reason: &str, number: &str, noticed: &str) -> String {
    match reason {
        "number-unknown" => {
            format!("number {number} may have gone by while nobody listened; noticed at {noticed}")
        }
        "last-unknown" => {
            format!("nobody listened {number}, so that it may not have been the last one")
        }
        _ => format!("number {number} was skipped; noticed at {noticed}"),
    }
}

/// By analyzer, then as counted, then as heard; what has no number comes last, as heard; a repeat
/// stands with what it repeats.
fn sort(placed: &mut [Placed]) {
    let first: BTreeMap<String, (Option<Spot>, i64, i64)> = placed
        .iter()
        .filter(|p| p.item.heard_at.is_some())
        .map(|p| (p.item.id.clone(), (p.spot.clone(), p.at, p.n)))
        .collect();
    placed.sort_by_cached_key(|p| {
        let repeated = p.item.repeat_of.as_ref().and_then(|of| first.get(of));
        let own = (p.spot.clone(), p.at, p.n);
        let (spot, at, n) = repeated.cloned().unwrap_or(own);
        (p.item.analyzer.clone(), Reverse(spot.is_some()), spot, p.last_unknown, at, n, p.n)
    });
}

#[cfg(test)]
mod tests {
    use super::{Marks, Run};

    #[test]
    fn a_number_is_split_as_the_account_entered_it() {
        let mut marks = Marks::default();
        let known = ["", "Q1", "Q", "9"].map(str::to_owned);
        marks.0.insert("bench-1".into(), known.into());
        for (text, mark, value) in [
            ("0058", "", Some(58)),
            ("Q1003", "Q1", Some(3)),
            ("Q2003", "Q", Some(2003)),
            ("90012", "9", Some(12)),
            ("S-12", "S-", Some(12)),
            ("12A", "12A", None),
            ("é1234567890", "é", None),
            ("", "", None),
        ] {
            assert_eq!(marks.split("bench-1", text), (mark.to_owned(), value), "{text}");
        }
        assert_eq!(marks.split("bench-2", "Q1003"), ("Q".to_owned(), Some(1003)));
        let run = Run { day: "2026-03-14".into(), generation: 2, round: -1 };
        assert_eq!(Run::of("2026-03-14#2.-1"), Some(run));
        assert_eq!(Run::of("else"), None);
    }
}
