//! Closing a day: the last number of each analyzer is confirmed by a person, and what did not come is
//! explained. Both are acts: a change of rows and a trail row together.

use std::collections::BTreeMap;

use wickline_normalize::Class;
use wickline_normalize::account::{Account, Told, instrument_of};
use wickline_normalize::number;

use crate::acts::facts::refused;
use crate::acts::instruments::{counted, instruments};
use crate::acts::numbers::{self, Gap};
use crate::clock;
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::lists::day::{Marks, Placed, Run};
use crate::store::lists::reports::Item;
use crate::store::rows::absent::{self, Absence};
pub use crate::store::rows::closing::Closed;
use crate::store::rows::{closing, kept};
use crate::store::state::NumberState;
use crate::store::trail::Act;
use crate::store::trail::Actor;
use crate::store::trail::record;
use crate::texts::{Said, say, way};

/// What a person confirms of one analyzer: the last number that it shows, or that it shows none.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Confirmed {
    pub analyzer: String,
    pub last: Option<String>,
}

/// What became of closing a day.
#[derive(Clone, Debug)]
pub enum Closing {
    Closed {
        /// It was closed before.
        again: bool,
    },
    /// These were given out and did not come: they are on the sheet now, and the day is not closed.
    Entered(Vec<(String, Vec<Gap>)>),
    /// These would make many numbers missing: nothing was changed, they are to be given again.
    Unsure(Vec<Unsure>),
    /// These need a person first.
    Outstanding(Vec<Item>),
}

/// More numbers than this become missing by a confirmed number only if it is given a second time. Our own
/// choice, no source.
const SURE: i64 = 5;

/// A confirmed number that would make many others missing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unsure {
    pub analyzer: String,
    pub last: String,
    pub gaps: Vec<Gap>,
}

impl Closed {
    /// Which lines came or became open after it.
    pub(crate) fn after(&self, placed: &[Placed]) -> Vec<String> {
        let after = placed.iter().filter(|p| self.is_before(p) || p.item.is_open());
        after.map(|p| p.item.id.clone()).collect()
    }

    /// Whether this came onto the sheet after the closing.
    fn is_before(&self, placed: &Placed) -> bool {
        if placed.n > 0 { placed.n > self.reports } else { placed.at > self.at }
    }
}

/// The last that was heard on a day of one analyzer and mark.
#[derive(Clone, Debug)]
struct LastHeard {
    run: Run,
    value: i64,
    number: String,
}

/// What was heard last, by analyzer and mark.
type Ends = BTreeMap<(String, String), LastHeard>;

/// What was heard last of each mark.
#[derive(Debug, Default)]
struct Last {
    /// Of the numbers that the analyzer goes on with, as far as the account knows.
    on: Ends,
    /// Of strips that a person said were runs of their own: it may have begun again with one of them.
    asides: Vec<((String, String), LastHeard)>,
}

/// One confirmation against what was heard.
struct Checked<'a> {
    analyzer: &'a str,
    mark: String,
    number: Option<&'a str>,
    value: i64,
    heard: Option<LastHeard>,
    /// The analyzer shows a number of a run that the account did not know to go on.
    aside: bool,
    /// The number itself is on the sheet of this day.
    on_sheet: bool,
}

impl Ledger {
    /// A day as it was closed.
    pub async fn day_closed(&self, day: &str) -> Result<Option<Closed>, StoreError> {
        let mut conn = self.db.read().await?;
        let closed = closing::of_day(&mut conn, day).await?;
        self.db.give_back(conn).await;
        Ok(closed)
    }

    /// Closes a day, if each analyzer's last number is confirmed and nothing is outstanding. `again`: what was
    /// given a second time.
    pub async fn day_close(
        &self,
        bench: &Bench,
        actor: &Actor,
        day: &str,
        confirmed: &[Confirmed],
        again: &[Confirmed],
    ) -> Result<Closing, StoreError> {
        if day > bench.clock.day(clock::now_us()).as_str() {
            return Err(refused(say!("no.close_early", day = day)));
        }
        let mut write = self.act().await?;
        let reports = closing::hold_off(&mut write).await?;
        let placed = self.placed(day, &bench.clock).await?;
        let marks = self.marks(day).await?;
        let last = last_heard(&placed, &marks, day);
        let checked = checked(bench, &marks, &last, &placed, confirmed)?;
        let entered = enter(&mut write, bench, day, &checked).await?;
        let unsure = unsure(&checked, &entered, again)?;
        if !unsure.is_empty() {
            return Ok(Closing::Unsure(unsure));
        }
        if !entered.is_empty() {
            for (analyzer, numbers) in &entered {
                let act = Act {
                    verb: "confirm-last",
                    object: format!("numbers of {analyzer} on {day}"),
                    became: Some(format!("missing: {}", words(numbers))),
                    ..Act::default()
                };
                record(&mut write, actor, act).await?;
            }
            write.commit().await?;
            return Ok(Closing::Entered(entered));
        }
        let open = placed.into_iter().filter(|p| p.item.is_open());
        let open: Vec<Item> =
            open.filter(|p| !checked.iter().any(|c| c.settles(p))).map(|p| p.item).collect();
        if !open.is_empty() {
            return Ok(Closing::Outstanding(open));
        }
        let again = close(&mut write, actor, day, &checked, reports).await?;
        write.commit().await?;
        Ok(Closing::Closed { again })
    }
}

impl Checked<'_> {
    /// Whether this line is the number that was confirmed.
    fn is_at(&self, placed: &Placed) -> bool {
        let spot = placed.spot.as_ref().filter(|_| !placed.last_unknown);
        let same = spot.is_some_and(|s| s.mark == self.mark && s.value == self.value);
        same && placed.item.analyzer == self.analyzer
    }

    /// Whether the confirmation answers what could not be known of this line.
    fn settles(&self, placed: &Placed) -> bool {
        let Some(spot) = &placed.spot else { return false };
        let same = placed.item.analyzer == self.analyzer && spot.mark == self.mark;
        let run = self.heard.as_ref().is_some_and(|h| h.run == spot.run);
        placed.last_unknown && same && run && spot.value <= self.value
    }
}

/// Gaps in words.
#[must_use]
pub fn words(gaps: &[Gap]) -> String {
    gaps.iter().map(|gap| gap.numbers.as_str()).collect::<Vec<_>>().join(" ")
}

/// The confirmed numbers that would make many others missing and were not given twice.
fn unsure(
    checked: &[Checked<'_>],
    entered: &[(String, Vec<Gap>)],
    again: &[Confirmed],
) -> Result<Vec<Unsure>, StoreError> {
    let mut unsure = Vec::new();
    for (analyzer, gaps) in entered {
        let few = gaps.iter().map(|gap| gap.count).sum::<i64>() <= SURE;
        // That an analyzer began again is too much to be taken from one number.
        for one in checked.iter().filter(|c| c.analyzer == analyzer && (!few || c.aside)) {
            let Some(last) = one.number else { continue };
            let mut second = again.iter().filter(|a| a.analyzer == *analyzer);
            if second.clone().any(|a| a.last.as_deref() == Some(last)) {
                continue;
            }
            let heard = !one.aside && one.heard.as_ref().is_some_and(|h| h.value == one.value);
            if !heard && second.next().is_some() {
                return Err(refused(say!("no.last_differ", id = analyzer)));
            }
            if !heard {
                let (analyzer, last) = (analyzer.clone(), last.to_owned());
                unsure.push(Unsure { analyzer, last, gaps: gaps.clone() });
            }
        }
    }
    Ok(unsure)
}

/// Of each analyzer and mark, the highest number of its last run on this day.
fn last_heard(placed: &[Placed], marks: &Marks, day: &str) -> Last {
    let mut last = Last::default();
    for one in placed.iter().filter(|p| p.item.heard_at.is_some() && p.counted) {
        let (Some(spot), Some(number)) = (&one.spot, &one.item.number) else { continue };
        // What is of another day's numbers is not the last of this one.
        if !spot.run.day.is_empty() && spot.run.day != day {
            continue;
        }
        let heard = LastHeard { run: spot.run.clone(), value: spot.value, number: number.clone() };
        let key = (one.item.analyzer.clone(), spot.mark.clone());
        if marks.is_aside(&one.item.analyzer, spot) {
            last.asides.push((key, heard));
            continue;
        }
        let newer = |old: &LastHeard| (&old.run, old.value) < (&heard.run, heard.value);
        if last.on.get(&key).is_none_or(newer) {
            last.on.insert(key, heard);
        }
    }
    last
}

/// Every confirmation that there must be, none twice, and none below what was heard.
fn checked<'a>(
    bench: &Bench,
    marks: &Marks,
    last: &Last,
    placed: &[Placed],
    confirmed: &'a [Confirmed],
) -> Result<Vec<Checked<'a>>, StoreError> {
    let mut checked: Vec<Checked<'a>> = Vec::new();
    for one in confirmed {
        let analyzer = one.analyzer.as_str();
        let heard_here = placed.iter().any(|p| p.item.analyzer == analyzer);
        if bench.analyzer(analyzer).is_none() && !heard_here {
            let known: Vec<&str> = bench.analyzers.iter().map(|a| a.id.as_str()).collect();
            let known = known.join(", ");
            return Err(refused(say!("no.analyzer", id = analyzer, known = known)));
        }
        let mut next = check_one(bench, marks, last, one)?;
        next.on_sheet = placed.iter().any(|p| next.is_at(p));
        if checked.iter().any(|c| c.analyzer == analyzer && c.mark == next.mark) {
            return Err(refused(say!("no.last_twice", id = analyzer)));
        }
        checked.push(next);
    }
    let lacking = lacking(bench, last, placed, &checked);
    if lacking.is_empty() {
        return Ok(checked);
    }
    Err(refused(
        say!("no.not_confirmed", how = way!("confirm_last"))
            .then("\n")
            .then(Said::list("\n", lacking)),
    ))
}

fn check_one<'a>(
    bench: &Bench,
    marks: &Marks,
    last: &Last,
    one: &'a Confirmed,
) -> Result<Checked<'a>, StoreError> {
    let analyzer = one.analyzer.as_str();
    let Some(number) = one.last.as_deref() else {
        let heard: Vec<&str> = last
            .on
            .iter()
            .filter(|((a, _), _)| a == analyzer)
            .map(|(_, h)| h.number.as_str())
            .collect();
        if heard.is_empty() {
            let (mark, number, heard) = (String::new(), None, None);
            let (value, aside, on_sheet) = (-1, false, false);
            return Ok(Checked { analyzer, mark, number, value, heard, aside, on_sheet });
        }
        let heard = heard.join(", ");
        return Err(refused(say!("no.gave_out", id = analyzer, heard = heard)));
    };
    let (mark, value) = split(bench, marks, analyzer, number);
    let Some(value) = value else {
        return Err(refused(say!("no.test_number", number = number, id = analyzer)));
    };
    let key = (analyzer.to_owned(), mark.clone());
    let mut heard = last.on.get(&key).cloned();
    let mut aside = None;
    if heard.as_ref().is_some_and(|heard| is_behind(bench, analyzer, heard, value)) {
        // The counter is behind where it was: it began again, with a strip that was said to be one of its own.
        let of = |h: &LastHeard| instrument_of(h.run.generation);
        let own = last.asides.iter().filter(|(k, h)| *k == key && h.value <= value).map(|(_, h)| h);
        let own = own.filter(|h| heard.as_ref().is_none_or(|heard| of(heard) == of(h)));
        aside = own.max_by_key(|h| h.value).cloned();
    }
    let is_aside = aside.is_some();
    heard = aside.or(heard);
    if let Some(heard) = &heard
        && is_behind(bench, analyzer, heard, value)
    {
        let was = &heard.number;
        return Err(refused(say!("no.gave_out_after", id = analyzer, was = was, number = number)));
    }
    let number = Some(number);
    Ok(Checked { analyzer, mark, number, value, heard, aside: is_aside, on_sheet: false })
}

/// A number in mark and value: as the account splits it, else as the configuration does.
fn split(bench: &Bench, marks: &Marks, analyzer: &str, text: &str) -> (String, Option<i64>) {
    match bench.analyzer(analyzer) {
        Some(analyzer) => {
            let number = number::split(text, &analyzer.rules);
            (number.mark, number.value)
        }
        None => marks.split(analyzer, text),
    }
}

/// Whether a number was given out before the last one that was heard, by the shorter way where the
/// counter wraps around.
fn is_behind(bench: &Bench, analyzer: &str, heard: &LastHeard, value: i64) -> bool {
    let counting = bench.analyzer(analyzer).map(|a| a.counting).unwrap_or_default();
    match counting.top {
        Some(top) => {
            let span = top - counting.first + 1;
            value != heard.value && (value - heard.value).rem_euclid(span) * 2 >= span
        }
        None => value < heard.value,
    }
}

/// What is not confirmed yet, and how it would be.
fn lacking(bench: &Bench, last: &Last, placed: &[Placed], checked: &[Checked<'_>]) -> Vec<Said> {
    let has = |analyzer: &str, mark: Option<&str>| {
        checked.iter().any(|c| c.analyzer == analyzer && mark.is_none_or(|m| c.mark == m))
    };
    let mut lacking: Vec<Said> = last
        .on
        .iter()
        .filter(|((analyzer, mark), _)| !has(analyzer, Some(mark)))
        .map(|((analyzer, _), h)| {
            let number = &h.number;
            say!("no.was_last", id = analyzer, number = number).then(way!(
                "last_same",
                id = analyzer,
                number = number
            ))
        })
        .collect();
    let ours = bench.analyzers.iter().map(|a| a.id.as_str());
    let heard = placed.iter().map(|p| p.item.analyzer.as_str());
    let mut silent: Vec<&str> = ours.chain(heard).collect();
    silent.sort_unstable();
    silent.dedup();
    for analyzer in silent {
        if !last.on.keys().any(|(a, _)| a == analyzer) && !has(analyzer, None) {
            lacking
                .push(say!("no.none_last", id = analyzer).then(way!("last_none", id = analyzer)));
        }
    }
    lacking
}

/// Enters what a confirmed number says was given out and did not come.
async fn enter(
    write: &mut Write,
    bench: &Bench,
    day: &str,
    checked: &[Checked<'_>],
) -> Result<Vec<(String, Vec<Gap>)>, StoreError> {
    let mut entered: BTreeMap<String, Vec<Gap>> = BTreeMap::new();
    for one in checked {
        let Some(number) = one.number else { continue };
        if !one.aside && one.heard.as_ref().is_some_and(|h| h.value == one.value) {
            continue;
        }
        let Some(analyzer) = bench.analyzer(one.analyzer) else {
            let id = one.analyzer;
            return Err(refused(
                say!("no.own_bench_numbers", id = id, number = number).then(way!(
                    "close_there",
                    day = day,
                    id = id,
                    number = number
                )),
            ));
        };
        let gaps = enter_one(write, bench, analyzer, day, one, number).await?;
        if !gaps.is_empty() {
            entered.entry(one.analyzer.to_owned()).or_default().extend(gaps);
        }
    }
    Ok(entered.into_iter().collect())
}

async fn enter_one(
    write: &mut Write,
    bench: &Bench,
    analyzer: &Analyzer,
    day: &str,
    one: &Checked<'_>,
    text: &str,
) -> Result<Vec<Gap>, StoreError> {
    let id = &analyzer.id;
    // What was heard last says which instrument it was; else the one that stood there at the end of the day.
    let instrument = match &one.heard {
        Some(heard) => instrument_of(heard.run.generation),
        None => {
            let end = bench.clock.day_span(day).map_or(i64::MAX, |(_, end)| end - 1);
            counted(instruments(write.conn(), analyzer).await?.at(end).n)
        }
    };
    let before = numbers::account(write, analyzer, instrument, day).await?;
    let mut account: Account = before.clone();
    let number = number::split(text, &analyzer.rules);
    let generation = one.heard.as_ref().map(|h| h.run.generation);
    let Some(found) = account.confirm(&number, day, generation) else {
        return Err(refused(say!("no.number_of", text = text, id = id)));
    };
    if found.missing.is_empty() && !found.of_this_day && !one.on_sheet {
        return Err(refused(say!("no.number_other_day", text = text, id = id, day = day)));
    }
    let class = Class::of_number(text, &analyzer.rules);
    let told: Vec<numbers::ToldNumber> = found
        .missing
        .into_iter()
        .map(|s| numbers::ToldNumber { told: Told::Missing(s), day: day.to_owned(), class })
        .collect();
    numbers::keep(write, id, &before, &account).await?;
    numbers::note(write, id, &told).await
}

/// Writes the closing. True where it was closed before.
async fn close(
    write: &mut Write,
    actor: &Actor,
    day: &str,
    checked: &[Checked<'_>],
    reports: i64,
) -> Result<bool, StoreError> {
    let mut last: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for one in checked {
        let number = one.number.map(str::to_owned);
        last.entry(one.analyzer.to_owned()).or_default().extend(number);
        if let (Some(number), Some(heard)) = (one.number, &one.heard) {
            settle(write, actor, one, number, &heard.run).await?;
        }
    }
    let was = closing::of_day(write.conn(), day).await?;
    let at = clock::now_us();
    let closed = Closed { at, who: actor.name.clone(), last, reports };
    closing::put(write, day, &closed).await?;
    let text = |closed: &Closed| kept("last", &closed.last);
    let act = Act {
        verb: "close",
        object: format!("day {day}"),
        was: was.as_ref().map(text).transpose()?,
        became: Some(text(&closed)?),
        ..Act::default()
    };
    record(write, actor, act).await?;
    Ok(was.is_some())
}

/// Answers what could not be known after the last number of a run: a person has seen which it was.
async fn settle(
    write: &mut Write,
    actor: &Actor,
    one: &Checked<'_>,
    number: &str,
    run: &Run,
) -> Result<(), StoreError> {
    let sequence = run.to_string();
    let range = (0, one.value);
    let rows = absent::within(write, one.analyzer, (&sequence, &one.mark), range).await?;
    let why = format!("{number} confirmed as the last by {}", actor.name);
    let unknown = rows.iter().filter(|row| row.reason == Absence::LastUnknown);
    for row in unknown.filter(|row| row.state == NumberState::Missing) {
        let arrow = row.state.to(NumberState::Explained)?;
        absent::moved(write, row, (row.from, row.to), arrow, Some(&why)).await?;
    }
    Ok(())
}
