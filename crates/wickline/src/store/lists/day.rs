//! The rows of a day: every report and every number that did not come, in the analyzer's own order.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::fmt;

use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};
use wickline_normalize::account::{
    Account, Counting, Sequence, first_generation, instrument_of, named,
};
use wickline_normalize::number;
use wickline_normalize::rules::Rules;

use crate::clock::SiteClock;
use crate::store::StoreError;
use crate::store::db::list_of;
use crate::store::ledger::Ledger;
use crate::store::lists::reports::{Item, TOGETHER, of_these};
use crate::store::rows::absent::{self, Absence, Absent};
use crate::store::rows::numbering;

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

/// What the rows of numbers that did not come are found by.
#[derive(Clone, Debug)]
pub(crate) struct Key {
    pub sequence: String,
    pub mark: String,
    pub from: i64,
    pub to: i64,
    width: usize,
    /// From before the account.
    pub is_old: bool,
    /// The run as its id tells it: counted from the first of the first instrument on the sheet.
    shown: Run,
}

impl Placed {
    /// The id of some of its numbers, or of all of them.
    pub fn id_of(&self, from: i64, to: i64) -> String {
        let Some(key) = self.row.as_ref().filter(|k| (k.from, k.to) != (from, to)) else {
            return self.item.id.clone();
        };
        let name = range_name(&key.mark, from, to, key.width);
        absent_id(&self.item.analyzer, &name, &key.shown)
    }

    /// The same as people name them.
    pub fn name_of(&self, from: i64, to: i64) -> String {
        let part = self.row.as_ref().filter(|k| (k.from, k.to) != (from, to));
        let part = part.map(|key| range_name(&key.mark, from, to, key.width));
        let name = part.or_else(|| self.item.number.clone()).unwrap_or_else(|| "-".into());
        format!("{name} of {}", self.item.analyzer)
    }
}

/// What stands for a number that did not come, or for several: its name, and in which run it is where that is
/// not the first of its day.
fn absent_id(analyzer: &str, numbers: &str, run: &Run) -> String {
    match (run.generation, run.round) {
        (1, 0) => format!("{analyzer}/{numbers}"),
        (generation, round) => format!("{analyzer}/{numbers}#{generation}.{round}"),
    }
}

fn range_name(mark: &str, from: i64, to: i64, width: usize) -> String {
    let (first, last) = (named(mark, from, width), named(mark, to, width));
    if from == to { first } else { format!("{first}-{last}") }
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
        self.put_in_place(self.reports_of(day).await?, day, clock).await
    }

    /// Some reports of a day with whatever of it a note on them speaks of, and every number that did not come.
    /// `specimens`: also what bears the same specimen id.
    pub(crate) async fn placed_around(
        &self,
        day: &str,
        clock: &SiteClock,
        ids: &[i64],
        specimens: bool,
    ) -> Result<Vec<Placed>, StoreError> {
        let mut rows = self.reports_named(ids).await?;
        let wrong = |e: sqlx::Error| self.wrong(&e);
        let specimen = |row: &AnyRow| row.try_get::<Option<String>, _>("specimen").transpose();
        let same: BTreeSet<String> = match specimens {
            true => rows.iter().filter_map(specimen).collect::<Result<_, _>>().map_err(wrong)?,
            false => BTreeSet::new(),
        };
        let mut around = self.of_specimens(day, &same.into_iter().collect::<Vec<_>>()).await?;
        around.extend(self.correcting(ids).await?);
        around.retain(|n| !ids.contains(n));
        around.sort_unstable();
        around.dedup();
        for row in self.reports_named(&around).await? {
            if row.try_get::<String, _>("day").map_err(wrong)? == day {
                rows.push(row);
            }
        }
        self.put_in_place(rows, day, clock).await
    }

    /// The reports of a day with these specimen ids.
    async fn of_specimens(&self, day: &str, ids: &[String]) -> Result<Vec<i64>, StoreError> {
        let (mut found, mut conn) = (Vec::new(), self.db.read().await?);
        for some in ids.chunks(TOGETHER) {
            let these = list_of(some.len(), 2);
            let sql = format!("SELECT n FROM report WHERE specimen IN ({these}) AND day = $1");
            let query = sqlx::query(AssertSqlSafe(sql)).bind(day.to_owned());
            let query = some.iter().fold(query, |query, id| query.bind(id.clone()));
            let rows = query.fetch_all(&mut conn).await.map_err(|e| self.wrong(&e))?;
            let read = rows.iter().map(|row| row.try_get::<i64, _>(0));
            found.extend(read.collect::<Result<Vec<_>, _>>().map_err(|e| self.wrong(&e))?);
        }
        self.db.give_back(conn).await;
        Ok(found)
    }

    /// The reports that correct some of these, of whatever day.
    async fn correcting(&self, ids: &[i64]) -> Result<Vec<i64>, StoreError> {
        let (mut found, mut conn) = (Vec::new(), self.db.read().await?);
        for some in ids.chunks(TOGETHER) {
            let those = list_of(some.len(), 1);
            let sql = format!("SELECT n FROM report WHERE corrects IN ({those})");
            let rows = of_these(&mut conn, sql, some).await?;
            let read = rows.iter().map(|row| row.try_get::<i64, _>(0));
            found.extend(read.collect::<Result<Vec<_>, _>>().map_err(|e| self.wrong(&e))?);
        }
        self.db.give_back(conn).await;
        Ok(found)
    }

    /// The next reports of a day, as they were heard: so many after this one, each with its time.
    pub(crate) async fn heard_after(
        &self,
        day: &str,
        after: i64,
        most: i64,
    ) -> Result<Vec<(i64, i64)>, StoreError> {
        let mut conn = self.db.read().await?;
        let query = sqlx::query(
            "SELECT n, heard_at FROM report WHERE day = $1 AND n > $2 ORDER BY n LIMIT $3",
        );
        let query = query.bind(day.to_owned()).bind(after).bind(most);
        let rows = query.fetch_all(&mut conn).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = |row: &AnyRow| Ok((row.try_get(0)?, row.try_get(1)?));
        rows.iter().map(read).collect::<Result<_, sqlx::Error>>().map_err(|e| self.wrong(&e))
    }

    async fn put_in_place(
        &self,
        rows: Vec<AnyRow>,
        day: &str,
        clock: &SiteClock,
    ) -> Result<Vec<Placed>, StoreError> {
        let marks = self.marks(day).await?;
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

    pub(crate) async fn absent(
        &self,
        day: &str,
        clock: &SiteClock,
    ) -> Result<Vec<Placed>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = absent::of_day(&mut conn, day).await?;
        self.db.give_back(conn).await;
        let instrument =
            |row: &Absent| instrument_of(Run::of(&row.sequence).unwrap_or_default().generation);
        let mut firsts: BTreeMap<String, u32> = BTreeMap::new();
        for row in &rows {
            let first = firsts.entry(row.analyzer.clone()).or_insert(u32::MAX);
            *first = instrument(row).min(*first);
        }
        let first = |row: &Absent| firsts.get(&row.analyzer).copied().unwrap_or(0);
        let line = |row: Absent| (first(&row), row);
        let lines = joined(rows).into_iter().map(line);
        Ok(lines.map(|(first, row)| absent_line(row, first, clock)).collect())
    }

    /// The latest day on which a number is missing.
    pub(crate) async fn missing_elsewhere(&self, text: &str) -> Result<Option<String>, StoreError> {
        let (mark, value) = Marks::default().split("", text);
        let mut conn = self.db.read().await?;
        let day = absent::latest_day_of(&mut conn, text, (&mark, value)).await?;
        self.db.give_back(conn).await;
        Ok(day)
    }

    /// The marks that the account of each analyzer knows: they say where the digits of a number begin,
    /// here as where it was entered, whatever the configuration says now.
    pub(crate) async fn marks(&self, day: &str) -> Result<Marks, StoreError> {
        let mut conn = self.db.read().await?;
        let runs = numbering::of_day(&mut conn, day).await?;
        self.db.give_back(conn).await;
        let mut of: BTreeMap<String, Vec<Sequence>> = BTreeMap::new();
        let mut marks = Marks::default();
        for (analyzer, run) in runs {
            marks.known.entry(analyzer.clone()).or_default().insert(run.mark.clone());
            of.entry(analyzer).or_default().push(run);
        }
        for (analyzer, runs) in of {
            let account = Account::new(Counting::default(), runs);
            for (mark, day, generation) in account.asides() {
                marks.asides.insert((analyzer.clone(), mark.into(), day.into(), generation));
            }
        }
        Ok(marks)
    }
}

/// The marks of each analyzer, and which runs are none that it goes on with.
#[derive(Debug, Default)]
pub(crate) struct Marks {
    known: BTreeMap<String, HashSet<String>>,
    asides: HashSet<(String, String, String, u32)>,
}

impl Marks {
    /// Whether a number was used a second time, by a strip that was run under it.
    pub fn is_aside(&self, analyzer: &str, spot: &Spot) -> bool {
        let Spot { mark, run, .. } = spot;
        let (analyzer, mark, day) = (analyzer.to_owned(), mark.clone(), run.day.clone());
        self.asides.contains(&(analyzer, mark, day, run.generation))
    }

    /// A number in mark and value: the longest mark that the account knows, else what stands before
    /// the digits.
    pub fn split(&self, analyzer: &str, text: &str) -> (String, Option<i64>) {
        /// Digits that can be counted on.
        const DIGITS: usize = 9;
        let tail = text.bytes().rev().take_while(u8::is_ascii_digit).take(DIGITS).count();
        let known = self.known.get(analyzer);
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

/// Ranges that follow each other, and of which the same is known, are one.
fn joined(rows: Vec<Absent>) -> Vec<Absent> {
    let mut joined: Vec<Absent> = Vec::new();
    for row in rows {
        let follows = |before: &&mut Absent| {
            let of = |r: &Absent| (r.analyzer.clone(), r.sequence.clone(), r.mark.clone());
            let known = |r: &Absent| (r.state, r.reason, r.why.clone(), r.class.clone());
            let range = row.reason != Absence::LastUnknown && row.from == before.to + 1;
            range && of(before) == of(&row) && known(before) == known(&row)
        };
        match joined.last_mut().filter(follows) {
            Some(before) => before.to = row.to,
            None => joined.push(row),
        }
    }
    joined
}

fn absent_line(row: Absent, first: u32, clock: &SiteClock) -> Placed {
    let run = Run::of(&row.sequence).unwrap_or_default();
    let before = first_generation(first) - first_generation(0);
    let shown = Run { generation: run.generation.saturating_sub(before), ..run.clone() };
    let is_old = row.is_old();
    let key = Key {
        sequence: row.sequence.clone(),
        mark: row.mark.clone(),
        from: row.from,
        to: row.to,
        width: row.width,
        is_old,
        shown,
    };
    let (mark, value) = if is_old {
        let old = number::split(&row.number, &Rules::default());
        (old.mark, old.value.unwrap_or(-1))
    } else {
        (row.mark, row.from)
    };
    let number = if row.from == row.to {
        row.number
    } else {
        // The first stands as it was told.
        format!("{}-{}", row.number, named(&mark, row.to, row.width))
    };
    let noticed = clock.time_of_day(row.noticed_at);
    let count = row.to - row.from + 1;
    let item = Item {
        id: absent_id(&row.analyzer, &number, &key.shown),
        detail: Some(row.why.unwrap_or_else(|| absence(row.reason, &number, count, &noticed))),
        number: Some(number),
        numbers: Some(count),
        class: row.class,
        state: row.state.into(),
        reason: Some(row.reason.code().to_owned()),
        analyzer: row.analyzer,
        ..Item::default()
    };
    Placed {
        item,
        spot: Some(Spot { mark, run, value }),
        counted: true,
        row: Some(key),
        n: 0,
        at: row.noticed_at,
        last_unknown: row.reason == Absence::LastUnknown,
    }
}

/// Why a number stands on the sheet that nobody heard, or several.
fn absence(reason: Absence, number: &str, count: i64, noticed: &str) -> String {
    let (which, was) = match count {
        1 => (format!("number {number}"), "was"),
        _ => (format!("{count} numbers"), "were"),
    };
    match reason {
        Absence::Unknown => {
            format!("{which} may have gone by while nobody listened; noticed at {noticed}")
        }
        Absence::LastUnknown => {
            format!("nobody listened {number}, so that it may not have been the last one")
        }
        Absence::Skipped => format!("{which} {was} skipped; noticed at {noticed}"),
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
        marks.known.insert("bench-1".into(), known.into());
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
