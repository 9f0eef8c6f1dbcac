//! Taking back what went out, and sending it anew under the right specimen id.

use super::bearing;
use super::door::{self, Asked, Facts, Pass, Post, Then};
use super::facts::{Known, refused, whole};
use super::identify::{Twice, named};
use super::meeting;
use super::meeting::Strip;
use super::telling::{Outcome, Saying, Word};
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::era::Era;
use crate::store::ledger::{Ledger, take};
use crate::store::rows::report::{self, Aside, ReportRow};
use crate::store::rows::{hold, message};
use crate::store::state::ReportState;
use crate::store::trail::{Act, Actor, record};
use crate::texts::{say, way};

/// What became of a report that was withdrawn.
#[derive(Clone, Debug)]
pub struct Withdrawn {
    pub n: i64,
    pub state: ReportState,
    /// The id that it went under last, or goes under now.
    pub specimen: Option<String>,
    pub withdrawn: Vec<Outcome>,
    /// Under the right specimen, where one was given.
    pub anew: Vec<Outcome>,
}

/// Why a report is withdrawn, and the message whose refusal said so, where one did.
pub(crate) struct Why<'a> {
    pub reason: &'a str,
    pub post: Option<Post>,
}

impl Ledger {
    /// Takes back all that was told under a report's OBR-3; with a specimen id, sends it anew under that
    /// one and a new OBR-3.
    pub async fn report_withdraw(
        &self,
        bench: &Bench,
        actor: &Actor,
        n: i64,
        reason: &str,
        specimen: Option<&Twice>,
    ) -> Result<Withdrawn, StoreError> {
        let mut write = self.act().await?;
        let why = Why { reason, post: None };
        let done = self.withdraw(&mut write, bench, actor, n, why, specimen).await?;
        write.commit().await?;
        Ok(done)
    }

    /// The same inside a write.
    pub(crate) async fn withdraw(
        &self,
        write: &mut Write,
        bench: &Bench,
        actor: &Actor,
        n: i64,
        why: Why<'_>,
        specimen: Option<&Twice>,
    ) -> Result<Withdrawn, StoreError> {
        let Why { reason, post } = why;
        let mut open = whole(write, n).await?;
        let known = Known::of(write, bench, &open).await?;
        if specimen.is_some_and(|given| given.text().trim().is_empty()) {
            return Err(refused(say!(
                "no.empty_specimen",
                n = n,
                how = way!("withdraw_none", n = n)
            )));
        }
        let goes_under = specimen.map(Twice::text).or(open.specimen.as_deref());
        let waits = meeting::waits(write, bench, &open, goes_under).await?;
        let facts = Facts {
            post,
            reason: Some(reason),
            twice: specimen.is_some(),
            specimen: goes_under,
            waits,
            ..known.facts(&open)
        };
        let asked = if specimen.is_some() { Asked::Rename } else { Asked::Withdraw };
        let pass = door::pass(asked, &facts)?;
        if let Some(specimen) = specimen.map(Twice::text) {
            let number = open.print.number.as_deref();
            bench.check_specimen(&open.analyzer, specimen, number).map_err(refused)?;
            if open.specimen.as_deref() == Some(specimen) {
                return Err(refused(say!("no.goes_already", n = n)));
            }
        }
        let was = named(open.specimen.as_deref());
        let word = Word::by(&pass, &open, Saying::Withdrawal, Some(reason))?;
        let withdrawn = self.tell(write, bench, &word).await?;
        let (root, old) = (open.root(), open.filler.clone());
        message::retire_all(write, root, &old, open.specimen.as_deref()).await?;
        let aside = ReportState::Waiting.to(ReportState::SetAside)?;
        report::others_aside(write, &open, aside, &format!("withdrawn with report {n}")).await?;
        let anew = match specimen.map(Twice::text) {
            None => {
                let note = format!("withdrawn: {reason}");
                let how = Some(Aside::Withdrawn);
                report::moved(write, n, pass.arrow()?, Some(&note), how).await?;
                report::set_unsent(write, n, false).await?;
                meeting::follow(write, root).await?;
                Vec::new()
            }
            Some(specimen) => self.anew(write, bench, &mut open, &pass, specimen).await?,
        };
        let held = pass.then() == Then::HeldAnew;
        let act = Act {
            verb: "withdraw",
            object: format!("report {n}"),
            reason: Some(reason.to_owned()),
            was: Some(was),
            became: Some(match specimen {
                None => say!("kept.withdrawn_aside").to_string(),
                Some(id) if held => {
                    say!("kept.withdrawn_held", what = named(Some(id.text()))).to_string()
                }
                Some(id) => say!("kept.withdrawn_anew", what = named(Some(id.text()))).to_string(),
            }),
        };
        record(write, actor, act).await?;
        let (state, specimen) = (pass.arrow()?.to(), open.specimen);
        Ok(Withdrawn { n, state, specimen, withdrawn, anew })
    }

    /// The same results under another specimen id and an OBR-3 that was never used.
    async fn anew(
        &self,
        write: &mut Write,
        bench: &Bench,
        open: &mut ReportRow,
        pass: &Pass,
        specimen: &str,
    ) -> Result<Vec<Outcome>, StoreError> {
        let new = Era::draw()?.filler(take(write, "report", 1).await?);
        let old = std::mem::replace(&mut open.filler, new);
        open.specimen = Some(specimen.to_owned());
        report::renamed(write, open.n, specimen, &open.filler).await?;
        for n in report::corrections_follow(write, open, &old).await? {
            let mut follows = whole(write, n).await?;
            bearing::changed(write, &mut follows).await?;
        }
        meeting::unbind(write, bench, open.root(), &old).await?;
        open.orders.clear();
        bearing::changed(write, open).await?;
        if pass.then() == Then::HeldAnew {
            return self.held_anew(write, bench, open, pass).await;
        }
        open.orders = meeting::bound(write, bench, open).await?;
        let word = Word::by(pass, open, Saying::Results, None)?;
        let anew = self.tell(write, bench, &word).await.map_err(|error| match error {
            StoreError::Refused { why } => refused(
                why.then("; ")
                    .then(say!("no.nothing_changed"))
                    .then(": ")
                    .then(way!("withdraw_back", n = open.n)),
            ),
            error => error,
        })?;
        report::set_unsent(write, open.n, anew.is_empty()).await?;
        Ok(anew)
    }

    /// What its other specimen was ordered for, or that it was not, keeps it: it goes as any held report goes.
    async fn held_anew(
        &self,
        write: &mut Write,
        bench: &Bench,
        open: &ReportRow,
        pass: &Pass,
    ) -> Result<Vec<Outcome>, StoreError> {
        let met = meeting::meet(write, bench, &Strip::of(bench, open)).await?;
        if let Some(hold) = met.hold() {
            hold::add(write, open.n, hold.clone()).await?;
        }
        report::moved(write, open.n, pass.arrow()?, None, None).await?;
        report::set_unsent(write, open.n, false).await?;
        Ok(Vec::new())
    }
}
