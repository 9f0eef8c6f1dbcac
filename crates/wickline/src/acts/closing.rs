//! Closing a day: the last number of each analyzer is confirmed by a person, and what did not come is
//! explained. Both are acts: a change of rows and a trail row together.

use std::collections::BTreeMap;

use sqlx::{Executor, Row};
use wickline_normalize::Class;
use wickline_normalize::account::Told;
use wickline_normalize::number::{self, SKIPPED_MOST};

use crate::acts::facts::no;
use crate::acts::numbers;
use crate::clock::{self, SiteClock};
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::lists::day::{Marks, Placed, Run};
use crate::store::lists::reports::Item;
use crate::store::state::State;
use crate::store::trail::Act;
use crate::store::trail::Actor;
use crate::store::trail::record;

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
    Entered(Vec<(String, Vec<String>)>),
    /// These need a person first.
    Outstanding(Vec<Item>),
}

/// A day that a person closed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Closed {
    pub at: i64,
    pub who: String,
    /// The confirmed numbers of each analyzer.
    pub last: BTreeMap<String, Vec<String>>,
    /// The last report that the ledger had.
    reports: i64,
}

impl Closed {
    /// Whether this came onto the sheet after the closing.
    fn is_before(&self, placed: &Placed) -> bool {
        if placed.n > 0 { placed.n > self.reports } else { placed.at > self.at }
    }
}

/// The last that was heard on a day of one analyzer and mark.
#[derive(Clone, Debug)]
struct Heard {
    run: Run,
    value: i64,
    number: String,
}

/// What was heard last, by analyzer and mark.
type Last = BTreeMap<(String, String), Heard>;

/// One confirmation against what was heard.
struct Checked<'a> {
    analyzer: &'a str,
    mark: String,
    number: Option<&'a str>,
    value: i64,
    heard: Option<Heard>,
    /// The number itself is on the sheet of this day.
    on_sheet: bool,
}

impl Ledger {
    /// A day as it was closed, and which lines came or became open after that.
    pub async fn day_closed(
        &self,
        day: &str,
        clock: &SiteClock,
    ) -> Result<Option<(Closed, Vec<String>)>, StoreError> {
        let mut conn = self.db.read().await?;
        let query = sqlx::query("SELECT closed_at, who, last, reports FROM closing WHERE day = $1")
            .bind(day);
        let row = query.fetch_optional(&mut conn).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let Some(row) = row else { return Ok(None) };
        let read = || -> Result<Closed, sqlx::Error> {
            let last: String = row.try_get("last")?;
            Ok(Closed {
                at: row.try_get("closed_at")?,
                who: row.try_get("who")?,
                last: serde_json::from_str(&last).unwrap_or_default(),
                reports: row.try_get("reports")?,
            })
        };
        let closed = read().map_err(|e| self.wrong(&e))?;
        let placed = self.placed(day, clock).await?;
        let after = placed.iter().filter(|p| closed.is_before(p) || p.item.is_open());
        let after = after.map(|p| p.item.id.clone()).collect();
        Ok(Some((closed, after)))
    }

    /// Closes a day, if each analyzer's last number is confirmed and nothing is outstanding.
    pub async fn day_close(
        &self,
        bench: &Bench,
        actor: &Actor,
        day: &str,
        confirmed: &[Confirmed],
    ) -> Result<Closing, StoreError> {
        let mut write = self.act().await?;
        // Nothing is taken in meanwhile: what comes after is told by its number.
        write.run("UPDATE counter SET value = value WHERE name = 'report'").await?;
        let placed = self.placed(day, &bench.clock).await?;
        let marks = self.marks(day).await?;
        let last = last_heard(&placed);
        let checked = checked(bench, &marks, &last, &placed, confirmed)?;
        let entered = enter(&mut write, bench, day, &checked).await?;
        if !entered.is_empty() {
            for (analyzer, numbers) in &entered {
                let act = Act {
                    verb: "confirm-last",
                    object: format!("numbers of {analyzer} on {day}"),
                    became: Some(format!("missing: {}", numbers.join(" "))),
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
        let again = close(&mut write, actor, day, &checked).await?;
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

/// Of each analyzer and mark, the highest number of its last run on this day.
fn last_heard(placed: &[Placed]) -> Last {
    let mut last = Last::new();
    for one in placed.iter().filter(|p| p.item.heard_at.is_some() && p.counted) {
        let (Some(spot), Some(number)) = (&one.spot, &one.item.number) else { continue };
        let heard = Heard { run: spot.run.clone(), value: spot.value, number: number.clone() };
        let key = (one.item.analyzer.clone(), spot.mark.clone());
        let newer = |old: &Heard| (&old.run, old.value) < (&heard.run, heard.value);
        if last.get(&key).is_none_or(newer) {
            last.insert(key, heard);
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
            return Err(no(format!("there is no analyzer {analyzer}; configured: {known}")));
        }
        let mut next = check_one(bench, marks, last, one)?;
        next.on_sheet = placed.iter().any(|p| next.is_at(p));
        if checked.iter().any(|c| c.analyzer == analyzer && c.mark == next.mark) {
            return Err(no(format!("the last number of {analyzer} is given twice")));
        }
        checked.push(next);
    }
    let lacking: Vec<String> = lacking(bench, last, placed, &checked);
    if lacking.is_empty() {
        return Ok(checked);
    }
    Err(no(format!(
        "look at each analyzer for the last number of this day, and confirm it with --last; not \
         confirmed yet:\n{}",
        lacking.join("\n")
    )))
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
            .iter()
            .filter(|((a, _), _)| a == analyzer)
            .map(|(_, h)| h.number.as_str())
            .collect();
        if heard.is_empty() {
            let (mark, number, heard) = (String::new(), None, None);
            return Ok(Checked { analyzer, mark, number, value: -1, heard, on_sheet: false });
        }
        let heard = heard.join(", ");
        return Err(no(format!("{analyzer} gave out numbers on this day, the last was {heard}")));
    };
    let (mark, value) = split(bench, marks, analyzer, number);
    let Some(value) = value else {
        return Err(no(format!(
            "`{number}` of {analyzer} is not a test number; write it as the analyzer prints it, or \
             `none` if it gave out none"
        )));
    };
    let heard = last.get(&(analyzer.to_owned(), mark.clone())).cloned();
    if let Some(heard) = &heard
        && is_behind(bench, analyzer, heard, value)
    {
        let was = &heard.number;
        return Err(no(format!(
            "{analyzer} gave out {was} on this day, which is after {number}: look at the analyzer again"
        )));
    }
    Ok(Checked { analyzer, mark, number: Some(number), value, heard, on_sheet: false })
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
fn is_behind(bench: &Bench, analyzer: &str, heard: &Heard, value: i64) -> bool {
    let counting = bench.analyzer(analyzer).map(|a| a.counting).unwrap_or_default();
    match counting.top {
        Some(top) => {
            let span = top - counting.first + 1;
            value != heard.value && (value - heard.value).rem_euclid(span) * 2 >= span
        }
        None => value < heard.value,
    }
}

/// What is not confirmed yet, in the words of the options that would do it.
fn lacking(bench: &Bench, last: &Last, placed: &[Placed], checked: &[Checked<'_>]) -> Vec<String> {
    let has = |analyzer: &str, mark: Option<&str>| {
        checked.iter().any(|c| c.analyzer == analyzer && mark.is_none_or(|m| c.mark == m))
    };
    let mut lacking: Vec<String> = last
        .iter()
        .filter(|((analyzer, mark), _)| !has(analyzer, Some(mark)))
        .map(|((analyzer, _), h)| {
            let number = &h.number;
            format!("  {analyzer}: {number} was heard last (--last {analyzer}={number}, if it shows the same)")
        })
        .collect();
    let ours = bench.analyzers.iter().map(|a| a.id.as_str());
    let heard = placed.iter().map(|p| p.item.analyzer.as_str());
    let mut silent: Vec<&str> = ours.chain(heard).collect();
    silent.sort_unstable();
    silent.dedup();
    for analyzer in silent {
        if !last.keys().any(|(a, _)| a == analyzer) && !has(analyzer, None) {
            lacking.push(format!(
                "  {analyzer}: no number was heard (--last {analyzer}=none, if it shows none)"
            ));
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
) -> Result<Vec<(String, Vec<String>)>, StoreError> {
    let mut entered: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for one in checked {
        let Some(number) = one.number else { continue };
        if one.heard.as_ref().is_some_and(|h| h.value == one.value) {
            continue;
        }
        let Some(analyzer) = bench.analyzer(one.analyzer) else {
            let id = one.analyzer;
            return Err(no(format!(
                "{id} is not configured here: what it gave out before {number} is entered at its own \
                 bench, with `wickline day close {day} --last {id}={number}` there"
            )));
        };
        let names = enter_one(write, analyzer, day, one, number).await?;
        if names.is_empty() && !one.on_sheet {
            let id = one.analyzer;
            return Err(no(format!(
                "number {number} of {id} is not on the sheet of {day}, and the account has it on that of \
                 another day: confirm the last number of this day"
            )));
        }
        if !names.is_empty() {
            entered.entry(one.analyzer.to_owned()).or_default().extend(names);
        }
    }
    Ok(entered.into_iter().collect())
}

async fn enter_one(
    write: &mut Write,
    analyzer: &Analyzer,
    day: &str,
    one: &Checked<'_>,
    text: &str,
) -> Result<Vec<String>, StoreError> {
    let before = numbers::account(write, &analyzer.id, analyzer.counting, day).await?;
    let mut account = before.clone();
    let number = number::split(text, &analyzer.rules);
    let generation = one.heard.as_ref().map(|h| h.run.generation);
    let Some(stretches) = account.confirm(&number, day, generation) else {
        let id = &analyzer.id;
        return Err(no(format!("`{text}` is no number that {id} is configured to give out")));
    };
    let count: i64 = stretches.iter().map(|s| s.count()).sum();
    if usize::try_from(count).is_ok_and(|count| count > SKIPPED_MOST) {
        let id = &analyzer.id;
        return Err(no(format!(
            "{id}: up to {text} that would be {count} numbers that did not come, and {SKIPPED_MOST} are \
             allowed at once: is it mistyped?"
        )));
    }
    let class = Class::of_number(text, &analyzer.rules);
    let told: Vec<numbers::Heard> = stretches
        .into_iter()
        .map(|s| numbers::Heard { told: Told::Missing(s), day: day.to_owned(), class })
        .collect();
    numbers::keep(write, &analyzer.id, &before, &account).await?;
    numbers::note(write, &analyzer.id, &told).await
}

/// Writes the closing. True where it was closed before.
async fn close(
    write: &mut Write,
    actor: &Actor,
    day: &str,
    checked: &[Checked<'_>],
) -> Result<bool, StoreError> {
    let mut last: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for one in checked {
        last.entry(one.analyzer).or_default().extend(one.number);
        if let (Some(number), Some(heard)) = (one.number, &one.heard) {
            settle(write, actor, one, number, &heard.run).await?;
        }
    }
    let last = serde_json::to_string(&last).unwrap_or_default();
    let query = sqlx::query("SELECT last FROM closing WHERE day = $1").bind(day.to_owned());
    let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
    let was: Option<String> = row.map(|r| r.try_get(0)).transpose().map_err(|e| write.wrong(&e))?;
    let reports: i64 =
        write.one("SELECT value FROM counter WHERE name = 'report'", |r| r.try_get(0)).await?;
    let query = sqlx::query(
        "INSERT INTO closing (day, closed_at, who, last, reports) VALUES ($1, $2, $3, $4, $5) \
         ON CONFLICT (day) DO UPDATE SET closed_at = excluded.closed_at, who = excluded.who, \
         last = excluded.last, reports = excluded.reports",
    )
    .bind(day.to_owned())
    .bind(clock::now_us())
    .bind(actor.name.clone())
    .bind(last.clone())
    .bind(reports);
    write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    let again = was.is_some();
    let object = format!("day {day}");
    let act = Act { verb: "close", object, was, became: Some(last), ..Act::default() };
    record(write, actor, act).await?;
    Ok(again)
}

/// Answers what could not be known after the last number of a run: a person has seen which it was.
async fn settle(
    write: &mut Write,
    actor: &Actor,
    one: &Checked<'_>,
    number: &str,
    run: &Run,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE absent SET state = $1, why = $2 WHERE analyzer = $3 AND mark = $4 AND sequence = $5 \
         AND value <= $6 AND reason = 'last-unknown' AND state = 'missing'",
    )
    .bind(State::Explained.text())
    .bind(format!("{number} confirmed as the last by {}", actor.name))
    .bind(one.analyzer.to_owned())
    .bind(one.mark.clone())
    .bind(run.to_string())
    .bind(one.value);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}
