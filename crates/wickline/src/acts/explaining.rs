//! Explaining numbers that did not come: a person says why, and they are outstanding no more.

use std::collections::BTreeSet;

use sqlx::{Executor, Row};

use crate::acts::facts::no;
use crate::clock::SiteClock;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::lists::day::{Marks, Placed};
use crate::store::state::State;
use crate::store::trail::Act;
use crate::store::trail::Actor;
use crate::store::trail::record;

/// Numbers of one range at most.
const MOST: i64 = 1000;

/// Which numbers did not come, and why.
#[derive(Clone, Debug, Default)]
pub struct Explanation {
    pub day: String,
    /// Needed where two analyzers miss the same number.
    pub analyzer: Option<String>,
    /// As printed, as a range `41-44`, or as the sheet's id.
    pub numbers: Vec<String>,
    pub reason: String,
}

/// Numbers of one mark.
struct Meant {
    mark: String,
    from: i64,
    to: i64,
}

impl Ledger {
    /// Explains numbers that are missing, all or none. Returns their ids.
    pub async fn day_explain(
        &self,
        actor: &Actor,
        clock: &SiteClock,
        what: &Explanation,
    ) -> Result<Vec<String>, StoreError> {
        let mut write = self.act().await?;
        let placed = self.placed(&what.day, clock).await?;
        let marks = self.marks(&what.day).await?;
        let mut ids: Vec<String> = Vec::new();
        for text in &what.numbers {
            let found = named(&placed, &marks, what, text)?;
            if found.is_empty() {
                return Err(self.nowhere(&what.day, text).await?);
            }
            for one in found {
                if !ids.contains(&one.item.id) {
                    explain(&mut write, actor, what, one).await?;
                    ids.push(one.item.id.clone());
                }
            }
        }
        write.commit().await?;
        Ok(ids)
    }

    /// What to say of a number that is not on the sheet: perhaps it is on another.
    async fn nowhere(&self, day: &str, text: &str) -> Result<StoreError, StoreError> {
        let mut conn = self.db.read().await?;
        let query = sqlx::query(
            "SELECT day FROM absent WHERE number = $1 AND state = 'missing' ORDER BY day DESC LIMIT 1",
        )
        .bind(text.to_owned());
        let row = query.fetch_optional(&mut conn).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let other: Option<String> =
            row.map(|r| r.try_get(0)).transpose().map_err(|e| self.wrong(&e))?;
        let hint =
            other.map_or(String::new(), |o| format!("; it is missing on that of {o}: --date {o}"));
        Ok(no(format!("number {text} is not on the sheet of {day}{hint}. Nothing was changed")))
    }
}

/// The lines that a person means: one, or each of a range. None: there is no such number.
fn named<'a>(
    placed: &'a [Placed],
    marks: &Marks,
    what: &Explanation,
    text: &str,
) -> Result<Vec<&'a Placed>, StoreError> {
    if let Some(line) = placed.iter().find(|p| p.row.is_some() && p.item.id == text) {
        return one(vec![line], text).map(|one| vec![one]);
    }
    let asked = |p: &&Placed| what.analyzer.as_ref().is_none_or(|a| *a == p.item.analyzer);
    let ours: Vec<&Placed> = placed.iter().filter(asked).collect();
    let is_it = |p: &&&Placed| {
        let (mark, value) = marks.split(&p.item.analyzer, text);
        let counted = value.is_some_and(|value| Meant { mark, from: value, to: value }.has(p));
        counted || p.item.number.as_deref() == Some(text)
    };
    let single: Vec<&Placed> = ours.iter().filter(is_it).copied().collect();
    if !single.is_empty() {
        return one(single, text).map(|one| vec![one]);
    }
    let mut found: Vec<(&Placed, Meant)> = Vec::new();
    for line in ours {
        if let Some(range) = range(marks, &line.item.analyzer, text)?
            && range.has(line)
        {
            found.push((line, range));
        }
    }
    let lines: Vec<&Placed> = found.iter().map(|(line, _)| *line).collect();
    let Some(analyzer) = analyzer_of(&lines, text)? else { return Ok(Vec::new()) };
    found.retain(|(line, _)| line.item.analyzer == analyzer);
    let Some((_, Meant { mark, from, to })) = found.first() else { return Ok(Vec::new()) };
    let each = (*from..=*to).map(|value| {
        let number = Meant { mark: mark.clone(), from: value, to: value };
        let lines = found.iter().map(|(line, _)| *line).filter(|line| number.has(line));
        one(lines.collect(), &format!("{mark}{value}"))
    });
    each.collect()
}

impl Meant {
    fn has(&self, line: &Placed) -> bool {
        let within = |value| (self.from..=self.to).contains(&value);
        let spot = line.spot.as_ref().filter(|_| !line.last_unknown);
        spot.is_some_and(|s| s.mark == self.mark && within(s.value))
    }
}

/// A text as a range at an analyzer: both ends are numbers of one mark.
fn range(marks: &Marks, analyzer: &str, text: &str) -> Result<Option<Meant>, StoreError> {
    for (dash, _) in text.match_indices('-') {
        let (mark, from) = marks.split(analyzer, &text[..dash]);
        let (other, to) = marks.split(analyzer, &text[dash + 1..]);
        let (Some(from), Some(to)) = (from, to) else { continue };
        if mark != other || from > to {
            continue;
        }
        if to - from >= MOST {
            return Err(no(format!("{text} are more than {MOST} numbers: name fewer at once")));
        }
        return Ok(Some(Meant { mark, from, to }));
    }
    Ok(None)
}

/// The analyzer that is meant: the only one that misses such a number, else the only one that has it.
fn analyzer_of(lines: &[&Placed], text: &str) -> Result<Option<String>, StoreError> {
    let of = |missing: bool| {
        let fits = lines.iter().filter(|p| !missing || p.item.state == State::Missing.text());
        fits.map(|p| p.item.analyzer.as_str()).collect::<BTreeSet<_>>()
    };
    let analyzers = if of(true).is_empty() { of(false) } else { of(true) };
    if analyzers.len() > 1 {
        let names: Vec<&str> = analyzers.into_iter().collect();
        let names = names.join(", ");
        return Err(no(format!(
            "number {text} is meant of which analyzer? Give --analyzer, one of {names}. Nothing was changed"
        )));
    }
    Ok(analyzers.into_iter().next().map(str::to_owned))
}

/// The one missing line among those of a number, or what they are instead.
fn one<'a>(lines: Vec<&'a Placed>, text: &str) -> Result<&'a Placed, StoreError> {
    analyzer_of(&lines, text)?;
    let missing: Vec<&Placed> =
        lines.iter().filter(|p| p.item.state == State::Missing.text()).copied().collect();
    match missing.as_slice() {
        [line] => Ok(line),
        [] => Err(no(match lines.first().map(|p| &p.item) {
            Some(item) => {
                let detail = item.detail.as_ref().map_or(String::new(), |d| format!(" ({d})"));
                let (analyzer, state) = (&item.analyzer, &item.state);
                format!(
                    "number {text} of {analyzer} is {state}{detail}, not missing. Nothing was changed"
                )
            }
            None => format!("number {text} is not on this sheet. Nothing was changed"),
        })),
        several => {
            let ids: Vec<&str> = several.iter().map(|p| p.item.id.as_str()).collect();
            let ids = ids.join(", ");
            Err(no(format!(
                "number {text} is missing more than once: name {ids}. Nothing was changed"
            )))
        }
    }
}

async fn explain(
    write: &mut Write,
    actor: &Actor,
    what: &Explanation,
    line: &Placed,
) -> Result<(), StoreError> {
    let Some(row) = &line.row else {
        return Err(no(format!("{} is a report, not missing", line.item.id)));
    };
    let query = sqlx::query(
        "UPDATE absent SET state = $1, why = $2 WHERE analyzer = $3 AND sequence = $4 AND mark = $5 \
         AND value = $6 AND state = 'missing'",
    )
    .bind(State::Explained.text())
    .bind(what.reason.clone())
    .bind(line.item.analyzer.clone())
    .bind(row.sequence.clone())
    .bind(row.mark.clone())
    .bind(row.value);
    let done = write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    if done.rows_affected() != 1 {
        let id = &line.item.id;
        return Err(no(format!("{id} is not missing any more; nothing was changed, look again")));
    }
    let act = Act {
        verb: "explain",
        object: format!("number {} on {}", line.item.id, what.day),
        reason: Some(what.reason.clone()),
        was: Some(State::Missing.text().into()),
        became: Some(State::Explained.text().into()),
    };
    record(write, actor, act).await
}
