//! What people do in the random laboratory: every act of theirs, on whatever report.

use super::*;
use crate::acts::aside::Statement;
use crate::acts::closing::Confirmed;
use crate::acts::decide::Decision;
use crate::acts::explaining::Explanation;
use crate::acts::purge::Kept;
use crate::store::rows::report;
use crate::store::state::State;

impl Story {
    /// Somebody, or the daemon, does something.
    pub async fn act(&mut self) {
        let Some(at) = self.any() else { return self.print().await };
        let (which, at) = match self.next.pop() {
            Some(next) if self.dice.roll(4) > 0 && !self.prints[next.1].purged => next,
            _ => (self.dice.roll(24), at),
        };
        let n = self.prints[at].report;
        self.blank = false;
        let was = self.state(n).await;
        let done = match which {
            0..=2 => {
                self.print().await;
                Ok(())
            }
            3 | 4 => self.release(at).await,
            5 | 6 => self.identify(at).await,
            7 => self.file_as_control(at).await,
            8 | 9 => self.decide(at).await,
            10 => self.reread(at).await,
            11 => self.correct(at).await,
            12 | 13 => self.withdraw(at).await,
            14 => self.set_aside(n).await,
            15 => self.undo(at).await,
            16 | 17 => self.move_a_message().await,
            18 => self.close_or_explain().await,
            19 => self.restart().await,
            20 => self.copy().await,
            21 => Box::pin(self.restore()).await,
            // Not where something is taken out: those stories are known by their seeds.
            22 if self.taken_out == TakenOut::Nothing => self.purge().await,
            23 if self.taken_out == TakenOut::Nothing => self.replace().await,
            _ => self.compare().await,
        };
        match done {
            Ok(()) if !begins(which).contains(&was) => {
                panic!("act {which} of report {n}, which was {was}: {:#?}", self.told)
            }
            Ok(()) if self.blank => panic!("act {which} without a reason: {:#?}", self.told),
            Ok(()) => self.told.push(format!("act {which} of report {n}")),
            // What may not be done is refused: that too is part of the story.
            Err(StoreError::Refused { .. }) => {}
            Err(error) => panic!("{error}: {:#?}", self.told),
        }
    }

    async fn state(&self, n: i64) -> ReportState {
        let mut write = self.lab.ledger.db.write().await.expect("a write");
        report::read(&mut write, n).await.expect("read").expect("there").state
    }

    pub fn actor(&self) -> Actor {
        Actor::person(Some("J. Mast".into()))
    }

    /// Why somebody does it; now and then they leave that out.
    fn why(&mut self, reason: &'static str) -> &'static str {
        self.blank = self.dice.roll(12) == 0;
        if self.blank { " " } else { reason }
    }

    async fn release(&mut self, at: usize) -> Result<(), StoreError> {
        let (why, actor, n) = (self.why("looked at it"), self.actor(), self.prints[at].report);
        self.lab.ledger.report_release(&self.lab.bench, &actor, n, why).await?;
        self.prints[at].doubted = false;
        Ok(())
    }

    async fn identify(&mut self, at: usize) -> Result<(), StoreError> {
        let (id, n) = (self.id(), self.prints[at].report);
        let (bench, actor) = (&self.lab.bench, self.actor());
        self.lab.ledger.report_identify(bench, &actor, n, &twice(id)).await?;
        let own = self.prints[at].specimen;
        assert!(own.is_empty() || self.prints[at].control, "it bears {own}: {:#?}", self.told);
        self.prints[at].may_be.insert(id.to_owned());
        self.told.push(format!("report {n} is of {id}"));
        // Perhaps it goes out, and then the wrong line was meant.
        self.next = vec![(15, at), (0, at)];
        Ok(())
    }

    async fn file_as_control(&mut self, at: usize) -> Result<(), StoreError> {
        let (why, actor, n) = (self.why("the vial"), self.actor(), self.prints[at].report);
        let (bench, what) = (&self.lab.bench, material("1"));
        self.lab.ledger.report_is_control(bench, &actor, n, &what, why).await.map(drop)
    }

    async fn decide(&mut self, at: usize) -> Result<(), StoreError> {
        let of = self.any().filter(|_| self.dice.roll(4) == 0).map(|o| self.prints[o].report);
        let decision = match self.dice.roll(4) {
            0 => Decision::NewRun,
            1 => Decision::Mistake,
            _ => Decision::Correction { of },
        };
        let (why, actor, n) = (self.why("seen"), self.actor(), self.prints[at].report);
        self.lab.ledger.report_decide(&self.lab.bench, &actor, n, decision, why).await?;
        self.told.push(format!("report {n} is {decision:?}"));
        if let Decision::Correction { .. } = decision {
            self.follows(at).await;
        }
        Ok(())
    }

    /// A correction bears the id of what it corrects, where its own print says nothing else.
    async fn follows(&mut self, at: usize) {
        let own = self.shown(self.prints[at].report).await;
        let root = own.corrects.and_then(|id| id.parse::<i64>().ok());
        let first = self.prints.iter().find(|p| Some(p.report) == root).cloned();
        let place = self.prints.iter().position(|p| Some(p.report) == root).unwrap_or(at);
        // Something else holds it still: the one that it corrects may be withdrawn before it goes. Or it went,
        // and somebody still works on the first.
        self.next = match own.state.text() {
            "held" => vec![(10, at), (3, at), (12, place)],
            _ => vec![(11, place); 4],
        };
        let (Some(first), Some(id)) = (first, own.specimen) else { return };
        let print = &mut self.prints[at];
        let same = print.specimen.is_empty() || print.specimen == first.specimen;
        if same || print.may_be.contains(&id) {
            print.may_be.insert(id);
        }
    }

    async fn reread(&mut self, at: usize) -> Result<(), StoreError> {
        let n = self.prints[at].report;
        // A dialect was mended: the pad can be read now.
        self.write(
            "UPDATE report SET print = replace(print, '^^^NIT|???|', '^^^NIT|NEG|') WHERE n = $1",
            n,
        )
        .await;
        let (bench, tape, actor) = (&self.lab.bench, &self.lab.tape, self.actor());
        self.lab.ledger.report_reread(bench, tape, &actor, n).await.map(drop)
    }

    async fn write(&self, sql: &'static str, n: i64) {
        let mut write = self.lab.ledger.db.write().await.expect("a write");
        write.conn().execute(sqlx::query(sql).bind(n)).await.expect("changed");
        write.commit().await.expect("committed");
    }

    async fn correct(&mut self, at: usize) -> Result<(), StoreError> {
        let other = self.any().filter(|_| self.dice.roll(2) > 0).map(|o| self.prints[o].report);
        let (why, actor, n) = (self.why("seen"), self.actor(), self.prints[at].report);
        let (bench, tape) = (&self.lab.bench, &self.lab.tape);
        self.lab.ledger.report_correct(bench, tape, &actor, n, other, why).await?;
        self.told.push(format!("report {n} takes the readings of {other:?}"));
        Ok(())
    }

    async fn withdraw(&mut self, at: usize) -> Result<(), StoreError> {
        let n = self.prints[at].report;
        let id = (self.dice.roll(2) == 0).then(|| self.id());
        let (why, actor, twice) = (self.why("wrong"), self.actor(), id.map(twice));
        let bench = &self.lab.bench;
        self.lab.ledger.report_withdraw(bench, &actor, n, why, twice.as_ref()).await?;
        self.told.push(format!("report {n} is withdrawn, {id:?}"));
        if let Some(id) = id {
            // It bears whatever readings speak under its OBR-3: those go on under the right id.
            let spoke = self.shown(n).await;
            let root = spoke.corrects.clone().unwrap_or_else(|| spoke.id.clone());
            for print in &mut self.prints {
                let own = print.report.to_string();
                if own == root || own == spoke.id {
                    print.may_be.insert(id.to_owned());
                }
            }
            self.held_corrections_follow(&root, id).await;
            self.taken_over(n, id).await;
        }
        Ok(())
    }

    async fn held_corrections_follow(&mut self, root: &str, id: &str) {
        for at in 0..self.prints.len() {
            if self.prints[at].purged {
                continue;
            }
            let item = self.shown(self.prints[at].report).await;
            if item.corrects.as_deref() == Some(root) && item.state == "held" {
                self.prints[at].may_be.insert(id.to_owned());
            }
        }
    }

    /// Readings that a report took over from another print of its specimen go where it goes.
    async fn taken_over(&mut self, n: i64, id: &str) {
        let kept =
            self.lab.ledger.report(n, &self.lab.clock()).await.expect("read").expect("there");
        self.prints[spelt_by(&kept.readings)].may_be.insert(id.to_owned());
    }

    /// Service takes the instrument and leaves another.
    async fn replace(&mut self) -> Result<(), StoreError> {
        if self.dice.roll(2) == 0 {
            return self.compare().await;
        }
        let (why, actor, at) = (self.why("service"), self.actor(), HEARD + self.replaced + 1);
        let (bench, ledger, serial) = (&self.lab.bench, &self.lab.ledger, format!("A-{at}"));
        let done =
            ledger.instrument_replace(bench, &actor, &bench.analyzers[0], &serial, why, at).await;
        done?;
        (self.replaced, self.own, self.passed) = (self.replaced + 1, Some(BTreeSet::new()), false);
        Ok(())
    }

    async fn set_aside(&mut self, n: i64) -> Result<(), StoreError> {
        let (why, actor) = (self.why("no tube"), self.actor());
        self.lab.ledger.report_set_aside(&self.lab.bench, &actor, n, why).await.map(drop)
    }

    async fn undo(&mut self, at: usize) -> Result<(), StoreError> {
        let n = self.prints[at].report;
        let was = self.state(n).await;
        let (why, actor) = (self.why("the wrong line"), self.actor());
        let became = self.lab.ledger.report_undo(&self.lab.bench, &actor, n, why).await?;
        self.told.push(format!("report {n} was {was}, undone it is {}", became[0].1));
        let held = self.state(n).await == ReportState::Held;
        assert_eq!(became[0].1 == "held", held, "{:#?}", self.told);
        let unnamed = held && was != ReportState::SetAside;
        if unnamed && self.prints[at].specimen.is_empty() {
            // What a person said is taken back: it may be nobody's now.
            let Print { may_be, unsaid, .. } = &mut self.prints[at];
            unsaid.append(may_be);
        }
        Ok(())
    }

    async fn move_a_message(&mut self) -> Result<(), StoreError> {
        let states = vec![State::Waiting, State::Refused, State::SetAside];
        let asked = Asked { states, ..Asked::default() };
        let items = self.lab.ledger.queue(&asked, &self.lab.clock()).await.expect("a list");
        if items.is_empty() {
            return Ok(());
        }
        let item = items[self.dice.roll(items.len())].clone();
        let (n, what) = (item.n, self.dice.roll(5));
        let (ledger, actor) = (self.lab.ledger.clone(), self.actor());
        let report = item.id.parse().expect("a number");
        match what {
            0 => ledger.message_hold(&actor, &[n], self.why("wait")).await?,
            1 => ledger.message_set_aside(&actor, &[n], self.why("no")).await?,
            2 => {
                let (who, when, how) = ("ward 3".into(), "now".into(), "by telephone".into());
                ledger.report_told(&actor, report, "lis", &Statement { who, when, how }).await?;
            }
            _ => {
                let again = Which::These(vec![n]);
                ledger.message_retry(&self.lab.bench, &actor, &again).await?;
            }
        }
        self.told.push(format!("message {n}: {what}"));
        if let Some(at) = self.prints.iter().position(|p| p.report == report && what < 2) {
            // What was put off is often wanted after all.
            self.next = vec![(15, at)];
        }
        Ok(())
    }

    async fn close_or_explain(&mut self) -> Result<(), StoreError> {
        let (which, actor, clock) = (self.dice.roll(4), self.actor(), self.lab.clock());
        let numbers = vec![(1 + self.dice.roll(6)).to_string()];
        let (day, reason) = (DAY.to_owned(), self.why("not run").to_owned());
        let what = Explanation { day, analyzer: None, numbers, reason };
        let ledger = &self.lab.ledger;
        match which {
            0 => return ledger.day_explain(&actor, &clock, &what).await.map(drop),
            1 => return ledger.day_unexplain(&actor, &clock, &what).await.map(drop),
            _ => self.blank = false,
        }
        let last = Some("6".to_owned());
        let confirmed = [Confirmed { analyzer: "bench-1".into(), last }];
        ledger.day_close(&self.lab.bench, &actor, DAY, &confirmed, &confirmed).await.map(drop)
    }

    /// After a restore somebody compares what the receiver has with what this ledger says, sees to it where
    /// they differ, lifts the notice, and lets delivery go on.
    pub async fn compare(&mut self) -> Result<(), StoreError> {
        if !self.lab.ledger.gate("lis").await?.paused {
            return Ok(());
        }
        for has in self.receiver.has.clone() {
            match self.message(&has.last).await {
                None => self.take_back(&has.filler).await?,
                // It has what this ledger says that it refused, or that is not to go.
                Some((n, state)) if state != "accepted" => {
                    let again = Which::These(vec![n]);
                    let _ =
                        self.lab.ledger.message_retry(&self.lab.bench, &self.actor(), &again).await;
                }
                Some(_) => {}
            }
        }
        let (ledger, actor) = (&self.lab.ledger, self.actor());
        for notice in ledger.notices().await? {
            ledger.notice_lift(&actor, notice.n, "compared").await?;
        }
        ledger.receiver_pause(&actor, "lis", false).await?;
        self.told.push("compared with the receiver: delivery goes on".into());
        Ok(())
    }

    /// Everything is old enough to go. What anybody has still to see to stays.
    async fn purge(&mut self) -> Result<(), StoreError> {
        let open = "SELECT n FROM report WHERE state = 'held' OR unsent = 1 UNION SELECT report FROM message \
             WHERE state IN ('waiting', 'refused') OR owes = 1";
        let before = self.numbers(open).await;
        let (why, actor) = (self.why("kept long enough"), self.actor());
        let (lab, kept) = (&self.lab, Kept { since: i64::MAX, controls_since: i64::MAX });
        lab.ledger.purge(&lab.bench, &lab.tape, &actor, kept, why).await?;
        let mut there = self.numbers("SELECT n FROM report").await;
        there.sort_unstable();
        for print in &mut self.prints {
            print.purged = there.binary_search(&print.report).is_err();
        }
        assert_eq!(self.numbers(open).await, before, "{:#?}", self.told);
        assert!(before.iter().all(|n| there.contains(n)), "{:#?}", self.told);
        self.told.push(format!("purged but {there:?}"));
        Ok(())
    }

    /// A message by its control id: its number and state in this ledger.
    async fn message(&self, control_id: &str) -> Option<(i64, String)> {
        let mut conn = self.lab.ledger.db.read().await.expect("a connection");
        let sql = "SELECT n, state FROM message WHERE control_id = $1";
        let row = conn.fetch_optional(sqlx::query(sql).bind(control_id.to_owned())).await;
        let row = row.expect("read")?;
        Some((sqlx::Row::get(&row, 0), sqlx::Row::get(&row, 1)))
    }

    /// The receiver was told something under an OBR-3 that this ledger does not know: whatever waits there is
    /// set aside, and what it has is taken back.
    async fn take_back(&mut self, filler: &str) -> Result<(), StoreError> {
        let (ledger, bench, actor) = (&self.lab.ledger, &self.lab.bench, self.actor());
        let messages = "SELECT m.n FROM message m JOIN report r ON r.n = m.report \
             WHERE coalesce(m.filler, r.filler) = $1 AND m.state IN ('waiting', 'refused')";
        for n in self.under(messages, filler).await {
            refused(ledger.message_set_aside(&actor, &[n], "the receiver has another").await)?;
        }
        let speak = "SELECT n FROM report WHERE filler = $1 AND state = 'waiting'";
        for n in self.under(speak, filler).await {
            let done = ledger.report_withdraw(bench, &actor, n, "the receiver has another", None);
            refused(done.await.map(drop))?;
        }
        Ok(())
    }

    async fn under(&self, sql: &'static str, filler: &str) -> Vec<i64> {
        let mut conn = self.lab.ledger.db.read().await.expect("a connection");
        let rows = conn.fetch_all(sqlx::query(sql).bind(filler.to_owned())).await.expect("rows");
        rows.iter().map(|row| sqlx::Row::get(row, 0)).collect()
    }
}

/// In which states a report may be when an act of it begins.
fn begins(which: usize) -> &'static [ReportState] {
    match which {
        3..=10 | 14 => &[ReportState::Held],
        11..=13 => &[ReportState::Waiting],
        _ => ReportState::ALL,
    }
}

/// What may not be done is refused, and that is well.
fn refused(done: Result<(), StoreError>) -> Result<(), StoreError> {
    match done {
        Err(StoreError::Refused { .. }) => Ok(()),
        other => other,
    }
}
