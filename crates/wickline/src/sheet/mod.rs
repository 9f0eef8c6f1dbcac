//! The day sheet: every number of a day with its place on the way, what is outstanding and what to do
//! about it, sums that add up, and the closing.

pub mod barriers;
pub mod calls;
mod cared;
pub mod leaf;
mod line_queries;
pub mod meant;
mod notes;
pub mod now;
mod page;
pub mod positivity;
mod refusals;
pub mod sums;
pub mod todo;

use std::collections::BTreeMap;
use std::fmt;

use serde::Serialize;

use self::barriers::Barriers;
use self::sums::{Counts, Sums};
use self::todo::Todo;
use crate::acts::reviewing::Month;
use crate::clock;
use crate::settings::bench::{Bench, Second};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::day::Placed;
use crate::store::lists::orders::{AskedOrders, OrderView};
use crate::store::lists::reports::{Delivery, Item};
use crate::store::lists::sheet::OpenDay;
use crate::store::rows::order::called;
use crate::store::state::State;
use crate::texts::{Said, say};

/// One line of the sheet.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Line {
    #[serde(flatten)]
    pub item: Item,
    /// What was done to it, and what control material read.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<Said>,
    /// What is to be done about it.
    pub todo: Option<Todo>,
}

impl Line {
    /// A line of a list that has no notes.
    #[must_use]
    pub fn of(item: Item, date: &str, barriers: &Barriers) -> Self {
        Self { todo: todo::todo(&item, date, barriers), item, notes: Vec::new() }
    }

    /// A report, and not a number that never came.
    #[must_use]
    pub fn is_heard(&self) -> bool {
        self.item.heard_at.is_some()
    }

    /// How many reports or numbers it stands for.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.item.numbers.and_then(|n| u64::try_from(n).ok()).unwrap_or(1)
    }

    /// Open, and not of those that only wait for their receivers.
    #[must_use]
    pub fn needs_person(&self) -> bool {
        self.item.is_open() && !todo::only_waits(&self.item)
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
        let at = |d: &Delivery| format!("{} {}", d.receiver, d.state.shown(d.on_hold));
        self.item.deliveries.iter().map(at).collect::<Vec<_>>().join(", ")
    }

    /// Its notes in one text.
    #[must_use]
    pub fn noted(&self) -> Said {
        Said::list("; ", self.notes.iter().cloned())
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
#[derive(Clone, Debug, Default, Serialize)]
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
    pub faults: Vec<Said>,
    pub closed: Option<Closed>,
    /// On today's sheet: earlier days with something open.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub earlier: Vec<OpenDay>,
    /// What the stores have to tell of themselves until a person lifts it: any day may lack something.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub notices: Vec<Said>,
    /// The instruments that took another's place on this day.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub replaced: Vec<Said>,
    /// What analyzers asked on their lines, and what was said to it.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub questions: Vec<Said>,
    /// Who was turned away from lines, whose strips were not heard.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub turned_away: Vec<Said>,
    /// Orders whose time was over on this day, and whose strips never came.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub unheard: Vec<Unheard>,
    /// Who signed for the controls of its month, once somebody did.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub review: Option<Said>,
    /// What was done for the analyzers, and what of each day's care nobody signed.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub care: Vec<Said>,
    /// How many reports and numbers are open.
    #[serde(skip)]
    pub outstanding: u64,
    /// Why nothing goes to a receiver that something waits for.
    #[serde(skip)]
    pub barriers: Barriers,
}

/// An order whose strip never came.
#[derive(Clone, Debug, Serialize)]
pub struct Unheard {
    pub order: String,
    pub source: String,
    pub specimens: Vec<String>,
    pub received: String,
}

impl Unheard {
    /// In a sentence.
    #[must_use]
    pub fn words(&self) -> Said {
        let Self { order, source, specimens, received: at } = self;
        let of = match specimens.is_empty() {
            true => say!("noted.no_id"),
            false => specimens.join(", ").into(),
        };
        say!("noted.unheard", order = order, source = source, of = of, at = at)
    }
}

impl fmt::Display for Unheard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.words().fmt(f)
    }
}

/// Messages that wait for one receiver.
#[derive(Clone, Debug)]
pub struct Waits {
    pub receiver: String,
    pub count: i64,
    /// Whether they go by themselves, or what stands in the way.
    pub words: Said,
    pub command: Option<String>,
}

impl Sheet {
    /// Reads the sheet of a day, of all analyzers or of one.
    pub async fn read(
        ledger: &Ledger,
        bench: &Bench,
        date: &str,
        analyzer: Option<&str>,
    ) -> Result<Self, StoreError> {
        let placed = ledger.placed(date, &bench.clock).await?;
        let mut sheet = Self::without_lines(ledger, bench, date, analyzer, &placed).await?;
        let items: Vec<Item> = placed.into_iter().map(|p| p.item).collect();
        let seconds = seconds(bench, &items);
        let items: Vec<Item> =
            items.into_iter().filter(|i| analyzer.is_none_or(|a| a == i.analyzer)).collect();
        sheet.barriers = barriers::barriers(ledger, bench, waited_for(&items)).await?;
        let mut lines: Vec<Line> =
            items.into_iter().map(|item| Line::of(item, date, &sheet.barriers)).collect();
        let beside = ledger.beside_lines(&ids(&lines)).await?;
        notes::write(&mut lines, &beside, &seconds);
        sheet.sum(sums::of(&mut lines, &bench.targets));
        sheet.lines = lines;
        if date == bench.clock.day(clock::now_us()) && analyzer.is_none() {
            sheet.earlier = ledger.open_before(date).await?;
        }
        Ok(sheet)
    }

    /// What stands around the lines of a day. `placed`: what is looked at for having come after the closing.
    async fn without_lines(
        ledger: &Ledger,
        bench: &Bench,
        date: &str,
        analyzer: Option<&str>,
        placed: &[Placed],
    ) -> Result<Self, StoreError> {
        let closed = ledger.day_closed(date).await?.map(|closed| Closed {
            at: bench.clock.rfc3339(closed.at),
            after: closed.after(placed),
            who: closed.who,
            last: closed.last,
        });
        let notices = ledger.notices().await?;
        Ok(Self {
            site: bench.site_name.clone(),
            date: date.to_owned(),
            analyzer: analyzer.map(str::to_owned),
            closed,
            notices: notices.iter().map(|notice| notice.words(&bench.clock)).collect(),
            replaced: replaced(ledger, bench, date, analyzer).await?,
            questions: line_queries::told(ledger, date, analyzer).await?,
            turned_away: refusals::told(ledger, &bench.clock, date, analyzer).await?,
            unheard: unheard(ledger, bench, date, analyzer).await?,
            review: review(ledger, bench, date).await?,
            care: cared::told(ledger, bench, date, analyzer).await?,
            ..Self::default()
        })
    }

    fn sum(&mut self, sums: Sums) {
        let Sums { totals, receivers, faults, outstanding } = sums;
        self.totals = totals;
        self.receivers = receivers;
        self.faults = faults;
        self.outstanding = outstanding;
    }

    /// What a person, or time, still has to do something about.
    pub fn open(&self) -> impl Iterator<Item = &Line> {
        self.lines.iter().filter(|l| l.item.is_open())
    }

    /// What only waits, by receiver.
    #[must_use]
    pub fn waits(&self) -> Vec<Waits> {
        waits(self.lines.iter().map(|l| &l.item), &self.barriers)
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

/// Of each report whose specimen has another result on this day, that other one: where a laboratory does not send
/// second results by itself.
fn seconds(bench: &Bench, items: &[Item]) -> BTreeMap<String, Said> {
    if bench.second == Second::Send { BTreeMap::new() } else { notes::seconds(items) }
}

/// The reports among lines.
fn ids(lines: &[Line]) -> Vec<i64> {
    lines.iter().filter(|l| l.is_heard()).filter_map(|l| l.item.id.parse().ok()).collect()
}

/// Orders are nobody's analyzer: the sheet of one alone says nothing of them.
async fn unheard(
    ledger: &Ledger,
    bench: &Bench,
    date: &str,
    analyzer: Option<&str>,
) -> Result<Vec<Unheard>, StoreError> {
    let span = bench.clock.day_span(date).filter(|_| bench.has_orders() && analyzer.is_none());
    let Some((from, to)) = span else { return Ok(Vec::new()) };
    let asked = AskedOrders::Expired(from.div_euclid(1_000_000), to.div_euclid(1_000_000));
    let one = |view: OrderView| {
        let order = view.kept.order;
        let specimens = order.wanted.iter().flat_map(|wanted| &wanted.specimens);
        Unheard {
            order: called(&order.key).to_owned(),
            specimens: specimens.map(|id| id.expose().to_owned()).collect(),
            received: bench.clock.rfc3339(order.received.saturating_mul(1_000_000)),
            source: order.key.source,
        }
    };
    Ok(ledger.orders(&asked).await?.into_iter().map(one).collect())
}

/// Only a month that somebody signed for is looked at.
async fn review(ledger: &Ledger, bench: &Bench, date: &str) -> Result<Option<Said>, StoreError> {
    let Some(month) = Month::of_day(date) else { return Ok(None) };
    if !ledger.is_reviewed(&month).await? {
        return Ok(None);
    }
    Ok(ledger.review(&bench.clock, &month).await?.words())
}

/// In words, by analyzer: its numbers of this day begin anew there.
async fn replaced(
    ledger: &Ledger,
    bench: &Bench,
    date: &str,
    analyzer: Option<&str>,
) -> Result<Vec<Said>, StoreError> {
    let mut words = Vec::new();
    for one in bench.analyzers.iter().filter(|a| analyzer.is_none_or(|id| id == a.id)) {
        let all = ledger.instruments(one).await?;
        let of_day = all.replacements().iter().filter(|i| bench.clock.day(i.since) == date);
        words.extend(of_day.map(|i| {
            let (id, now, before) = (&one.id, i.told(&bench.clock), all.before(i));
            let before = match before.serial.as_str() {
                "" => say!("noted.no_serial"),
                _ => before.told(&bench.clock),
            };
            say!("noted.replaced", id = id, now = now, before = before)
        }));
    }
    Ok(words)
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

/// The receivers that something waits for.
pub fn waited_for<'a>(items: impl IntoIterator<Item = &'a Item>) -> impl Iterator<Item = &'a str> {
    let waits = |d: &&Delivery| d.state == State::Waiting;
    let all = items.into_iter().flat_map(move |i| i.deliveries.iter().filter(waits));
    all.map(|d| d.receiver.as_str()).collect::<std::collections::BTreeSet<_>>().into_iter()
}

/// What only waits for its receivers: their count, and whether time is all that it takes.
pub fn waits<'a>(items: impl Iterator<Item = &'a Item>, barriers: &Barriers) -> Vec<Waits> {
    let mut counts: BTreeMap<&str, i64> = BTreeMap::new();
    for item in items.filter(|i| i.is_open() && todo::only_waits(i)) {
        for delivery in item.deliveries.iter().filter(|d| d.state == State::Waiting) {
            *counts.entry(&delivery.receiver).or_default() += item.numbers.unwrap_or(1);
        }
    }
    let of = |(receiver, count): (&str, i64)| {
        let (words, command) = match barriers.get(receiver) {
            Some(barrier) => (barrier.words.clone(), barrier.command.clone()),
            None => (say!("todo.they_go", receiver = receiver), Some("wickline queue".into())),
        };
        Waits { receiver: receiver.to_owned(), count, words, command }
    };
    counts.into_iter().map(of).collect()
}
