//! Deciding what a held report is that shares its number with another, or that the analyzer calls a correction:
//! a run of its own, a correction of an earlier report, or a mistake.

use wickline_normalize::{Reason, Remedy};

use super::Became;
use super::bearing;
use super::comparing::{Difference, beside, texts};
use super::door::{self, Asked, Facts, Pass, Then};
use super::facts::{Known, codes, other, refused, under, whole};
use super::identify::named;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::rows::report::{self, Aside, ReportRow};
use crate::store::trail::{Act, Actor, record};
use crate::texts::{Said, say, way};

/// What a person says that a report is which is held as `number-reused` or `correction-heard`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Decision {
    /// A run of its own: it goes out under its own OBR-3.
    NewRun,
    /// It corrects an earlier report; which one, where that has to be said.
    Correction { of: Option<i64> },
    /// Nothing: it is set aside.
    Mistake,
}

impl Ledger {
    /// Decides what a held report is. Other reasons that hold it stay.
    pub async fn report_decide(
        &self,
        bench: &Bench,
        actor: &Actor,
        n: i64,
        decision: Decision,
        reason: &str,
    ) -> Result<Became, StoreError> {
        let mut write = self.act().await?;
        let mut row = whole(&mut write, n).await?;
        let mut act = Act {
            verb: "decide",
            object: format!("report {n}"),
            reason: Some(reason.to_owned()),
            was: Some(codes(&row)),
            ..Act::default()
        };
        let pass = match decision {
            Decision::Mistake => {
                act.became = Some("mistake, set-aside".into());
                let pass = self.decided(&mut write, bench, Asked::Mistake, &row, reason).await?;
                let aside = Some(Aside::Person);
                report::moved(&mut write, n, pass.arrow()?, Some(reason), aside).await?;
                pass
            }
            Decision::NewRun => {
                if let Some(earlier) = row.corrects {
                    return Err(refused(say!("no.decided", n = n, of = earlier)));
                }
                act.became = Some(say!("kept.new_run").to_string());
                let pass = self.decided(&mut write, bench, Asked::NewRun, &row, reason).await?;
                if row.reasons().any(|r| r == Reason::NumberReused) {
                    super::numbers::began_again(&mut write, bench, &row).await?;
                }
                self.go_on(&mut write, bench, &row, &pass).await?;
                pass
            }
            Decision::Correction { of } => {
                let earlier = corrected_by(&mut write, &row, of).await?;
                act.became = Some(change(&earlier, &row));
                let pass = self.correction(&mut write, bench, &row, &earlier, reason).await?;
                report::goes_under(&mut write, n, &earlier, reason).await?;
                bearing::changed(&mut write, &mut row).await?;
                row.corrects = Some(earlier.root());
                row.filler.clone_from(&earlier.filler);
                row.specimen.clone_from(&earlier.specimen);
                row.orders.clone_from(&earlier.orders);
                row.note = Some(reason.to_owned());
                self.go_on(&mut write, bench, &row, &pass).await?;
                pass
            }
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(vec![(n, pass.arrow()?.to().text().into())])
    }

    async fn decided(
        &self,
        write: &mut Write,
        bench: &Bench,
        asked: Asked,
        row: &ReportRow,
        reason: &str,
    ) -> Result<Pass, StoreError> {
        let known = Known::of(write, bench, row).await?;
        Ok(door::pass(asked, &Facts { reason: Some(reason), ..known.facts(row) })?)
    }

    /// Whether a held report may go under the OBR-3, specimen and orders of an earlier one: what holds it for the id
    /// that it bears says nothing of those.
    async fn correction(
        &self,
        write: &mut Write,
        bench: &Bench,
        row: &ReportRow,
        earlier: &ReportRow,
        reason: &str,
    ) -> Result<Pass, StoreError> {
        let (root, specimen) = (earlier.root(), earlier.specimen.clone());
        let goes =
            ReportRow { corrects: Some(root), orders: earlier.orders.clone(), ..row.clone() };
        let goes = ReportRow { specimen, ..goes };
        let known = Known::of(write, bench, &goes).await?;
        let holds: Vec<Reason> = row.reasons().filter(|r| !bearing::is_of_id(*r)).collect();
        let facts = Facts {
            reason: Some(reason),
            holds: &holds,
            other: Some(other(earlier)),
            specimen: earlier.specimen.as_deref(),
            corrects: Some(earlier.root()),
            under: under(write, earlier).await?,
            ..known.facts(row)
        };
        Ok(door::pass(Asked::Correction, &facts)?)
    }

    /// A decided report goes on as its pass says; control material becomes the run that it is.
    async fn go_on(
        &self,
        write: &mut Write,
        bench: &Bench,
        row: &ReportRow,
        pass: &Pass,
    ) -> Result<(), StoreError> {
        if pass.then() == Then::Filed
            && let (Some(analyzer), Some(level)) = (bench.analyzer(&row.analyzer), &row.level)
        {
            super::controls::identified(write, bench, analyzer, row, level, true).await?;
        }
        self.let_go(write, bench, row, pass).await
    }

    /// The report that a held one is to be decided against, and both versions side by side: every
    /// analyte of either, as it was and as it is. None: nothing is to be decided, or nothing fits.
    pub async fn side_by_side(&self, n: i64) -> Result<Option<(i64, Vec<Difference>)>, StoreError> {
        let mut moment = self.db.moment().await?;
        let found = decided_against(&mut moment, n).await?;
        moment.commit().await?;
        Ok(found.map(|(earlier, row)| {
            (earlier.n, beside(&texts(&earlier.readings), &texts(&row.readings)))
        }))
    }
}

/// The earlier report that a held one is to be decided against, and the held one.
async fn decided_against(
    write: &mut Write,
    n: i64,
) -> Result<Option<(ReportRow, ReportRow)>, StoreError> {
    let row = whole(write, n).await?;
    if !row.reasons().any(|r| r.remedy() == Remedy::Decide) {
        return Ok(None);
    }
    let [earlier] = candidates(write, &row).await?[..] else { return Ok(None) };
    Ok(Some((whole(write, earlier).await?, row)))
}

/// Earlier patients' reports on their way or out that a held one may correct, the one that speaks for
/// each OBR-3 today.
async fn candidates(write: &mut Write, row: &ReportRow) -> Result<Vec<i64>, StoreError> {
    let mut found = Vec::new();
    for root in report::correctable(write, row.n).await? {
        found.extend(report::speaks(write, root).await?);
    }
    Ok(found)
}

/// The earlier report that a held one corrects, or why that cannot be told.
async fn corrected_by(
    write: &mut Write,
    row: &ReportRow,
    of: Option<i64>,
) -> Result<ReportRow, StoreError> {
    let fitting = candidates(write, row).await?;
    let n = match (of, &fitting[..]) {
        (Some(of), _) => of,
        (None, [one]) => *one,
        (None, []) => {
            let n = row.n;
            return Err(refused(say!("no.earlier", n = n).then(way!("corrects_or", n = n))));
        }
        (None, several) => {
            let n = row.n;
            let one = |of: &i64| format!("`wickline held decide {n} correction --of {of}`");
            let choices: Vec<String> = several.iter().map(one).collect();
            return Err(refused(
                say!("no.several_earlier", n = n, many = several.len())
                    .then(way!("corrects_which", choices = choices.join(", "))),
            ));
        }
    };
    let earlier = whole(write, n).await?;
    if let Some(now) = report::speaks(write, earlier.root()).await?.filter(|now| *now != n) {
        return Err(refused(say!("no.goes_now", now = now, n = n)));
    }
    let out = earlier.state == crate::store::state::ReportState::Waiting && !earlier.is_control();
    if !out {
        return Err(refused(say!(
            "no.nothing_out",
            n = n,
            state = Said::code("kept", earlier.state.text())
        )));
    }
    if earlier.analyzer != row.analyzer || earlier.n >= row.n {
        return Err(refused(say!("no.not_earlier", n = n, other = row.n)));
    }
    Ok(earlier)
}

/// A correction for the trail: whose it is, and analytes before and after.
fn change(earlier: &ReportRow, now: &ReportRow) -> String {
    let differences = changed(earlier, now);
    let all = differences.iter().map(|d| format!("{}: {} -> {}", d.what, d.before, d.after));
    let all: Vec<String> = all.collect();
    let (own, under) = (named(now.specimen.as_deref()), named(earlier.specimen.as_deref()));
    let whose = if own == under { under } else { format!("{own}, goes under {under}") };
    format!("correction of report {}; {whose}; {}", earlier.n, all.join("; "))
}

/// What two prints say differently.
pub(crate) fn changed(before: &ReportRow, after: &ReportRow) -> Vec<Difference> {
    let mut all = beside(&texts(&before.readings), &texts(&after.readings));
    all.retain(|d| d.before != d.after);
    all
}
