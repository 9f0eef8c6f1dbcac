//! Letting held reports go: a person with a reason, the daemon once controls have passed or a receiver is there.

use wickline_normalize::{Reason, Remark, Role};

use super::Became;
use super::door::{self, Asked, Facts, Pass, Then};
use super::facts::{Known, whole};
use super::meeting;
use super::telling::{Saying, Word, unsayable};
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::rows::hold;
use crate::store::rows::report::{self, ReportRow};
use crate::store::trail::{Act, Actor, record};

impl Ledger {
    /// Sends a held report as it is, where every reason it is held for allows that. What it was held for
    /// goes out with it as a remark, unless the laboratory wants none.
    pub async fn report_release(
        &self,
        bench: &Bench,
        actor: &Actor,
        n: i64,
        reason: &str,
    ) -> Result<Became, StoreError> {
        let mut write = self.act().await?;
        let (mut row, known) = Known::read(&mut write, bench, n).await?;
        let facts = Facts { reason: Some(reason), ..known.facts(&row) };
        let pass = door::pass(Asked::Release, &facts)?;
        if row.reasons().any(|r| r == Reason::ClockOff) {
            // Released for its clock: the analyzer's times are left out, the daemon's stand.
            (row.taken, row.clock_believed) = (None, false);
            report::release_clock(&mut write, n).await?;
        }
        let was = super::facts::codes(&row);
        if bench.remark_released {
            // Nothing is told of its orders that is not so any more.
            let is_so = |reason: Reason| !reason.is_of_orders() || known.waits() == Some(reason);
            let held = row.holds.iter().filter(|h| is_so(h.reason));
            row.remarks.extend(held.map(|h| remark(h.reason, &h.detail)));
            report::set_remarks(&mut write, n, &row.remarks).await?;
        }
        self.let_go(&mut write, bench, &row, &pass).await?;
        let act = Act {
            verb: "release",
            object: format!("report {n}"),
            reason: Some(reason.to_owned()),
            was: Some(format!("held: {was}")),
            became: Some("waiting".into()),
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(vec![(n, "waiting".into())])
    }

    /// Does with a held report what its pass says: what is answered is cleared, and where nothing else holds
    /// it, it moves and receivers are told. Where it was held for anything else it stays.
    pub(crate) async fn let_go(
        &self,
        write: &mut Write,
        bench: &Bench,
        row: &ReportRow,
        pass: &Pass,
    ) -> Result<(), StoreError> {
        for one in row.holds.iter().filter(|h| pass.lifts(h.reason)) {
            hold::clear(write, row.n, one.ix, pass.is_release()).await?;
        }
        if pass.then() == Then::Held {
            return Ok(());
        }
        report::moved(write, row.n, pass.arrow()?, None, None).await?;
        self.send(write, bench, row, pass, row.note.as_deref()).await
    }

    /// Tells receivers the results of a report; where none takes them it waits for one.
    pub(crate) async fn send(
        &self,
        write: &mut Write,
        bench: &Bench,
        row: &ReportRow,
        pass: &Pass,
        why: Option<&str>,
    ) -> Result<(), StoreError> {
        if bench.targets_of(&row.analyzer, row.role()).next().is_none() {
            meeting::bound(write, bench, row).await?;
            return report::set_unsent(write, row.n, !row.is_control()).await;
        }
        let orders = meeting::bound(write, bench, row).await?;
        let row = &ReportRow { orders, ..row.clone() };
        let word = Word::by(pass, row, Saying::Results, why)?;
        self.tell(write, bench, &word).await?;
        report::set_unsent(write, row.n, false).await
    }

    /// Builds the messages of reports that were ready when no receiver took them, some at a time. How
    /// many reports.
    pub async fn reports_undelivered(&self, bench: &Bench) -> Result<usize, StoreError> {
        let (mut built, mut after) = (0, 0);
        loop {
            let group = self.within(self.undelivered(bench, after)).await?;
            let Some((last, count)) = group else { return Ok(built) };
            (after, built) = (last, built + count);
        }
    }

    /// The next few after report `after`: the last one looked at, and how many got messages.
    async fn undelivered(
        &self,
        bench: &Bench,
        after: i64,
    ) -> Result<Option<(i64, usize)>, StoreError> {
        let mut write = self.act().await?;
        let waiting = report::undelivered(&mut write, after).await?;
        let (mut last, mut built) = (None, 0);
        for (n, analyzer) in waiting {
            last = Some(n);
            // Another bench's reports are its own daemon's to send.
            let ours = bench.analyzer(&analyzer).is_some();
            if ours && bench.targets_of(&analyzer, Role::Patient).next().is_some() {
                // One that cannot be built any more must not keep the others, or the lines, waiting.
                match self.deliver(&mut write, bench, n).await {
                    Ok(()) => built += 1,
                    Err(error) if error.is_of_one_row() => {
                        tracing::warn!(report = n, %error, "no message can be built: it stays without one");
                    }
                    Err(error) => return Err(error),
                }
            }
        }
        write.commit().await?;
        Ok(last.map(|last| (last, built)))
    }

    async fn deliver(&self, write: &mut Write, bench: &Bench, n: i64) -> Result<(), StoreError> {
        let row = whole(write, n).await?;
        let known = Known::of(write, bench, &row).await?;
        let why = unsayable(bench, &row);
        let facts = Facts { unsayable: why.as_deref(), ..known.facts(&row) };
        let pass = door::pass(Asked::Deliver, &facts)?;
        self.send(write, bench, &row, &pass, row.note.as_deref()).await?;
        let act = Act { verb: "deliver", object: format!("report {n}"), ..Act::default() };
        record(write, &Actor::daemon(), act).await
    }

    /// Lifts what the daemon itself set up, where what it waited for has come; true when the report goes.
    pub(crate) async fn lift(
        &self,
        write: &mut Write,
        bench: &Bench,
        (row, known): (&ReportRow, &Known),
        asked: Asked,
        because: &str,
    ) -> Result<bool, StoreError> {
        let why = unsayable(bench, row);
        let facts = Facts { unsayable: why.as_deref(), ..known.facts(row) };
        let pass = match door::pass(asked, &facts) {
            Ok(pass) => pass,
            // It stays for a person as it is, and keeps nothing else back.
            Err(refusal) => {
                let why = refusal.why.to_string();
                tracing::warn!(report = row.n, why, "{because}, but it cannot go");
                return Ok(false);
            }
        };
        let lifted: Vec<Reason> = row.reasons().filter(|r| pass.lifts(*r)).collect();
        let goes = pass.then() == Then::Goes;
        self.let_go(write, bench, row, &pass).await?;
        let act = Act {
            verb: "release",
            object: format!("report {}", row.n),
            reason: Some(because.to_owned()),
            was: Some(door::codes(&lifted)),
            became: Some(if goes { "waiting".into() } else { "held".into() }),
        };
        record(write, &Actor::daemon(), act).await?;
        Ok(goes)
    }

    /// Clears what held one report for controls; true when it goes.
    pub(crate) async fn controls_passed(
        &self,
        write: &mut Write,
        bench: &Bench,
        n: i64,
    ) -> Result<bool, StoreError> {
        let (row, known) = Known::read(write, bench, n).await?;
        let because = "every level of control material has passed";
        self.lift(write, bench, (&row, &known), Asked::ControlsPassed, because).await
    }
}

/// What is said of a result that a person let go against a rule.
fn remark(reason: Reason, detail: &str) -> Remark {
    let word = if reason.is_of_controls() { "while" } else { "although it was held" };
    let sep = if reason.is_of_controls() { " " } else { ": " };
    Remark::new(reason.code(), format!("Released {word}{sep}{detail}"))
}
