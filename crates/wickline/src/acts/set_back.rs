//! A ledger that is not the one that the tape remembers: an older copy, or another. What the tape holds
//! beyond it was perhaps sent: that is held, delivery is paused, and it is told until a person lifts it.

use tracing::{error, warn};
use wickline_normalize::Reason;

use crate::acts::facts::{reasoned, refused};
use crate::acts::intake::PERHAPS_SENT;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::doubt;
use crate::store::rows::notice::{self, Kind, Notice};
use crate::store::rows::position::doubt_to;
use crate::store::rows::queue::pause_for;
use crate::store::seen::Seen;
use crate::store::tape::Tape;
use crate::store::trail::{Act, Actor, record};

/// Where the tape of each analyzer ended before anything was heard: entry and offset.
pub type Ends = std::collections::HashMap<String, (i64, u64)>;

const PAUSED: &str =
    "the ledger is not as the tape remembers it: compare with the receiver, then resume";

impl Ledger {
    /// Whether this ledger has all that the tape remembers of it, before anything is read or sent; where
    /// not, that is seen to. From here on the tape remembers the ledger as it is now.
    pub async fn compared(
        &self,
        bench: &Bench,
        tape: &Tape,
        ends: &Ends,
    ) -> Result<(), StoreError> {
        let now = self.stands(&tape.id).await?;
        match tape.ledger_seen().await? {
            None => self.tape_is_new(bench, tape, &now).await?,
            Some(before) if self.goes_on(&now, &before).await? => {}
            Some(before) => self.set_back(bench, tape, ends, &before, &now).await?,
        }
        let lines: Vec<&str> = bench.analyzers.iter().map(|a| a.id.as_str()).collect();
        tape.note_ledger(&self.stands(&tape.id).await?, &lines).await
    }

    /// Told only: a tape that was moved aside is how a damaged one is mended.
    async fn tape_is_new(&self, bench: &Bench, tape: &Tape, now: &Seen) -> Result<(), StoreError> {
        let lines: Vec<&str> = bench.analyzers.iter().map(|a| a.id.as_str()).collect();
        if !now.lines.is_empty() || !self.read_elsewhere(&tape.id, &lines).await? {
            return Ok(());
        }
        let detail = "this tape is new, and its analyzers were read from another before: what stood there \
             unread is not in the ledger";
        let mut write = self.act().await?;
        if notice::put(&mut write, Kind::TapeNew, &tape.id, detail).await? {
            let (object, reason) = (format!("tape {}", tape.id), Some(detail.to_owned()));
            let act = Act { verb: "begin", object, reason, ..Act::default() };
            record(&mut write, &Actor::daemon(), act).await?;
        }
        write.commit().await?;
        warn!(detail, "a new tape");
        Ok(())
    }

    async fn set_back(
        &self,
        bench: &Bench,
        tape: &Tape,
        ends: &Ends,
        before: &Seen,
        now: &Seen,
    ) -> Result<(), StoreError> {
        let same = (&now.epoch, now.made_at) == (&before.epoch, before.made_at);
        let (kind, what) = match same {
            true => (Kind::LedgerSetBack, "the ledger was set back"),
            false => (Kind::LedgerOther, "the ledger was set back to nothing, or is another"),
        };
        let detail = format!(
            "{what}: the tape remembers {}, this one has {}. Delivery is paused, and what was perhaps sent is \
             held as {}",
            stood(before),
            stood(now),
            Reason::AfterRestore.code()
        );
        let mut write = self.act().await?;
        for target in &bench.targets {
            pause_for(&mut write, &target.id, PAUSED).await?;
        }
        let mut doubted = Vec::new();
        for (line, seen) in &before.lines {
            let end = match ends.get(line) {
                Some((_, offset)) => *offset,
                None => tape.end(line).await?.1,
            };
            let to = seen.perhaps_to.min(end);
            doubt_to(&mut write, &tape.id, line, to).await?;
            doubted.push(format!("{line} to byte {to}"));
        }
        doubt::hold_undecided(&mut write, &tape.id, PERHAPS_SENT).await?;
        doubt::rename_undecided(&mut write, &tape.id).await?;
        doubt::doubt_messages(&mut write, &tape.id).await?;
        if notice::put(&mut write, kind, &tape.id, &detail).await? {
            let act = Act {
                verb: "set-back",
                object: "ledger".into(),
                reason: Some(detail.clone()),
                was: Some(format!("{} {}:{}", before.epoch, before.trail.n, before.trail.hash)),
                became: Some(format!(
                    "{} {}:{}; perhaps sent: {}",
                    now.epoch,
                    now.trail.n,
                    now.trail.hash,
                    doubted.join(", ")
                )),
            };
            record(&mut write, &Actor::daemon(), act).await?;
        }
        write.commit().await?;
        error!("{detail}");
        Ok(())
    }

    /// A person has seen to what a notice tells.
    pub async fn notice_lift(
        &self,
        actor: &Actor,
        n: i64,
        reason: &str,
    ) -> Result<Notice, StoreError> {
        reasoned(reason)?;
        let mut write = self.act().await?;
        let Some(lifted) = notice::lift(&mut write, n).await? else {
            return Err(refused(format!(
                "there is no notice {n} to lift; `wickline ledger notices` has them"
            )));
        };
        let act = Act {
            verb: "lift",
            object: format!("notice {n}"),
            reason: Some(reason.to_owned()),
            was: Some(lifted.kind.code().to_owned()),
            became: Some("lifted".into()),
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(lifted)
    }
}

fn stood(seen: &Seen) -> String {
    let Seen { report, message, trail, .. } = seen;
    format!("report {report}, message {message} and row {} of the trail as the last", trail.n)
}
