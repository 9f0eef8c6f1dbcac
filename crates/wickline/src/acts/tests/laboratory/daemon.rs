//! What the daemon of the random laboratory does: sends, dies and starts again, also on an older copy of its
//! ledger.

use super::*;
use crate::acts::set_back::Ends;
use crate::store::rows::queue::Due;
use crate::store::trail::Act;

/// A ledger's file as it was copied once, and what the model knew then.
pub struct Older {
    file: std::path::PathBuf,
    prints: Vec<Print>,
}

impl Story {
    /// The daemon dies and starts again: what may have been on the wire may have been sent.
    pub async fn restart(&mut self) -> Result<(), StoreError> {
        let address = self.lab.ledger.db.address().clone();
        // A connection that is only dropped ends at some later moment: until then it would keep the log of a file that
        // another one is put in place of.
        self.lab.ledger.close().await?;
        self.lab.ledger = Ledger::open(address).await?;
        self.begins().await
    }

    /// As the daemon begins, each time.
    pub async fn begins(&self) -> Result<(), StoreError> {
        let (ledger, bench, tape) = (&self.lab.ledger, &self.lab.bench, &self.lab.tape);
        if self.taken_out != TakenOut::Noticing {
            let entry = i64::try_from(self.prints.len()).expect("few");
            let ends = Ends::from([("bench-1".to_owned(), (entry, self.lab.at))]);
            ledger.compared(bench, tape, &ends).await?;
        }
        let start = Act { verb: "start", object: "daemon".into(), ..Act::default() };
        ledger.note(&Actor::daemon(), start).await?;
        tape.note_ledger(&ledger.stands(&tape.id).await?, &["bench-1"]).await?;
        ledger.receiver_known("lis", false).await?;
        ledger.reports_undelivered(bench).await?;
        ledger.queue_begins("lis", 3, false).await?;
        self.put_right().await;
        Ok(())
    }

    fn file(&self) -> std::path::PathBuf {
        match self.lab.ledger.db.address() {
            Address::Sqlite(file) => file.clone(),
            other @ Address::Postgres(_) => panic!("a file is copied, no {other:?}"),
        }
    }

    /// The daemon is stopped, the ledger's file is copied, and it starts again.
    pub async fn copy(&mut self) -> Result<(), StoreError> {
        let (file, copy) = (self.file(), self.file().with_extension("copy"));
        self.rests().await?;
        std::fs::copy(&file, &copy).expect("copied");
        self.older = Some(Older { file: copy, prints: self.prints.clone() });
        self.restart().await
    }

    /// The tape remembers the ledger as it is now, and nothing uses it any more.
    async fn rests(&self) -> Result<(), StoreError> {
        let (ledger, tape) = (&self.lab.ledger, &self.lab.tape);
        tape.note_at_rest(&ledger.stands(&tape.id).await?).await?;
        ledger.close().await
    }

    /// An older copy is put back. What the tape holds beyond it is read once more.
    pub async fn restore(&mut self) -> Result<(), StoreError> {
        let Some(older) = self.older.take() else { return Ok(()) };
        self.rests().await?;
        std::fs::copy(&older.file, self.file()).expect("put back");
        self.history += 1;
        self.own = None;
        self.next.clear();
        self.told.push(format!("the ledger of {} prints is put back", older.prints.len()));
        for (at, print) in self.prints.iter_mut().enumerate() {
            print.was_said.append(&mut print.may_be);
            // What had still to be taken back there is known to nobody here.
            print.was_said.append(&mut print.unsaid);
            print.doubted = !print.control;
            if let Some(then) = older.prints.get(at) {
                (print.report, print.may_be) = (then.report, then.may_be.clone());
                print.purged = then.purged;
            } else {
                let own =
                    Some(print.specimen.to_owned()).filter(|s| !s.is_empty() && !print.control);
                print.may_be = own.into_iter().collect();
            }
        }
        let many = older.prints.len();
        self.restart().await?;
        for at in many..self.prints.len() {
            let heard = [self.prints[at].heard.clone()];
            let safe = i64::try_from(at + 1).expect("few");
            self.prints[at].purged = false;
            self.prints[at].report = self.lab.take(&heard, safe).await.reports[0].id;
        }
        for at in (0..many).filter(|at| !self.prints[*at].purged).collect::<Vec<_>>() {
            let held = self.shown(self.prints[at].report).await.state == "held";
            self.prints[at].doubted &= held;
        }
        Ok(())
    }

    /// What the daemon does about messages that went out after they had been set aside.
    pub async fn put_right(&self) {
        if self.taken_out != TakenOut::PutRight {
            self.lab.ledger.messages_arrived(&self.lab.bench).await.expect("put right");
        }
    }

    pub async fn due(&self) -> Option<Due> {
        let ledger = &self.lab.ledger;
        if ledger.gate("lis").await.expect("a gate").paused {
            return None;
        }
        let due = ledger.queue_page("lis", 0, 1).await.expect("a page").into_iter().next()?;
        let asked = due.built_on && due.attempts == 0;
        if asked && ledger.queue_overtaken("lis", due.n).await.expect("asked") {
            return None;
        }
        Some(due)
    }

    /// The oldest goes on the wire; perhaps a person does something meanwhile; then it ends somehow.
    pub async fn send(&mut self) {
        let Some(due) = self.due().await else { return };
        let history = self.history;
        if self.dice.roll(3) == 0 {
            self.act().await;
        }
        let end = match self.dice.roll(5) {
            1 if self.receiver.took(&due.control_id) => 0,
            end => end,
        };
        self.told.push(format!("message {} of the wire ends {end}", due.n));
        if end != 1 && end != 3 {
            self.takes(&due, history);
        }
        if self.history != history {
            // The daemon that sent it is gone, and so is what it would have recorded.
            return;
        }
        match end {
            1 => self.settle(&due, MessageState::Refused).await,
            2 | 3 => {
                let tried = [Tried::times(due.n, due.attempts + 1)];
                let noted = self.lab.ledger.queue_tried("lis", 0, &tried, 1, "unanswered", "no");
                noted.await.expect("recorded");
            }
            _ => self.settle(&due, MessageState::Accepted).await,
        }
        self.put_right().await;
    }

    pub async fn settle(&self, due: &Due, state: MessageState) {
        let (answer, control_id) = (Some(b"MSA".to_vec()), Some(due.control_id.clone()));
        let attempts = due.attempts + 1;
        let one = Settled { attempts, answer, control_id, ..settled(due.n, state) };
        self.lab.ledger.queue_settle("lis", 0, &[one]).await.expect("recorded");
    }

    /// What the receiver makes of a message that was sent in one history of the ledger.
    pub fn takes(&mut self, due: &Due, history: usize) {
        match self.receiver.takes(&due.control_id, &due.body, history) {
            Ok(has) => {
                let print = &self.prints[has.print()];
                assert!(!print.control, "control material in a chart: {:#?}", self.told);
            }
            Err(why) => panic!("{why}: {:#?}", self.told),
        }
    }
}
