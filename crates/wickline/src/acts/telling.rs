//! What receivers were told under an OBR-3, and what goes out to them next under it.
//!
//! The bytes are the truth: what a receiver has or may have is in the kept messages that it accepted or
//! never answered. Readings read again with today's strip and layout are not what it was told.

use wickline_forward::hl7::{Correction, Named, Told, told};
use wickline_normalize::correction::{Known, Sent, learn};

use super::compose::{self, Subject};
use super::door::Pass;
use super::facts::refused;
use super::order_number::{self, IN_PLACE, Said as Beside};
use crate::clock;
use crate::settings::bench::{Bench, Target};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::era::Era;
use crate::store::ledger::{Ledger, take};
use crate::store::rows::message::{self, Amends, Made, Past};
use crate::store::rows::report::{Aside, ReportRow};
use crate::store::state::MessageState;
use crate::texts::say;

/// Why a message follows others under its OBR-3 where nobody gave a reason.
pub(crate) const AGAIN: &str = "sent again after it was put right";

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

impl Past {
    /// Whether the receiver has it, or may have it. None: it surely does not.
    pub(crate) fn may_be_known(&self) -> Option<Sent> {
        match self.state {
            MessageState::Accepted => Some(Sent::Accepted),
            MessageState::Refused | MessageState::SetAside if self.doubted => {
                Some(Sent::Unanswered)
            }
            MessageState::Refused => None,
            _ if self.answered || !self.tried => None,
            MessageState::Waiting if !self.kept_back => Some(Sent::OnItsWay),
            _ => Some(Sent::Unanswered),
        }
    }

    /// It must not go out any more once something else does under its OBR-3.
    fn is_replaced(&self) -> bool {
        match self.state {
            MessageState::Refused => true,
            MessageState::Waiting => !self.tried || self.kept_back,
            _ => false,
        }
    }
}

/// All that was sent to one receiver under one OBR-3, in order.
pub(crate) struct History {
    pub own: Vec<Past>,
    /// What other reports said under the numbers of its orders, where the receiver goes by those.
    beside: Vec<Beside>,
}

impl History {
    pub(crate) async fn read(
        write: &mut Write,
        bench: &Bench,
        open: &ReportRow,
        receiver: &str,
    ) -> Result<Self, StoreError> {
        let (root, filler) = (open.root(), open.filler.as_str());
        let own = message::history(write, root, filler, receiver).await?;
        let beside = match bench.targets.iter().find(|target| target.id == receiver) {
            Some(target) => order_number::said(write, target, &open.orders, (root, filler)).await?,
            None => Vec::new(),
        };
        Ok(Self { own, beside })
    }

    /// Of a report alone, whatever else stands under the numbers of its orders.
    pub(crate) fn of(own: Vec<Past>) -> Self {
        Self { own, beside: Vec::new() }
    }

    /// Why something follows it, where nobody gave a reason.
    pub(crate) fn why(&self) -> &'static str {
        if self.own.is_empty() && !self.beside.is_empty() { IN_PLACE } else { AGAIN }
    }

    /// The messages that the receiver has or may have.
    pub(crate) fn told(&self) -> impl Iterator<Item = (&Past, Sent)> {
        self.own.iter().filter_map(|past| Some((past, past.may_be_known()?)))
    }

    /// What the receiver knows by them.
    pub(crate) fn known(&self) -> Result<Vec<Known<Told>>, StoreError> {
        let mut said = Vec::new();
        for (past, sent) in self.told() {
            let kept = past.body.as_deref().ok_or("its bytes are not kept any more".to_owned());
            let rows = kept.and_then(told).map_err(|why| {
                refused(say!("no.told_unread", n = past.report, why = why.to_string()))
            })?;
            said.push((past.n, rows, sent));
        }
        let beside = self.beside.iter();
        said.extend(
            beside.filter_map(|b| Some((b.past.n, b.rows.clone(), b.past.may_be_known()?))),
        );
        said.sort_by_key(|(n, ..)| *n);
        let mut known = Vec::new();
        said.into_iter().for_each(|(_, rows, sent)| learn(&mut known, rows, sent));
        Ok(known)
    }

    /// What the next message has to go by.
    pub(crate) fn stands(&self) -> Result<Stands, StoreError> {
        let last = self.told().filter_map(|(past, _)| past.body.as_deref()).last();
        let named = last.map(Named::in_message).transpose().map_err(refused)?;
        Ok(Stands { known: self.known()?, named })
    }

    /// Their ids, for whoever sends what was built on them.
    pub(crate) fn built_on(&self) -> String {
        let ids: Vec<String> = self.told().map(|(past, _)| past.n.to_string()).collect();
        ids.join(",")
    }

    /// Sets aside what must not go out any more, now that message `by` does, or nothing.
    async fn replace(
        &self,
        write: &mut Write,
        saying: Saying,
        by: Option<i64>,
    ) -> Result<(), StoreError> {
        let (aside, detail) = match (by, saying) {
            (Some(_), Saying::Results) => (Aside::Replaced, "another was built in its place"),
            (Some(_), Saying::Withdrawal) => (Aside::Withdrawn, "it was withdrawn"),
            (None, Saying::Results) => (Aside::Replaced, "it would say nothing new"),
            (None, Saying::Withdrawal) => (Aside::Withdrawn, "withdrawn before it was sent"),
        };
        for past in self.own.iter().filter(|past| past.is_replaced()) {
            let arrow = past.state.to(MessageState::SetAside)?;
            message::set_aside(write, past.n, arrow, aside, Some(detail)).await?;
        }
        Ok(())
    }
}

/// What a receiver knows, and of whom.
pub(crate) struct Stands {
    pub known: Vec<Known<Told>>,
    named: Option<Named>,
}

/// Builds what one receiver is to be told; None: it would say nothing new.
pub(crate) fn build(
    bench: &Bench,
    target: &Target,
    ids: (&str, i64),
    open: &ReportRow,
    saying: Saying,
    Stands { known, named }: &Stands,
    why: &str,
) -> Result<Option<Vec<u8>>, StoreError> {
    let none = Vec::new();
    let readings = if saying == Saying::Results { &open.readings } else { &none };
    let subject = Subject { readings, ..Subject::of(open) };
    let (control_id, made_at) = ids;
    let built = match (&known[..], saying) {
        ([], Saying::Withdrawal) => return Ok(None),
        ([], Saying::Results) => {
            compose::message(bench, target, control_id, made_at, &subject).map(Some)
        }
        (known, saying) => {
            let correction = Correction { reason: why, known, named: named.as_ref() };
            let withdraws = saying == Saying::Withdrawal;
            compose::amendment(bench, target, control_id, made_at, &subject, &correction, withdraws)
        }
    };
    built.map_err(|hold| refused(format!("report {}: {}", open.n, hold.detail)))
}

/// Why no message could be built for some receiver of a report's results. None: all can.
pub(crate) fn unsayable(bench: &Bench, open: &ReportRow) -> Option<String> {
    let subject = Subject::of(open);
    let id = Era::measure().control_id(i64::MAX);
    let now = clock::now_us();
    let faults = bench
        .targets_of(&open.analyzer, open.role())
        .find_map(|target| compose::message(bench, target, &id, now, &subject).err());
    faults.map(|hold| hold.detail)
}

/// What is to be said about one report, and by whose leave.
pub(crate) struct Word<'a> {
    pub open: &'a ReportRow,
    pub saying: Saying,
    pub why: Option<&'a str>,
}

impl<'a> Word<'a> {
    /// Checks that the door gave leave for this report and this word.
    pub fn by(
        pass: &Pass,
        open: &'a ReportRow,
        saying: Saying,
        why: Option<&'a str>,
    ) -> Result<Self, StoreError> {
        let allowed = match saying {
            Saying::Results => pass.tells_results(),
            Saying::Withdrawal => pass.tells_withdrawal(),
        };
        if allowed && pass.report() == open.n {
            return Ok(Self { open, saying, why });
        }
        let why = format!("a pass for report {} does not fit {saying:?}", pass.report());
        Err(StoreError::Wrong { what: format!("what is told of report {}", open.n), why })
    }
}

impl Ledger {
    /// Puts what is to be said under a report's OBR-3 into the queue of each receiver that takes it or
    /// was told of it. What waits there and was never tried is replaced; what was told is corrected.
    pub(crate) async fn tell(
        &self,
        write: &mut Write,
        bench: &Bench,
        word: &Word<'_>,
    ) -> Result<Vec<Outcome>, StoreError> {
        let open = word.open;
        let mut receivers = message::receivers(write, open.root(), &open.filler).await?;
        if word.saying == Saying::Results {
            let takes = bench.targets_of(&open.analyzer, open.role());
            let new = takes.map(|t| t.id.clone()).filter(|id| !receivers.contains(id));
            receivers.extend(new.collect::<Vec<_>>());
        }
        let mut outcomes = Vec::new();
        for receiver in receivers {
            outcomes.push(self.tell_receiver(write, bench, word, receiver).await?);
        }
        Ok(outcomes)
    }

    /// The same for one receiver.
    pub(crate) async fn tell_receiver(
        &self,
        write: &mut Write,
        bench: &Bench,
        word: &Word<'_>,
        receiver: String,
    ) -> Result<Outcome, StoreError> {
        let open = word.open;
        let history = History::read(write, bench, open, &receiver).await?;
        // Where a receiver takes no more of this analyzer's, only what it was told matters.
        let mut takes = bench.targets_of(&open.analyzer, open.role());
        let takes = takes.any(|t| t.id == receiver);
        let told = history.told().next().is_some();
        let (said, message) = if told || (takes && word.saying == Saying::Results) {
            self.say(write, bench, word, &receiver, &history).await?
        } else {
            history.replace(write, word.saying, None).await?;
            (Said::Nothing, None)
        };
        Ok(Outcome { receiver, said, message })
    }

    async fn say(
        &self,
        write: &mut Write,
        bench: &Bench,
        word: &Word<'_>,
        receiver: &str,
        history: &History,
    ) -> Result<(Said, Option<i64>), StoreError> {
        let Word { open, saying, why } = *word;
        let stands = history.stands()?;
        let reason = why.unwrap_or_else(|| history.why());
        let Some(target) = bench.targets.iter().find(|t| t.id == receiver) else {
            return self.unreachable(write, word, receiver, history).await;
        };
        if let [.., last] = &history.own[..]
            && last.is_replaced()
            && !last.kept_back
        {
            // What stands in the queue, or was refused, and says just this is left as it is.
            let ids = (last.control_id.as_str(), last.made_at);
            if build(bench, target, ids, open, saying, &stands, reason)? == last.body {
                return Ok((Said::Nothing, None));
            }
        }
        let n = take(write, "message", 1).await?;
        let (id, made_at) = (Era::draw()?.control_id(n), clock::now_us());
        let Some(body) = build(bench, target, (&id, made_at), open, saying, &stands, reason)?
        else {
            history.replace(write, saying, None).await?;
            return Ok((Said::Nothing, None));
        };
        history.replace(write, saying, Some(n)).await?;
        let (receiver, report) = (receiver.to_owned(), open.n);
        let made =
            Made { n, control_id: id, receiver, report, body, made_at, urgent: open.is_urgent() };
        message::insert(write, &[made]).await?;
        let (said, amends) = match saying {
            Saying::Withdrawal => (Said::Withdrawn, Some(Amends::Withdraws)),
            Saying::Results if stands.known.is_empty() => (Said::First, None),
            Saying::Results => (Said::Corrected, Some(Amends::Corrects)),
        };
        if amends.is_some() || !history.own.is_empty() {
            let why = amends.map(|_| reason);
            message::annotate(write, n, amends, why, &history.built_on()).await?;
        }
        Ok((said, Some(n)))
    }

    /// A receiver that was told something and is not configured here any more stands in the list of what is
    /// refused until a person says how it was told.
    async fn unreachable(
        &self,
        write: &mut Write,
        word: &Word<'_>,
        receiver: &str,
        history: &History,
    ) -> Result<(Said, Option<i64>), StoreError> {
        let n = take(write, "message", 1).await?;
        history.replace(write, word.saying, Some(n)).await?;
        let (id, report) = (Era::draw()?.control_id(n), word.open.n);
        let (receiver, made_at) = (receiver.to_owned(), clock::now_us());
        // No layout is known any more by which it could be put into words.
        let body = Vec::new();
        let made = Made {
            n,
            control_id: id,
            receiver,
            report,
            body,
            made_at,
            urgent: word.open.is_urgent(),
        };
        message::insert(write, &[made]).await?;
        let amends = match word.saying {
            Saying::Results => Amends::Corrects,
            Saying::Withdrawal => Amends::Withdraws,
        };
        let reason = word.why.unwrap_or(AGAIN);
        message::annotate(write, n, Some(amends), Some(reason), &history.built_on()).await?;
        message::cannot_go(write, n, MessageState::Waiting.to(MessageState::Refused)?).await?;
        Ok((Said::Unreachable, Some(n)))
    }

    /// Whether a message may still go out as it was built: since then the receiver may have got something
    /// that it does not take into account (another was on the wire while it was being replaced). Then it
    /// waits for a person as refused: sending it again builds it anew.
    pub async fn queue_overtaken(&self, receiver: &str, n: i64) -> Result<bool, StoreError> {
        let mut write = self.db.write().await?;
        let Some(found) = message::heeding(&mut write, n).await? else { return Ok(false) };
        let past = message::history(&mut write, found.root, &found.filler, receiver).await?;
        let history = History::of(past);
        let heeded = |past: &Past| found.built_on.split(',').any(|id| id == past.n.to_string());
        if history.told().all(|(past, _)| past.n >= n || heeded(past)) {
            return Ok(false);
        }
        let arrow = MessageState::Waiting.to(MessageState::Refused)?;
        message::overtaken(&mut write, n, arrow).await?;
        write.commit().await?;
        Ok(true)
    }
}
