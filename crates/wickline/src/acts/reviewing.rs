//! What is done about runs of control material beside running them again: a note of what was done, and the review of a
//! month, which a person signs. What comes late into a signed month, or changes in it, opens it again.

use std::collections::{BTreeMap, BTreeSet};

use jiff::ToSpan;
use jiff::civil::Date;
use serde::Serialize;

use super::facts::refused;
use crate::clock::{self, SiteClock};
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::runs::{AskedRuns, RunView};
use crate::store::rows::closing;
use crate::store::rows::review::{self, Reviewed};
use crate::store::state::State;
use crate::store::trail::{Act, Actor, record};
use crate::texts::{Said, say, way};

/// A month as it is written: `2026-10`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Month {
    pub name: String,
    first: Date,
}

impl Month {
    /// Of a text. None: it is no month.
    #[must_use]
    pub fn of(text: &str) -> Option<Self> {
        let first: Date = format!("{text}-01").parse().ok()?;
        let name = first.to_string().get(..7)?.to_owned();
        (name == text).then_some(Self { name, first })
    }

    /// The one in which a day lies.
    #[must_use]
    pub fn of_day(day: &str) -> Option<Self> {
        Self::of(day.get(..7)?)
    }

    /// So many months later, or earlier.
    #[must_use]
    pub fn later(&self, months: i64) -> Option<Self> {
        let first = self.first.checked_add(months.months()).ok()?;
        Self::of_day(&first.to_string())
    }

    /// Its first day, and that of the next one.
    #[must_use]
    pub fn days(&self) -> (String, String) {
        let next = self.later(1).map_or(Date::MAX, |next| next.first);
        (self.first.to_string(), next.to_string())
    }

    /// From its first moment to the first of the next one.
    #[must_use]
    pub fn span(&self, clock: &SiteClock) -> Option<(i64, i64)> {
        let (first, next) = self.days();
        Some((clock.day_span(&first)?.0, clock.day_span(&next)?.0))
    }
}

/// What was run of one level on one analyzer.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct LevelSum {
    pub analyzer: String,
    pub level: String,
    pub passed: usize,
    pub failed: usize,
    pub no_target: usize,
    pub control_lots: Vec<String>,
    pub strip_lots: Vec<String>,
}

/// Who signed it, and when.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Signature {
    pub at: String,
    pub who: String,
}

/// The runs of a month, as somebody looks at them who signs for them.
#[derive(Clone, Debug, Serialize)]
pub struct Review {
    pub month: String,
    pub runs: usize,
    pub levels: Vec<LevelSum>,
    /// Those that failed, with what was noted of them.
    pub failed: Vec<RunView>,
    /// Of these the ones of which nothing is noted.
    pub without_note: Vec<String>,
    pub signed: Option<Signature>,
    /// What came or changed after that: it is open again.
    pub after: Vec<String>,
    /// The month is not over.
    pub running: bool,
}

impl Review {
    /// Whether it is signed as it stands.
    #[must_use]
    pub fn is_signed(&self) -> bool {
        self.signed.is_some() && self.after.is_empty()
    }

    /// In one line, for a day sheet. None: nobody signed it.
    #[must_use]
    pub fn words(&self) -> Option<Said> {
        let Signature { at, who } = self.signed.as_ref()?;
        let signed = say!("noted.reviewed", month = &self.month, who = who, at = at);
        if self.after.is_empty() {
            return Some(signed);
        }
        let after = self.after.join(", ");
        Some(signed.then("; ").then(say!("noted.open_again", reports = after)))
    }
}

/// How a run stands, as far as a review is about it.
fn stand(run: &RunView) -> String {
    let aside = if run.state == State::SetAside { ", set aside" } else { "" };
    let level = run.level.as_deref().unwrap_or("-");
    format!("{} level {level} {}{aside}", run.analyzer, run.verdict)
}

fn levels(runs: &[RunView]) -> Vec<LevelSum> {
    let mut sums: BTreeMap<(&str, &str), LevelSum> = BTreeMap::new();
    for run in runs {
        let level = run.level.as_deref().unwrap_or("-");
        let sum = sums.entry((&run.analyzer, level)).or_default();
        match run.verdict {
            "passed" => sum.passed += 1,
            "failed" => sum.failed += 1,
            _ => sum.no_target += 1,
        }
        let lots =
            [(&run.control_lot, &mut sum.control_lots), (&run.strip_lot, &mut sum.strip_lots)];
        for (lot, known) in lots {
            known
                .extend(lot.iter().filter(|lot| !known.contains(lot)).cloned().collect::<Vec<_>>());
        }
    }
    let named = |((analyzer, level), sum): ((&str, &str), LevelSum)| LevelSum {
        analyzer: analyzer.to_owned(),
        level: level.to_owned(),
        ..sum
    };
    sums.into_iter().map(named).collect()
}

impl Ledger {
    /// Notes of a run what was done about it.
    pub async fn run_note(
        &self,
        actor: &Actor,
        clock: &SiteClock,
        report: i64,
        text: &str,
    ) -> Result<RunView, StoreError> {
        let mut write = self.act().await?;
        let Some(run) = self.control_run(report, clock).await? else {
            return Err(refused(say!("no.run", n = report).then("; ").then(way!("controls"))));
        };
        let object = format!("report {report}");
        let reason = Some(text.to_owned());
        record(&mut write, actor, Act { verb: "note", object, reason, ..Act::default() }).await?;
        write.commit().await?;
        Ok(run)
    }

    /// The runs of a month, whether or not somebody signed for them.
    pub async fn review(&self, clock: &SiteClock, month: &Month) -> Result<Review, StoreError> {
        let mut conn = self.db.read().await?;
        let signed = review::of_month(&mut conn, &month.name).await?;
        self.db.give_back(conn).await;
        let runs = self.runs_of(clock, month).await?;
        let gone = self.gone(&runs, signed.as_ref()).await?;
        Ok(seen(clock, month, &runs, signed, gone))
    }

    /// Runs that were signed for and are none of this month any more, but for those whose reports were purged.
    async fn gone(
        &self,
        runs: &[RunView],
        signed: Option<&Reviewed>,
    ) -> Result<Vec<String>, StoreError> {
        let known: BTreeSet<&String> = runs.iter().map(|run| &run.id).collect();
        let mut gone = Vec::new();
        for id in signed.iter().flat_map(|signed| signed.runs.keys()) {
            if !known.contains(id) && self.is_kept(id.parse().unwrap_or(0)).await? {
                gone.push(id.clone());
            }
        }
        Ok(gone)
    }

    /// Whether somebody ever signed for a month.
    pub async fn is_reviewed(&self, month: &Month) -> Result<bool, StoreError> {
        let mut conn = self.db.read().await?;
        let signed = review::of_month(&mut conn, &month.name).await?;
        self.db.give_back(conn).await;
        Ok(signed.is_some())
    }

    async fn runs_of(&self, clock: &SiteClock, month: &Month) -> Result<Vec<RunView>, StoreError> {
        let no_month = || refused(say!("no.month", month = &month.name));
        let (from, to) = month.span(clock).ok_or_else(no_month)?;
        self.control_runs(&AskedRuns { from, to, ..AskedRuns::default() }, clock).await
    }

    /// Signs for the runs of a month. Where one failed of which nothing is noted, the reason says why it is signed all
    /// the same.
    pub async fn review_sign(
        &self,
        bench: &Bench,
        actor: &Actor,
        month: &Month,
        reason: Option<&str>,
    ) -> Result<Review, StoreError> {
        let (clock, name) = (&bench.clock, &month.name);
        let mut write = self.act().await?;
        closing::hold_off(&mut write).await?;
        let was = review::of_month(write.conn(), name).await?;
        let runs = self.runs_of(clock, month).await?;
        let gone = self.gone(&runs, was.as_ref()).await?;
        let before = seen(clock, month, &runs, was, gone);
        if before.running {
            return Err(refused(say!("no.month_running", month = name)));
        }
        if runs.is_empty() {
            return Err(refused(say!("no.month_empty", month = name)));
        }
        if before.is_signed() {
            let who = before.signed.map(|signed| signed.who).unwrap_or_default();
            return Err(refused(say!("no.month_signed", month = name, who = who)));
        }
        if let (None, [first, ..]) = (reason, before.without_note.as_slice()) {
            return Err(refused(say!(
                "no.month_bare",
                n = before.without_note.len(),
                month = name,
                reports = before.without_note.join(", "),
                how = way!("note_first", n = first)
            )));
        }
        let kept = runs.iter().map(|run| (run.id.clone(), stand(run))).collect();
        let reviewed = Reviewed { at: clock::now_us(), who: actor.name.clone(), runs: kept };
        review::put(&mut write, name, &reviewed).await?;
        let act = Act {
            verb: "review",
            object: format!("controls of {name}"),
            reason: reason.map(str::to_owned),
            was: before.words().map(|words| words.to_string()),
            became: Some(
                say!(
                    "kept.reviewed",
                    n = before.runs,
                    failed = before.failed.len(),
                    bare = before.without_note.len()
                )
                .to_string(),
            ),
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(seen(clock, month, &runs, Some(reviewed), Vec::new()))
    }
}

fn seen(
    clock: &SiteClock,
    month: &Month,
    runs: &[RunView],
    signed: Option<Reviewed>,
    gone: Vec<String>,
) -> Review {
    let failed: Vec<RunView> = runs.iter().filter(|r| r.verdict == "failed").cloned().collect();
    let after = signed.as_ref().map(|signed| {
        let differs = |run: &&RunView| signed.runs.get(&run.id) != Some(&stand(run));
        runs.iter().filter(differs).map(|run| run.id.clone()).chain(gone).collect()
    });
    Review {
        month: month.name.clone(),
        runs: runs.len(),
        levels: levels(runs),
        without_note: failed.iter().filter(|r| r.notes.is_empty()).map(|r| r.id.clone()).collect(),
        failed,
        after: after.unwrap_or_default(),
        signed: signed.map(|s| Signature { at: clock.rfc3339(s.at), who: s.who }),
        running: clock.day(clock::now_us()).as_str() < month.days().1.as_str(),
    }
}

#[cfg(test)]
mod tests {
    use super::Month;

    #[test]
    fn a_month_is_written_in_one_way() {
        for bad in ["2026", "2026-13", "2026-1", "2026-10-01", "", "x", "2026-00", "20261"] {
            assert_eq!(Month::of(bad), None, "{bad}");
        }
        let december = Month::of("2026-12").expect("a month");
        assert_eq!(december.days(), ("2026-12-01".to_owned(), "2027-01-01".to_owned()));
        let february = december.later(-10).expect("a month");
        assert_eq!(february.days(), ("2026-02-01".to_owned(), "2026-03-01".to_owned()));
    }
}
