//! Purging: what is older than the laboratory keeps goes from the ledger and from the tape, from the front of each
//! line up to the first thing that somebody has still to see to, or that is not old enough.

use std::collections::{BTreeMap, HashMap, HashSet};

use crate::acts::facts::{reasoned, refused};
use crate::acts::from_tape::margin;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::lists::front::{Front, closes_days, front, lines};
use crate::store::lists::now;
use crate::store::rows::{line_query, line_refusal, purged};
use crate::store::state::ReportState;
use crate::store::tape::Tape;
use crate::store::trail::{Act, Actor, record};
use crate::texts::{Said, say, way};

/// What the trail says of a purge, by how it ended.
const OBJECT: &str = "reports";
const DONE: &str = "purge";
const FAILED: &str = "purge-failed";
/// Reports of one transaction, each with its row in the trail.
const MOST: usize = 5000;

/// What was touched last before these times is old enough.
#[derive(Clone, Copy, Debug)]
pub struct Kept {
    pub since: i64,
    /// Control material; no later than the others.
    pub controls_since: i64,
}

/// Why a report stays, and all that stands behind it on its line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Stays {
    Young,
    Held,
    NoReceiver,
    /// A message of it waits, was refused, or has to be put right.
    Open,
    /// Its day is not closed.
    Day(String),
    Missing(String),
    /// Another report under its OBR-3 stays.
    Family,
}

impl Stays {
    /// In words, with the command that shows it.
    #[must_use]
    pub fn words(&self, n: i64) -> String {
        match self {
            Stays::Young => format!("report {n} is not old enough"),
            Stays::Held => format!("report {n} is held: `wickline held show {n}`"),
            Stays::NoReceiver => format!("no receiver has taken report {n}: `wickline queue`"),
            Stays::Open => {
                format!("report {n} has messages that are not settled: `wickline queue`")
            }
            Stays::Day(day) => {
                format!("the day of report {n} is not closed: `wickline day close {day}`")
            }
            Stays::Missing(day) => {
                format!("numbers are missing on the day of report {n}: `wickline day {day}`")
            }
            Stays::Family => format!("another report under the OBR-3 of report {n} stays"),
        }
    }
}

/// One report that goes.
#[derive(Clone, Debug)]
pub struct Goes {
    pub n: i64,
    root: i64,
    pub class: &'static str,
    pub day: String,
    pub outcome: &'static str,
}

/// What goes of one line.
#[derive(Clone, Debug)]
pub struct Line {
    pub tape: String,
    pub analyzer: String,
    /// Up to which offset its tape is emptied. None: it was heard onto another tape.
    pub to: Option<u64>,
    pub goes: Vec<Goes>,
    /// The first report that stays, and why.
    pub stopped: Option<(i64, Stays)>,
    /// Settled control material that is kept for longer, while its bytes go.
    pub controls: usize,
}

/// What became of a purge.
#[derive(Clone, Debug, Default)]
pub struct Purged {
    pub reports: usize,
    pub bytes: u64,
}

impl Ledger {
    /// What would go.
    pub async fn purge_plan(
        &self,
        bench: &Bench,
        tape: &Tape,
        kept: Kept,
    ) -> Result<Vec<Line>, StoreError> {
        let mut moment = self.db.moment().await?;
        let plan = plan(&mut moment, bench, tape, kept).await?;
        moment.commit().await?;
        Ok(plan)
    }

    /// Why nothing at all may go.
    pub async fn purge_barred(&self) -> Result<Option<Said>, StoreError> {
        Ok(self.notices().await?.first().map(|notice| {
            say!("no.purge", n = notice.n, kind = notice.kind.code(), how = way!("notices_tell"))
        }))
    }

    /// The last purge that failed, where no good one came after it.
    pub async fn last_purge_failed(&self) -> Result<Option<now::Act>, StoreError> {
        let Some(failed) = self.last_act(OBJECT, FAILED).await? else { return Ok(None) };
        let done = self.last_act(OBJECT, DONE).await?;
        Ok(done.is_none_or(|done| done.n <= failed.n).then_some(failed))
    }

    /// Notes that a purge was to be and was not: `status` tells until one is good.
    pub async fn purge_failed(&self, actor: &Actor, why: &str) -> Result<(), StoreError> {
        self.within(self.note(actor, act(FAILED, why, None))).await
    }

    /// Purges, and notes where it failed: whoever has a timer do it looks at no screen.
    pub async fn purge(
        &self,
        bench: &Bench,
        tape: &Tape,
        actor: &Actor,
        kept: Kept,
        reason: &str,
    ) -> Result<Purged, StoreError> {
        let done = self.purge_now(bench, tape, actor, kept, reason).await;
        if let Err(error) = &done
            && let Err(more) = self.purge_failed(actor, &error.to_string()).await
        {
            tracing::warn!(error = %more, "that a purge failed could not be noted");
        }
        done
    }

    /// Purges: the ledger first, then the tape, so that nothing stands in the ledger whose bytes are gone; then the
    /// files are written anew. Done again after a crash it finishes.
    async fn purge_now(
        &self,
        bench: &Bench,
        tape: &Tape,
        actor: &Actor,
        kept: Kept,
        reason: &str,
    ) -> Result<Purged, StoreError> {
        reasoned(reason)?;
        if let Some(why) = self.purge_barred().await? {
            return Err(refused(why));
        }
        let mut done = Purged::default();
        loop {
            let mut write = self.act().await?;
            let plan = plan(&mut write, bench, tape, kept).await?;
            let some = first_of(&plan);
            if some.is_empty() {
                line_query::forget(&mut write, kept.since).await?;
                line_refusal::forget(&mut write, kept.since).await?;
                // Nothing to purge is good, too: what failed before is over.
                if done.reports == 0 && self.last_purge_failed().await?.is_some() {
                    let became = Some("nothing was to be purged".to_owned());
                    record(&mut write, actor, act(DONE, reason, became)).await?;
                }
                write.commit().await?;
                for line in &plan {
                    if let Some(to) = line.to {
                        done.bytes += tape.clear(&line.analyzer, to).await?;
                    }
                }
                break;
            }
            let rows: Vec<_> = some.iter().map(|g| (g.n, g.outcome)).collect();
            purged::purge(&mut write, &rows).await?;
            record(&mut write, actor, act(DONE, reason, Some(told(&some)))).await?;
            write.commit().await?;
            done.reports += some.len();
        }
        self.db.written_anew().await?;
        tape.db().log_emptied().await?;
        Ok(done)
    }
}

/// A purge in the trail, by which the last one is found.
fn act(verb: &'static str, reason: &str, became: Option<String>) -> Act {
    Act { verb, object: OBJECT.to_owned(), reason: Some(reason.to_owned()), was: None, became }
}

/// The reports of one transaction: none without the others under its OBR-3.
fn first_of(plan: &[Line]) -> Vec<&Goes> {
    let Some(line) = plan.iter().find(|line| !line.goes.is_empty()) else { return Vec::new() };
    let mut all: Vec<&Goes> = line.goes.iter().collect();
    all.sort_by_key(|goes| (goes.root, goes.n));
    let last = all.get(MOST).map(|goes| goes.root);
    all.retain(|goes| last.is_none_or(|last| goes.root < last));
    all
}

/// For the trail: counts by class and outcome, days and numbers, no id of a patient.
fn told(goes: &[&Goes]) -> String {
    let counts: Vec<String> =
        counts(goes.iter().copied()).iter().map(|((c, o), n)| format!("{n} {c} {o}")).collect();
    let days = || goes.iter().map(|g| g.day.as_str());
    let numbers = || goes.iter().map(|g| g.n);
    format!(
        "{} gone, of {} to {}, ids {} to {}: {}",
        goes.len(),
        days().min().unwrap_or(""),
        days().max().unwrap_or(""),
        numbers().min().unwrap_or(0),
        numbers().max().unwrap_or(0),
        counts.join(", ")
    )
}

/// How many of each class with each outcome.
pub fn counts<'a>(
    goes: impl Iterator<Item = &'a Goes>,
) -> BTreeMap<(&'static str, &'static str), usize> {
    let mut counts = BTreeMap::new();
    for one in goes {
        *counts.entry((one.class, one.outcome)).or_insert(0) += 1;
    }
    counts
}

async fn plan(
    write: &mut Write,
    bench: &Bench,
    tape: &Tape,
    kept: Kept,
) -> Result<Vec<Line>, StoreError> {
    let closes = closes_days(write).await?;
    let mut plan = Vec::new();
    for (of, analyzer, entry) in lines(write).await? {
        let own = bench.analyzer(&analyzer);
        let here = of == tape.id;
        // What an analyzer of another bench said is purged there.
        if !here && own.is_none() {
            continue;
        }
        let margin = if here { margin(own.map(AsRef::as_ref)) } else { 0 };
        let mut rows = Vec::new();
        let mut stopped = None;
        while stopped.is_none() {
            let page = front(write, &of, &analyzer, rows.last()).await?;
            if page.is_empty() {
                break;
            }
            for row in page {
                stopped = stays(&row, kept, closes).map(|why| (row.place.0, row.n, why));
                if stopped.is_some() {
                    break;
                }
                rows.push(row);
            }
        }
        let end = match here {
            true => tape.old_to(&analyzer, entry, kept.since).await?,
            false => u64::MAX,
        };
        let mut line = cut(&rows, kept, margin, end, stopped);
        line.to = line.to.filter(|_| here);
        plan.push(Line { tape: of, analyzer, ..line });
    }
    Ok(plan)
}

/// Why a report and all behind it stay. None: it is settled and old.
fn stays(row: &Front, kept: Kept, closes: bool) -> Option<Stays> {
    match row.state {
        ReportState::Held => Some(Stays::Held),
        _ if row.unsent => Some(Stays::NoReceiver),
        _ if row.open > 0 => Some(Stays::Open),
        _ if row.touched >= kept.since => Some(Stays::Young),
        _ if closes && !row.closed => Some(Stays::Day(row.day.clone())),
        _ if row.missing > 0 => Some(Stays::Missing(row.day.clone())),
        _ => None,
    }
}

/// What goes of these settled, old reports, in the order of the tape: whatever ends before the limit, unless it is
/// control material that is kept for longer, or another under its OBR-3 stays.
fn cut(
    rows: &[Front],
    kept: Kept,
    margin: u64,
    end: u64,
    mut stopped: Option<(u64, i64, Stays)>,
) -> Line {
    let longer = |row: &&Front| row.control && (row.stands || row.touched >= kept.controls_since);
    let mut stay: HashSet<i64> = rows.iter().filter(longer).map(|row| row.n).collect();
    loop {
        let limit = stopped.as_ref().map_or(u64::MAX, |(from, _, _)| from.saturating_sub(margin));
        let limit = limit.min(end);
        let goes: Vec<&Front> =
            rows.iter().filter(|row| row.place.1 <= limit && !stay.contains(&row.n)).collect();
        let mut families: HashMap<i64, i64> = HashMap::new();
        goes.iter().for_each(|row| *families.entry(row.root).or_default() += 1);
        let torn = goes.iter().find(|row| families.get(&row.root) != Some(&row.family));
        match torn {
            Some(row) if row.control => {
                stay.insert(row.n);
            }
            Some(row) => stopped = Some((row.place.0, row.n, Stays::Family)),
            None => {
                let controls =
                    rows.iter().filter(|r| r.place.1 <= limit && stay.contains(&r.n)).count();
                return Line {
                    tape: String::new(),
                    analyzer: String::new(),
                    to: Some(limit),
                    goes: goes.into_iter().map(one).collect(),
                    stopped: stopped.map(|(_, n, why)| (n, why)),
                    controls,
                };
            }
        }
    }
}

fn one(row: &Front) -> Goes {
    let outcome = match row.state {
        ReportState::Waiting if row.accepted > 0 => "accepted",
        ReportState::Waiting => "not-sent",
        other => other.text(),
    };
    Goes { n: row.n, root: row.root, class: row.class, day: row.day.clone(), outcome }
}
