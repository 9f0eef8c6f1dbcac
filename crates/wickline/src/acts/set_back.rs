//! A ledger that is not the one that the tape remembers: an older copy, or another. What the tape holds
//! beyond it was perhaps sent: that is held, delivery is paused, and it is told until a person lifts it.

use tracing::{error, warn};
use wickline_normalize::Reason;

use crate::acts::facts::{reasoned, refused};
use crate::acts::intake::PERHAPS_SENT;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::rows::doubt;
use crate::store::rows::notice::{self, Kind, Notice};
use crate::store::rows::position::doubt_to;
use crate::store::rows::queue::pause_for;
use crate::store::seen::Seen;
use crate::store::tape::Tape;
use crate::store::trail::{Act, Actor, record};
use crate::texts::{Said, say, way};

/// Where the tape of each analyzer ended before anything was heard: entry and offset.
pub type Ends = std::collections::HashMap<String, (i64, u64)>;

/// A tape whose reports were perhaps sent: all that the ledger itself has of it, and what stands on it up to
/// these bytes.
#[derive(Clone, Debug, Default)]
pub struct Doubt {
    pub tape: String,
    pub lines: Vec<(String, u64)>,
}

impl Doubt {
    fn words(&self) -> String {
        let line = |(line, to): &(String, u64)| format!("{line} to byte {to}");
        self.lines.iter().map(line).collect::<Vec<_>>().join(", ")
    }
}

/// What was put back from which copy, for the trail and for those who read the notice.
#[derive(Clone, Debug)]
pub struct PutBack {
    pub what: String,
    pub tape: String,
    pub detail: String,
    pub reason: String,
    pub was: String,
    pub became: String,
    pub doubts: Vec<Doubt>,
}

/// Pauses every receiver, and doubts what was perhaps sent.
async fn doubted(
    write: &mut Write,
    bench: &Bench,
    why: &str,
    doubts: &[Doubt],
) -> Result<(), StoreError> {
    for target in &bench.targets {
        pause_for(write, &target.id, why).await?;
    }
    for Doubt { tape, lines } in doubts {
        for (line, to) in lines {
            doubt_to(write, tape, line, *to).await?;
        }
        doubt::hold_undecided(write, tape, PERHAPS_SENT).await?;
        doubt::rename_undecided(write, tape).await?;
        doubt::doubt_messages(write, tape).await?;
    }
    Ok(())
}

const RESTORED: &str = "stores were put back from a backup: compare with the receiver, then resume";
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
        let detail = &say!("notice.tape_new").to_string();
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
        let (kind, what) = match (same, now.report) {
            (true, _) => (Kind::LedgerSetBack, say!("kept.set_back")),
            (false, 0) => (Kind::LedgerOther, say!("kept.ledger_empty", n = before.report)),
            (false, _) => (Kind::LedgerOther, say!("kept.ledger_other")),
        };
        let detail = say!(
            "notice.set_back",
            what = what,
            had = stood(before),
            has = stood(now),
            code = Reason::AfterRestore.code(),
            orders = orders_missing(bench)
        );
        let detail = detail.to_string();
        let mut doubt = Doubt { tape: tape.id.clone(), lines: Vec::new() };
        for (line, seen) in &before.lines {
            let end = match ends.get(line) {
                Some((_, offset)) => *offset,
                None => tape.end(line).await?.1,
            };
            doubt.lines.push((line.clone(), seen.perhaps_to.min(end)));
        }
        let mut write = self.act().await?;
        doubted(&mut write, bench, PAUSED, std::slice::from_ref(&doubt)).await?;
        // Where it was put back by name that is told already, until a person lifts it.
        let told = notice::is_open(&mut write, Kind::Restored, &tape.id).await?;
        if told || notice::put(&mut write, kind, &tape.id, &detail).await? {
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
                    doubt.words()
                )),
            };
            record(&mut write, &Actor::daemon(), act).await?;
        }
        write.commit().await?;
        error!("{detail}");
        Ok(())
    }

    /// Stores were put back by name: what nobody could notice is seen to as well. `doubts`: what was perhaps sent since
    /// the copy was made; none where the ledger is not the copy.
    pub async fn put_back(
        &self,
        bench: &Bench,
        actor: &Actor,
        back: PutBack,
    ) -> Result<(), StoreError> {
        let mut write = self.act().await?;
        doubted(&mut write, bench, RESTORED, &back.doubts).await?;
        notice::put(&mut write, Kind::Restored, &back.tape, &back.detail).await?;
        let perhaps: Vec<String> =
            back.doubts.iter().filter(|d| !d.lines.is_empty()).map(Doubt::words).collect();
        let act = Act {
            verb: "restore",
            object: back.what,
            reason: Some(back.reason),
            was: Some(back.was),
            became: Some(format!("{}; perhaps sent: {}", back.became, perhaps.join(", "))),
        };
        record(&mut write, actor, act).await?;
        write.commit().await
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
            return Err(refused(say!("no.notice", n = n).then("; ").then(way!("notices"))));
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

/// What else is not in a ledger of before, where orders are taken in: the yes to them went out.
#[must_use]
pub fn orders_missing(bench: &Bench) -> Said {
    let sources: Vec<&str> = bench.sources.iter().map(|source| &*source.site.name).collect();
    match &sources[..] {
        [] => Said::default(),
        _ => say!("kept.orders_missing", names = sources.join(" and ")),
    }
}

fn stood(seen: &Seen) -> Said {
    let Seen { report, message, trail, .. } = seen;
    say!("kept.stood", report = report, message = message, n = trail.n)
}
