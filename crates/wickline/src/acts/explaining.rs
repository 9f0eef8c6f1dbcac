//! Explaining numbers that did not come: a person says why, and they are outstanding no more; or takes that
//! back.

use std::collections::BTreeSet;

use crate::acts::facts::{reasoned, refused};
use crate::clock::SiteClock;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::lists::day::{Marks, Placed};
use crate::store::rows::absent::{self, Absent};
use crate::store::state::{NumberState, State};
use crate::store::trail::Act;
use crate::store::trail::Actor;
use crate::store::trail::record;
use crate::texts::{Said, say, way};

/// Which numbers did not come, and why; or why that does not hold.
#[derive(Clone, Debug, Default)]
pub struct Explanation {
    pub day: String,
    /// Needed where two analyzers miss the same number.
    pub analyzer: Option<String>,
    /// As printed, as a range `41-44`, or as the sheet's id.
    pub numbers: Vec<String>,
    pub reason: String,
}

/// Numbers of which something was said: their id for programs, their name for people.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Named {
    pub id: String,
    pub name: String,
}

/// Numbers of one mark.
struct Meant {
    mark: String,
    from: i64,
    to: i64,
}

/// Some numbers of one line of the sheet.
struct Part<'a> {
    line: &'a Placed,
    from: i64,
    to: i64,
}

impl Ledger {
    /// Explains numbers that are missing, all or none.
    pub async fn day_explain(
        &self,
        actor: &Actor,
        clock: &SiteClock,
        what: &Explanation,
    ) -> Result<Vec<Named>, StoreError> {
        self.explain_as(actor, clock, what, NumberState::Missing, NumberState::Explained).await
    }

    /// Takes explanations back: the numbers are missing again, all or none.
    pub async fn day_unexplain(
        &self,
        actor: &Actor,
        clock: &SiteClock,
        what: &Explanation,
    ) -> Result<Vec<Named>, StoreError> {
        self.explain_as(actor, clock, what, NumberState::Explained, NumberState::Missing).await
    }

    async fn explain_as(
        &self,
        actor: &Actor,
        clock: &SiteClock,
        what: &Explanation,
        from: NumberState,
        to: NumberState,
    ) -> Result<Vec<Named>, StoreError> {
        reasoned(&what.reason)?;
        let mut write = self.act().await?;
        let placed = self.placed(&what.day, clock).await?;
        let marks = self.marks(&what.day).await?;
        let mut said: Vec<Named> = Vec::new();
        for text in &what.numbers {
            let found = named(&placed, &marks, what, text, from)?;
            if found.is_empty() {
                return Err(self.nowhere(&what.day, text).await?);
            }
            for part in found {
                let id = part.line.id_of(part.from, part.to);
                if said.iter().all(|one| one.id != id) {
                    change(&mut write, actor, what, &part, (from, to)).await?;
                    said.push(Named { id, name: part.line.name_of(part.from, part.to) });
                }
            }
        }
        write.commit().await?;
        Ok(said)
    }

    /// What to say of a number that is not on the sheet: perhaps it is on another.
    async fn nowhere(&self, day: &str, text: &str) -> Result<StoreError, StoreError> {
        let other = self.missing_elsewhere(text).await?;
        let hint = other.map_or(Said::default(), |day| way!("other_sheet", day = day));
        Ok(refused(say!("no.on_sheet", text = text, day = day, hint = hint)))
    }
}

/// The lines that a person means, or parts of them. None: there is no such number.
fn named<'a>(
    placed: &'a [Placed],
    marks: &Marks,
    what: &Explanation,
    text: &str,
    state: NumberState,
) -> Result<Vec<Part<'a>>, StoreError> {
    if let Some(line) = placed.iter().find(|p| p.row.is_some() && p.item.id == text) {
        return one(vec![line], text, state).map(|line| vec![line.whole()]);
    }
    let asked = |p: &&Placed| what.analyzer.as_ref().is_none_or(|a| *a == p.item.analyzer);
    let ours: Vec<&Placed> = placed.iter().filter(asked).collect();
    let value = |p: &Placed| {
        let (mark, value) = marks.split(&p.item.analyzer, text);
        value.filter(|value| Meant { mark, from: *value, to: *value }.has(p))
    };
    let is_it = |p: &&&Placed| p.item.number.as_deref() == Some(text) || value(p).is_some();
    let single: Vec<&Placed> = ours.iter().filter(is_it).copied().collect();
    if !single.is_empty() {
        let line = one(single, text, state)?;
        let whole = line.item.number.as_deref() == Some(text);
        let part =
            value(line).filter(|_| !whole).map(|value| Part { line, from: value, to: value });
        return Ok(vec![part.unwrap_or_else(|| line.whole())]);
    }
    let mut found: Vec<(&Placed, Meant)> = Vec::new();
    for line in ours {
        if let Some(range) = range(marks, &line.item.analyzer, text)
            && range.has(line)
        {
            found.push((line, range));
        }
    }
    let lines: Vec<&Placed> = found.iter().map(|(line, _)| *line).collect();
    let Some(analyzer) = analyzer_of(&lines, text, state)? else { return Ok(Vec::new()) };
    found.retain(|(line, _)| line.item.analyzer == analyzer);
    let lines: Vec<&Placed> = found.iter().map(|(line, _)| *line).collect();
    match found.first() {
        Some((_, meant)) => covered(&lines, meant, state),
        None => Ok(Vec::new()),
    }
}

/// The parts of lines that make up a range, each number of it once.
fn covered<'a>(
    lines: &[&'a Placed],
    meant: &Meant,
    state: NumberState,
) -> Result<Vec<Part<'a>>, StoreError> {
    let mut parts = Vec::new();
    let mut next = meant.from;
    while next <= meant.to {
        let number = Meant { mark: meant.mark.clone(), from: next, to: next };
        let at = lines.iter().copied().filter(|line| number.has(line)).collect();
        let line = one(at, &format!("{}{next}", meant.mark), state)?;
        // As far as no other line has one of them too.
        let apart = |other: &&&Placed| !std::ptr::eq(**other, line) && meant.has(other);
        let others = lines.iter().filter(apart).filter_map(|other| other.first());
        let end = others.filter(|first| *first > next).map(|first| first - 1).min();
        let to = line.last().unwrap_or(next).min(meant.to).min(end.unwrap_or(i64::MAX));
        parts.push(Part { line, from: next, to });
        next = to + 1;
    }
    Ok(parts)
}

impl Placed {
    /// All numbers of a line.
    fn whole(&self) -> Part<'_> {
        let (from, to) = self.row.as_ref().map_or((0, 0), |row| (row.from, row.to));
        Part { line: self, from, to }
    }

    /// The first of its numbers, as counted.
    fn first(&self) -> Option<i64> {
        self.spot.as_ref().map(|spot| spot.value)
    }

    /// The last of its numbers.
    fn last(&self) -> Option<i64> {
        let more = self.row.as_ref().map_or(0, |row| row.to - row.from);
        self.first().map(|first| first + more)
    }
}

impl Meant {
    fn has(&self, line: &Placed) -> bool {
        let spot = line.spot.as_ref().filter(|s| !line.last_unknown && s.mark == self.mark);
        let ends = spot.and_then(|_| line.first().zip(line.last()));
        ends.is_some_and(|(first, last)| first <= self.to && self.from <= last)
    }
}

/// A text as a range at an analyzer: both ends are numbers of one mark.
fn range(marks: &Marks, analyzer: &str, text: &str) -> Option<Meant> {
    text.match_indices('-').find_map(|(dash, _)| {
        let (mark, from) = marks.split(analyzer, &text[..dash]);
        let (other, to) = marks.split(analyzer, &text[dash + 1..]);
        let (from, to) = from.zip(to).filter(|(from, to)| mark == other && from <= to)?;
        Some(Meant { mark, from, to })
    })
}

/// The analyzer that is meant: the only one that has such a number in this state, else the only one that has
/// it.
fn analyzer_of(
    lines: &[&Placed],
    text: &str,
    state: NumberState,
) -> Result<Option<String>, StoreError> {
    let of = |all: bool| {
        let fits = lines.iter().filter(|p| all || p.item.state == State::from(state));
        fits.map(|p| p.item.analyzer.as_str()).collect::<BTreeSet<_>>()
    };
    let analyzers = if of(false).is_empty() { of(true) } else { of(false) };
    if analyzers.len() > 1 {
        let names: Vec<&str> = analyzers.into_iter().collect();
        let names = names.join(", ");
        return Err(refused(say!(
            "no.which_analyzer",
            text = text,
            how = way!("which_analyzer", names = names)
        )));
    }
    Ok(analyzers.into_iter().next().map(str::to_owned))
}

/// The one line in this state among those of a number, or what they are instead.
fn one<'a>(
    lines: Vec<&'a Placed>,
    text: &str,
    state: NumberState,
) -> Result<&'a Placed, StoreError> {
    analyzer_of(&lines, text, state)?;
    let fits: Vec<&Placed> =
        lines.iter().filter(|p| p.item.state == State::from(state)).copied().collect();
    match fits.as_slice() {
        [line] => Ok(line),
        [] => Err(refused(match lines.first().map(|p| &p.item) {
            Some(item) => {
                let detail = item.detail.as_ref().map_or(String::new(), |d| format!(" ({d})"));
                let (is, state) = (Said::kept(item.state.text()), Said::kept(state.text()));
                let is = is.then(detail);
                say!("no.number_is", text = text, id = &item.analyzer, is = is, state = state)
            }
            None => say!("no.on_this_sheet", text = text),
        })),
        several => {
            let ids: Vec<&str> = several.iter().map(|p| p.item.id.as_str()).collect();
            let ids = ids.join(", ");
            Err(refused(say!(
                "no.more_than_once",
                text = text,
                state = Said::kept(state.text()),
                ids = ids
            )))
        }
    }
}

async fn change(
    write: &mut Write,
    actor: &Actor,
    what: &Explanation,
    part: &Part<'_>,
    (from, to): (NumberState, NumberState),
) -> Result<(), StoreError> {
    let id = part.line.id_of(part.from, part.to);
    let name = part.line.name_of(part.from, part.to);
    let Some(key) = &part.line.row else {
        return Err(refused(say!("no.is_report", name = name, state = Said::kept(from.text()))));
    };
    let arrow = from.to(to)?;
    let range = if key.is_old { (key.from, key.to) } else { (part.from, part.to) };
    let run = (key.sequence.as_str(), key.mark.as_str());
    let rows = absent::within(write, &part.line.item.analyzer, run, range).await?;
    let rows: Vec<&Absent> = rows.iter().filter(|row| row.state == from).collect();
    let there: i64 = rows.iter().map(|row| row.to.min(range.1) - row.from.max(range.0) + 1).sum();
    if there != range.1 - range.0 + 1 {
        return Err(refused(say!("no.not_any_more", name = name, state = Said::kept(from.text()))));
    }
    let why = (to == NumberState::Explained).then_some(what.reason.as_str());
    for row in rows {
        absent::moved(write, row, range, arrow, why).await?;
    }
    let act = Act {
        verb: if to == NumberState::Explained { "explain" } else { "unexplain" },
        object: format!("number {id} on {}", what.day),
        reason: Some(what.reason.clone()),
        // What was said before stands beside it.
        was: Some(match part.line.item.detail.as_deref() {
            Some(said) if from == NumberState::Explained => format!("{from}: {said}"),
            _ => from.text().into(),
        }),
        became: Some(to.text().into()),
    };
    record(write, actor, act).await
}
