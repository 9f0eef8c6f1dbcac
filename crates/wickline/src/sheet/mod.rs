//! The day sheet: every number of a day with its place on the way, what is outstanding and what to do
//! about it, sums that add up, and the closing.

pub mod now;
mod page;
pub mod sums;
pub mod todo;

use std::collections::BTreeMap;

use serde::Serialize;

use self::sums::Counts;
use crate::clock;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::reports::{Item, totals};

/// One line of the sheet.
#[derive(Clone, Debug, Serialize)]
pub struct Line {
    #[serde(flatten)]
    pub item: Item,
    /// What is to be done about it.
    pub todo: Option<String>,
}

impl Line {
    /// A report, and not a number that never came.
    #[must_use]
    pub fn is_heard(&self) -> bool {
        self.item.heard_at.is_some()
    }

    /// Open, and not of those that go on by themselves.
    #[must_use]
    pub fn needs_person(&self) -> bool {
        self.item.is_open() && !todo::goes_by_itself(&self.item)
    }

    /// Number, or the id of a report without one.
    #[must_use]
    pub fn name(&self) -> String {
        self.item.number.clone().unwrap_or_else(|| format!("report {}", self.item.id))
    }

    /// Class and level.
    #[must_use]
    pub fn class(&self) -> String {
        match &self.item.level {
            Some(level) => format!("{} {level}", self.item.class),
            None => self.item.class.clone(),
        }
    }

    /// Where it is at each receiver.
    #[must_use]
    pub fn way(&self) -> String {
        let at = |d: &crate::store::lists::reports::Delivery| format!("{} {}", d.receiver, d.state);
        self.item.deliveries.iter().map(at).collect::<Vec<_>>().join(", ")
    }

    /// What it is about, in a sentence.
    #[must_use]
    pub fn detail(&self) -> String {
        match &self.item.repeat_of {
            Some(of) => format!("same as report {of}"),
            None => self.item.detail.clone().unwrap_or_default(),
        }
    }
}

/// The closing of a day.
#[derive(Clone, Debug, Serialize)]
pub struct Closed {
    pub at: String,
    pub who: String,
    /// The confirmed numbers of each analyzer.
    pub last: BTreeMap<String, Vec<String>>,
    /// What came or became open after it.
    pub after: Vec<String>,
}

/// The sheet of one day.
#[derive(Clone, Debug, Serialize)]
pub struct Sheet {
    #[serde(skip)]
    pub site: String,
    pub date: String,
    /// Of one analyzer alone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub analyzer: Option<String>,
    #[serde(rename = "items")]
    pub lines: Vec<Line>,
    pub totals: BTreeMap<&'static str, u64>,
    pub receivers: BTreeMap<String, Counts>,
    /// What does not add up: the store is not safe.
    pub faults: Vec<String>,
    pub closed: Option<Closed>,
}

impl Sheet {
    /// Reads the sheet of a day, of all analyzers or of one.
    pub async fn read(
        ledger: &Ledger,
        bench: &Bench,
        date: &str,
        analyzer: Option<&str>,
    ) -> Result<Self, StoreError> {
        let items = ledger.day(date, &bench.clock).await?;
        let lines: Vec<Line> = items
            .into_iter()
            .filter(|i| analyzer.is_none_or(|a| a == i.analyzer))
            .map(|item| Line { todo: todo::todo(&item, date), item })
            .collect();
        let closed = ledger.day_closed(date, &bench.clock).await?.map(|(closed, after)| Closed {
            at: bench.clock.rfc3339(closed.at),
            who: closed.who,
            last: closed.last,
            after,
        });
        let (receivers, faults) = sums::receivers(&lines, &bench.targets);
        Ok(Self {
            site: bench.site_name.clone(),
            date: date.to_owned(),
            analyzer: analyzer.map(str::to_owned),
            totals: totals(lines.iter().map(|l| l.item.state.as_str())),
            lines,
            receivers,
            faults,
            closed,
        })
    }

    /// What a person, or time, still has to do something about.
    pub fn open(&self) -> impl Iterator<Item = &Line> {
        self.lines.iter().filter(|l| l.item.is_open())
    }

    /// How many are open and go on by themselves.
    #[must_use]
    pub fn moving(&self) -> usize {
        self.open().filter(|l| !l.needs_person()).count()
    }

    /// What came or became open after the closing.
    pub fn after(&self) -> impl Iterator<Item = &Line> {
        let after = self.closed.as_ref().map(|c| c.after.as_slice()).unwrap_or_default();
        self.lines.iter().filter(|l| after.contains(&l.item.id))
    }

    /// The confirmed numbers of each analyzer, for people.
    #[must_use]
    pub fn last(&self) -> String {
        let one = |(analyzer, numbers): (&String, &Vec<String>)| match numbers.as_slice() {
            [] => format!("{analyzer} none"),
            numbers => format!("{analyzer} {}", numbers.join(" and ")),
        };
        let last = self.closed.iter().flat_map(|c| c.last.iter());
        last.map(one).collect::<Vec<_>>().join(", ")
    }

    /// The sheet on paper. `trail`: the head of the trail when it was printed, where one is kept.
    pub fn html(&self, bench: &Bench, trail: Option<&str>) -> Result<String, askama::Error> {
        page::render(self, bench.clock.rfc3339(clock::now_us()), trail)
    }
}

/// The time of day of a time with its date, for people who know the day; the whole where it is another.
#[must_use]
pub fn time_on(date: &str, time: Option<&str>) -> String {
    match time {
        None => "-".to_owned(),
        Some(time) => match time.strip_prefix(date).and_then(|t| t.get(1..9)) {
            Some(short) => short.to_owned(),
            None => time.to_owned(),
        },
    }
}
