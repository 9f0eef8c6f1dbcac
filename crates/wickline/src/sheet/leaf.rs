//! One leaf of the day sheet, for a page: the sums of the whole day, what needs a person, and so many of its lines. A
//! day of any length costs about the same.

use std::collections::BTreeSet;

use super::barriers;
use super::{Line, Sheet, Waits, ids, notes, seconds, sums, waited_for, waits};
use crate::settings::bench::{Bench, Second};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::day::Placed;
use crate::store::lists::kinds::Kind;
use crate::store::lists::reports::Item;

/// Lines of a leaf, and of what needs a person.
pub const MOST: usize = 200;

/// One leaf.
#[derive(Clone, Debug)]
pub struct Leaf {
    /// The sums and what stands around the lines, of the whole day; its own lines are those of this leaf.
    pub sheet: Sheet,
    /// Whether anything stands on the sheet.
    pub is_empty: bool,
    /// What needs a person, of the whole day: the first of them, and how many more there are.
    pub open: Vec<Line>,
    pub more: u64,
    /// What only waits, of the whole day.
    pub waits: Vec<Waits>,
    /// After which report the next leaf begins, where there is one.
    pub next: Option<i64>,
}

/// Which reports a leaf shows, and between which times the numbers that never came were noticed.
struct Stretch {
    reports: Vec<i64>,
    since: Option<i64>,
    until: Option<i64>,
    next: Option<i64>,
}

impl Stretch {
    /// The reports after one of them, as they were heard.
    async fn read(
        ledger: &Ledger,
        date: &str,
        after: i64,
        most: usize,
    ) -> Result<Self, StoreError> {
        let one_more = i64::try_from(most).unwrap_or(i64::MAX).saturating_add(1);
        let mut heard = ledger.heard_after(date, after, one_more).await?;
        let further = heard.len() > most;
        heard.truncate(most);
        let before = ledger.heard_after(date, after.saturating_sub(1), 1).await?;
        let since = before.first().filter(|(n, _)| *n == after).map(|(_, at)| *at);
        let last = heard.last().filter(|_| further);
        Ok(Self {
            since,
            until: last.map(|(_, at)| *at),
            next: last.map(|(n, _)| *n),
            reports: heard.into_iter().map(|(n, _)| n).collect(),
        })
    }

    fn has(&self, placed: &Placed) -> bool {
        if placed.n > 0 {
            return self.reports.contains(&placed.n);
        }
        let began = self.since.is_none_or(|since| placed.at > since);
        began && self.until.is_none_or(|until| placed.at <= until)
    }
}

impl Leaf {
    /// The leaf of a day after this report; 0: the first.
    pub async fn read(
        ledger: &Ledger,
        bench: &Bench,
        date: &str,
        after: i64,
    ) -> Result<Self, StoreError> {
        Self::of(ledger, bench, date, (after, MOST)).await
    }

    /// The same with so many lines.
    pub(crate) async fn of(
        ledger: &Ledger,
        bench: &Bench,
        date: &str,
        stretch: (i64, usize),
    ) -> Result<Self, StoreError> {
        let kinds = ledger.day_kinds(date, &bench.clock).await?;
        let mut sheet = Sheet::without_lines(ledger, bench, date, None, &[]).await?;
        sheet.barriers =
            barriers::barriers(ledger, bench, waited_for(kinds.iter().map(|k| &k.item))).await?;
        let absent = ledger.absent(date, &bench.clock).await?.into_iter().map(|p| p.item);
        let all = kinds.iter().map(|k| k.item.clone()).chain(absent);
        let bare = |item: Item| Line { item, ..Line::default() };
        let mut all: Vec<Line> = all.map(bare).collect();
        sheet.sum(sums::of(&mut all, &bench.targets));
        let mut leaf = Self {
            is_empty: all.is_empty(),
            open: Vec::new(),
            more: all.iter().filter(|l| l.needs_person()).map(Line::count).sum(),
            waits: waits(all.iter().map(|l| &l.item), &sheet.barriers),
            next: None,
            sheet,
        };
        let open = open(ledger, date, &kinds, &all).await?;
        leaf.fill(ledger, bench, &open, stretch).await?;
        Ok(leaf)
    }

    /// Reads the lines that are shown, each once.
    async fn fill(
        &mut self,
        ledger: &Ledger,
        bench: &Bench,
        open: &BTreeSet<i64>,
        (after, most): (i64, usize),
    ) -> Result<(), StoreError> {
        let date = self.sheet.date.clone();
        let stretch = Stretch::read(ledger, &date, after, most).await?;
        let shown: BTreeSet<i64> = open.iter().chain(&stretch.reports).copied().collect();
        let shown: Vec<i64> = shown.into_iter().collect();
        let specimens = bench.second != Second::Send;
        let placed = ledger.placed_around(&date, &bench.clock, &shown, specimens).await?;
        let here: Vec<bool> = placed.iter().map(|p| stretch.has(p)).collect();
        let wanted: Vec<bool> = placed.iter().map(|p| p.n == 0 || open.contains(&p.n)).collect();
        let items: Vec<Item> = placed.into_iter().map(|p| p.item).collect();
        let seconds = seconds(bench, &items);
        let line = |item: Item| Line::of(item, &date, &self.sheet.barriers);
        let mut lines: Vec<Line> = items.into_iter().map(line).collect();
        let beside = ledger.beside_lines(&ids(&lines)).await?;
        notes::write(&mut lines, &beside, &seconds);
        // Of these lines alone: for the one word that is said of each.
        sums::of(&mut lines, &bench.targets);
        for ((line, here), wanted) in lines.into_iter().zip(here).zip(wanted) {
            if wanted && line.needs_person() && self.open.len() < MOST {
                self.more = self.more.saturating_sub(line.count());
                self.open.push(line.clone());
            }
            if here {
                self.sheet.lines.push(line);
            }
        }
        self.next = stretch.next;
        Ok(())
    }
}

/// The first reports of the kinds that need a person. `lines`: what the sums made of the kinds.
async fn open(
    ledger: &Ledger,
    date: &str,
    kinds: &[Kind],
    lines: &[Line],
) -> Result<BTreeSet<i64>, StoreError> {
    let mut found = BTreeSet::new();
    for (kind, _) in kinds.iter().zip(lines).filter(|(_, line)| line.needs_person()) {
        let room = i64::try_from(MOST.saturating_sub(found.len())).unwrap_or(0);
        if room > 0 {
            found.extend(ledger.of_kind(date, kind, room).await?);
        }
    }
    Ok(found)
}
