//! What receivers were told under an OBR-3, and what goes out to them next under it.
//!
//! The bytes are the truth: what a receiver has or may have is in the kept messages that it accepted or
//! never answered. Readings read again with today's strip and layout are not what it was told.

use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Executor, Row};
use wickline_forward::hl7::{Correction, Told, told};
use wickline_normalize::correction::{Known, Sent, learn};

use crate::acts::compose;
use crate::acts::held::{Open, no};
use crate::clock;
use crate::settings::bench::{Bench, Target};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::ledger::control_id;
use crate::store::ledger::take;
use crate::store::rows::queue::{Made, insert_messages};
use crate::store::state::State;

/// Why a message follows others under its OBR-3 where nobody gave a reason.
const AGAIN: &str = "sent again after it was put right";

/// Why a message is set aside that another takes the place of.
pub(crate) const BUILT_ANEW: &str = "a newer message was built in its place";

/// What is to be said under an OBR-3.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Saying {
    /// What is right now.
    Results,
    /// That all of it is taken back.
    Withdrawal,
}

/// What went, or did not go, to one receiver.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outcome {
    pub receiver: String,
    pub said: Said,
    /// The message that says it.
    pub message: Option<i64>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Said {
    /// It was told nothing before: a result like any other.
    First,
    Corrected,
    Withdrawn,
    /// What it has, or what waits for it, says all of it.
    Nothing,
    /// It was told something and is not configured here any more: somebody must tell it.
    Unreachable,
}

impl Said {
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Said::First => "sent",
            Said::Corrected => "corrected",
            Said::Withdrawn => "withdrawn",
            Said::Nothing => "nothing-new",
            Said::Unreachable => "unreachable",
        }
    }
}

/// A message of the past, as far as it matters to what comes after it.
pub(crate) struct Past {
    pub n: i64,
    control_id: String,
    made_at: i64,
    pub state: State,
    answered: bool,
    /// It was tried, or may have been by a daemon that died before it could say so.
    tried: bool,
    kept_back: bool,
    body: Option<Vec<u8>>,
}

impl Past {
    /// Whether the receiver has it, or may have it. None: it surely does not.
    fn sent(&self) -> Option<Sent> {
        match self.state {
            State::Accepted => Some(Sent::Accepted),
            State::Refused => None,
            _ if self.answered || !self.tried => None,
            State::Waiting if !self.kept_back => Some(Sent::OnItsWay),
            _ => Some(Sent::Unanswered),
        }
    }

    /// It must not go out any more once something else does under its OBR-3.
    fn is_replaced(&self) -> bool {
        match self.state {
            State::Refused => true,
            State::Waiting => !self.tried || self.kept_back,
            _ => false,
        }
    }
}

/// All that was sent to one receiver under one OBR-3, in order.
pub(crate) struct History(pub Vec<Past>);

impl History {
    pub(crate) async fn read(
        write: &mut Write,
        root: i64,
        filler: &str,
        receiver: &str,
    ) -> Result<Self, StoreError> {
        let history = Self::look(write.conn(), root, filler, receiver).await;
        history.map_err(|e| write.wrong(&e))
    }

    /// The same for a question alone.
    pub(crate) async fn look(
        conn: &mut AnyConnection,
        root: i64,
        filler: &str,
        receiver: &str,
    ) -> Result<Self, sqlx::Error> {
        let query = sqlx::query(
            "SELECT m.n, m.control_id, m.made_at, m.state, m.attempts + m.perhaps AS tries, m.put_by, b.body, \
             CASE WHEN m.answer IS NULL THEN 0 ELSE 1 END AS answered \
             FROM message m JOIN report r ON r.n = m.report \
             LEFT JOIN message_body b ON b.n = m.n \
             WHERE m.report IN (SELECT n FROM report WHERE n = $1 OR corrects = $1) \
             AND m.receiver = $2 AND coalesce(m.filler, r.filler) = $3 ORDER BY m.n",
        )
        .bind(root)
        .bind(receiver.to_owned())
        .bind(filler.to_owned());
        let rows = conn.fetch_all(query).await?;
        let read = |row: &AnyRow| -> Result<Past, sqlx::Error> {
            Ok(Past {
                n: row.try_get("n")?,
                control_id: row.try_get("control_id")?,
                made_at: row.try_get("made_at")?,
                state: State::of(&row.try_get::<String, _>("state")?),
                tried: row.try_get::<i64, _>("tries")? != 0,
                answered: row.try_get::<i32, _>("answered")? != 0,
                kept_back: row.try_get::<i64, _>("put_by")? != 0,
                body: row.try_get("body")?,
            })
        };
        rows.iter().map(read).collect::<Result<_, _>>().map(Self)
    }

    /// The messages that the receiver has or may have.
    fn told(&self) -> impl Iterator<Item = (&Past, Sent)> {
        self.0.iter().filter_map(|past| Some((past, past.sent()?)))
    }

    /// What the receiver knows by them.
    pub(crate) fn known(&self) -> Result<Vec<Known<Told>>, StoreError> {
        let mut known = Vec::new();
        for (past, sent) in self.told() {
            let kept = past.body.as_deref().ok_or("its bytes are not kept any more".to_owned());
            let rows = kept.and_then(told).map_err(|why| {
                no(format!("message {}: what it told cannot be read: {why}", past.control_id))
            })?;
            learn(&mut known, rows, sent);
        }
        Ok(known)
    }

    /// Their ids, for whoever sends what was built on them.
    pub(crate) fn heeds(&self) -> String {
        let ids: Vec<String> = self.told().map(|(past, _)| past.n.to_string()).collect();
        ids.join(",")
    }
}

/// What a message says beyond its bytes.
pub(crate) struct Extras<'a> {
    pub amends: Option<&'static str>,
    pub why: Option<&'a str>,
    pub heeds: String,
}

/// Builds what one receiver is to be told; None: it would say nothing new.
pub(crate) fn build(
    bench: &Bench,
    target: &Target,
    ids: (&str, i64),
    open: &Open,
    saying: Saying,
    known: &[Known<Told>],
    why: &str,
) -> Result<Option<Vec<u8>>, StoreError> {
    let readings = match saying {
        Saying::Results => open.readings()?,
        Saying::Withdrawal => Vec::new(),
    };
    let specimen = open.specimen.clone().unwrap_or_default();
    let subject = open.subject(&specimen, &readings);
    let (control_id, made_at) = ids;
    let built = match (known, saying) {
        ([], Saying::Withdrawal) => return Ok(None),
        ([], Saying::Results) => {
            compose::message(bench, target, control_id, made_at, &subject).map(Some)
        }
        (known, saying) => {
            let correction = Correction { reason: why, known };
            let withdraws = saying == Saying::Withdrawal;
            compose::amendment(bench, target, control_id, made_at, &subject, &correction, withdraws)
        }
    };
    built.map_err(|hold| no(format!("report {}: {}", open.n, hold.detail)))
}

impl Ledger {
    /// Puts what is to be said under a report's OBR-3 into the queue of each receiver that takes it or
    /// was told of it. What waits there and was never tried is replaced; what was told is corrected.
    pub(crate) async fn tell(
        &self,
        write: &mut Write,
        bench: &Bench,
        open: &Open,
        saying: Saying,
        why: Option<&str>,
    ) -> Result<Vec<Outcome>, StoreError> {
        let mut receivers = told_of(write, open).await?;
        let takes = bench.targets_of(&open.analyzer, open.is_control());
        let takes: Vec<&str> = takes.map(|t| t.id.as_str()).collect();
        if saying == Saying::Results {
            let new = takes.iter().filter(|id| !receivers.iter().any(|r| r == *id));
            let new: Vec<String> = new.map(|id| (*id).to_owned()).collect();
            receivers.extend(new);
        }
        let mut outcomes = Vec::new();
        for receiver in receivers {
            let history = History::read(write, open.root(), &open.filler, &receiver).await?;
            // Where a receiver takes no more of this analyzer's, only what it was told matters.
            let takes = takes.contains(&receiver.as_str());
            let told = history.told().next().is_some();
            let (said, message) = if told || (takes && saying == Saying::Results) {
                self.tell_one(write, bench, open, saying, why, &receiver, &history).await?
            } else {
                replaced(write, &history, saying, None).await?;
                (Said::Nothing, None)
            };
            outcomes.push(Outcome { receiver, said, message });
        }
        Ok(outcomes)
    }

    #[expect(clippy::too_many_arguments, reason = "one step of tell, split off to be readable")]
    async fn tell_one(
        &self,
        write: &mut Write,
        bench: &Bench,
        open: &Open,
        saying: Saying,
        why: Option<&str>,
        receiver: &str,
        history: &History,
    ) -> Result<(Said, Option<i64>), StoreError> {
        let known = history.known()?;
        let reason = why.unwrap_or(AGAIN);
        let Some(target) = bench.targets.iter().find(|t| t.id == receiver) else {
            replaced(write, history, saying, None).await?;
            return Ok((Said::Unreachable, None));
        };
        if let [.., last] = &history.0[..]
            && last.is_replaced()
            && !last.kept_back
        {
            // What stands in the queue, or was refused, and says just this is left as it is.
            let ids = (last.control_id.as_str(), last.made_at);
            if build(bench, target, ids, open, saying, &known, reason)? == last.body {
                return Ok((Said::Nothing, None));
            }
        }
        let n = take(write, "message", 1).await?;
        let (id, made_at) = (control_id(&self.epoch, n), clock::now_us());
        let ids = (id.as_str(), made_at);
        let Some(body) = build(bench, target, ids, open, saying, &known, reason)? else {
            replaced(write, history, saying, None).await?;
            return Ok((Said::Nothing, None));
        };
        replaced(write, history, saying, Some(n)).await?;
        let made = Made {
            n,
            control_id: id,
            receiver: receiver.to_owned(),
            report: open.n,
            body,
            made_at,
        };
        insert_messages(write, &[made]).await?;
        let (said, amends) = match saying {
            Saying::Withdrawal => (Said::Withdrawn, Some("withdraws")),
            Saying::Results if known.is_empty() => (Said::First, None),
            Saying::Results => (Said::Corrected, Some("corrects")),
        };
        if !history.0.is_empty() {
            let why = amends.map(|_| reason);
            annotate(write, n, &Extras { amends, why, heeds: history.heeds() }).await?;
        }
        Ok((said, Some(n)))
    }
}

/// Notes of a message what it follows, so that it can be built again and is not sent unheeding.
pub(crate) async fn annotate(
    write: &mut Write,
    n: i64,
    extras: &Extras<'_>,
) -> Result<(), StoreError> {
    let query = sqlx::query("UPDATE message SET amends = $1, why = $2, heeds = $3 WHERE n = $4")
        .bind(extras.amends)
        .bind(extras.why.map(str::to_owned))
        .bind(extras.heeds.clone())
        .bind(n);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Sets aside what must not go out any more, now that message `by` does, or nothing.
async fn replaced(
    write: &mut Write,
    history: &History,
    saying: Saying,
    by: Option<i64>,
) -> Result<(), StoreError> {
    let detail = match (by, saying) {
        (Some(_), Saying::Results) => BUILT_ANEW,
        (Some(_), Saying::Withdrawal) => "a newer message withdraws it",
        (None, Saying::Results) => "it would say nothing new",
        (None, Saying::Withdrawal) => "withdrawn before it was sent",
    };
    for past in history.0.iter().filter(|past| past.is_replaced()) {
        set_aside(write, past.n, detail).await?;
    }
    Ok(())
}

/// Sets one message aside in favour of another.
pub(crate) async fn set_aside(write: &mut Write, n: i64, detail: &str) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE message SET state = 'set-aside', put_by = 0, reason = NULL, detail = $1 \
         WHERE n = $2 AND state IN ('waiting', 'refused')",
    )
    .bind(detail.to_owned())
    .bind(n);
    crate::acts::held::one_row(write, n, query).await
}

/// The receivers with messages under a report's OBR-3.
async fn told_of(write: &mut Write, open: &Open) -> Result<Vec<String>, StoreError> {
    let query = sqlx::query(
        "SELECT DISTINCT m.receiver FROM message m JOIN report r ON r.n = m.report \
         WHERE m.report IN (SELECT n FROM report WHERE n = $1 OR corrects = $1) \
         AND coalesce(m.filler, r.filler) = $2 ORDER BY m.receiver",
    )
    .bind(open.root())
    .bind(open.filler.clone());
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    rows.iter()
        .map(|row| row.try_get(0))
        .collect::<Result<_, _>>()
        .map_err(|e: sqlx::Error| write.wrong(&e))
}

impl Ledger {
    /// Whether a message may still go out as it was built: since then the receiver may have got something
    /// that it does not take into account (another was on the wire while it was being replaced). Then it
    /// waits for a person as refused: sending it again builds it anew.
    pub async fn queue_overtaken(&self, receiver: &str, n: i64) -> Result<bool, StoreError> {
        let mut write = self.db.write().await?;
        let query = sqlx::query(
            "SELECT m.heeds, coalesce(r.corrects, r.n) AS root, coalesce(m.filler, r.filler) AS filler \
             FROM message m JOIN report r ON r.n = m.report \
             WHERE m.n = $1 AND m.state = 'waiting' AND m.heeds IS NOT NULL",
        )
        .bind(n);
        let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
        let Some(row) = row else { return Ok(false) };
        let read = || -> Result<(String, i64, String), sqlx::Error> {
            Ok((row.try_get("heeds")?, row.try_get("root")?, row.try_get("filler")?))
        };
        let (heeds, root, filler) = read().map_err(|e| write.wrong(&e))?;
        let history = History::read(&mut write, root, &filler, receiver).await?;
        let heeded = |past: &Past| heeds.split(',').any(|id| id == past.n.to_string());
        if history.told().all(|(past, _)| past.n >= n || heeded(past)) {
            return Ok(false);
        }
        let query = sqlx::query(
            "UPDATE message SET state = 'refused', reason = 'overtaken', settled_at = $1, detail = \
             'another message under its OBR-3 went out while this one was made: `wickline queue retry ' \
             || report || '@' || receiver || '` builds it anew' \
             WHERE n = $2 AND state = 'waiting'",
        )
        .bind(clock::now_us())
        .bind(n);
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        write.commit().await?;
        Ok(true)
    }
}
