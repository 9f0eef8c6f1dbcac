//! Sending again: what was refused, kept back or set aside by a person, as it was, or built anew where the
//! content changed; and putting right what a receiver got after all.

use super::aside::{message_of, post};
use super::door::{self, Asked, Facts, Pass};
use super::facts::{Known, refused, whole};
use super::identify::Twice;
use super::meeting;
use super::order_number::{self, Number};
use super::telling::{History, Saying, Word, build};
use super::withdraw::{Why, Withdrawn};
use crate::settings::bench::{Bench, Target};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::era::Era;
use crate::store::ledger::{Ledger, take};
use crate::store::lists::names::Name;
use crate::store::rows::message::{self, Amends, Made, MessageRow};
use crate::store::rows::order;
use crate::store::rows::report::{self, Aside, ReportRow};
use crate::store::state::{Arrow, MessageState};
use crate::store::trail::{Act, Actor, record};
use crate::texts::{Said, say};

/// Which messages a person wants sent again.
#[derive(Clone, Debug)]
pub enum Which {
    /// Every refused message, of one receiver or of all.
    Refused { receiver: Option<String> },
    /// These: refused, kept back, or set aside by a person.
    These(Vec<i64>),
}

/// What became of a message that is to be sent again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Resent {
    pub n: i64,
    pub name: Name,
    pub went: Went,
    /// Why it stays as it is.
    pub left: Option<Said>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Went {
    /// The same bytes.
    Same,
    /// This message goes in its place: content that changed has a control id of its own.
    Anew(i64),
    /// What it said was said since, in this message where there is one.
    SaidSince(Option<i64>),
    /// It cannot go now, and stays as it is.
    Nowhere,
}

impl Went {
    /// The message that says it instead.
    #[must_use]
    pub fn instead(self) -> Option<i64> {
        match self {
            Went::Same | Went::Nowhere => None,
            Went::Anew(n) => Some(n),
            Went::SaidSince(n) => n,
        }
    }

    fn words(self) -> Said {
        match self {
            Went::Same => say!("kept.same_bytes"),
            Went::Anew(_) => say!("kept.anew"),
            Went::SaidSince(Some(_)) => say!("kept.said_since"),
            Went::SaidSince(None) => say!("kept.nothing_new"),
            Went::Nowhere => say!("kept.as_it_was"),
        }
    }
}

impl Ledger {
    /// Puts messages into the queue again. One that is not just kept back is built anew from its report and
    /// today's configuration: same content, same bytes; else a new message goes in its place and the old one
    /// is set aside. What went out meanwhile under its OBR-3 is heeded. One that cannot go keeps no other from going;
    /// an error: none can.
    pub async fn message_retry(
        &self,
        bench: &Bench,
        actor: &Actor,
        which: &Which,
    ) -> Result<Vec<Resent>, StoreError> {
        let mut write = self.act().await?;
        let ids = match which {
            Which::These(ids) => ids.clone(),
            Which::Refused { receiver } => {
                message::refused(&mut write, receiver.as_deref()).await?
            }
        };
        let mut done = Vec::new();
        for n in ids {
            write.part().await?;
            match self.again(&mut write, bench, actor, n, None).await {
                Ok(resent) => {
                    write.part_done().await?;
                    done.push(resent);
                }
                Err(StoreError::Refused { why }) => {
                    write.part_undone().await?;
                    let name =
                        message_of(&mut write, n).await.map_err(|_| refused(why.clone()))?.name();
                    done.push(Resent { n, name, went: Went::Nowhere, left: Some(why) });
                }
                Err(error) => return Err(error),
            }
        }
        let left: Vec<&Said> = done.iter().filter_map(|one| one.left.as_ref()).collect();
        if !left.is_empty() && left.len() == done.len() {
            return Err(refused(Said::list("\n", left.into_iter().cloned())));
        }
        write.commit().await?;
        Ok(done)
    }

    /// Puts one message into the queue again, and says so in the trail: a retry, or with a person's reason
    /// the undoing of what that person had decided.
    pub(crate) async fn again(
        &self,
        write: &mut Write,
        bench: &Bench,
        actor: &Actor,
        n: i64,
        undoes: Option<&str>,
    ) -> Result<Resent, StoreError> {
        let stuck = message_of(write, n).await?;
        let went = self.goes_again(write, bench, &stuck, undoes).await?;
        let was = if stuck.kept_back { "kept back" } else { stuck.state.text() };
        let act = Act {
            verb: if undoes.is_some() { "undo" } else { "retry" },
            object: stuck.name().object(),
            reason: undoes.map(str::to_owned),
            was: Some(was.into()),
            became: Some(went.words().to_string()),
        };
        record(write, actor, act).await?;
        let root = whole(write, stuck.report).await?.root();
        meeting::follow(write, root).await?;
        Ok(Resent { n, name: stuck.name(), went, left: None })
    }

    async fn goes_again(
        &self,
        write: &mut Write,
        bench: &Bench,
        stuck: &MessageRow,
        undoes: Option<&str>,
    ) -> Result<Went, StoreError> {
        let (open, pass) = leave(write, bench, stuck, undoes).await?;
        let saying = if stuck.withdraws() { Saying::Withdrawal } else { Saying::Results };
        if saying == Saying::Results {
            number_is_free(write, bench, stuck, &open).await?;
        }
        let word = Word::by(&pass, &open, saying, stuck.why.as_deref())?;
        let history = History::read(write, bench, &open, &stuck.receiver).await?;
        let later =
            history.own.iter().filter(|p| p.n > stuck.n && p.state != MessageState::SetAside);
        if let Some(later) = later.map(|past| past.n).max() {
            // A later one says all that is right, and was made after this: never the old after the new.
            replaced(write, stuck, "a later one says it").await?;
            return Ok(Went::SaidSince(Some(later)));
        }
        if stuck.kept_back {
            message::back_in_queue(write, stuck.n, Arrow::stays(MessageState::Waiting)).await?;
            return Ok(Went::Same);
        }
        self.anew_or_same(write, bench, stuck, &word, &history).await
    }

    async fn anew_or_same(
        &self,
        write: &mut Write,
        bench: &Bench,
        stuck: &MessageRow,
        word: &Word<'_>,
        history: &History,
    ) -> Result<Went, StoreError> {
        let Word { open, saying, why } = *word;
        let target = target(bench, stuck)?;
        let stands = history.stands()?;
        let why = why.unwrap_or_else(|| history.why());
        let ids = (stuck.control_id.as_str(), stuck.made_at);
        let Some(body) = build(bench, target, ids, open, saying, &stands, why)? else {
            replaced(write, stuck, "it would say nothing new").await?;
            return Ok(Went::SaidSince(None));
        };
        let amends = match (stands.known.is_empty(), saying) {
            (true, _) => None,
            (false, Saying::Results) => Some(Amends::Corrects),
            (false, Saying::Withdrawal) => Some(Amends::Withdraws),
        };
        let (built_on, reason) = (history.built_on(), amends.map(|_| why));
        if body == stuck.body {
            let arrow = stuck.state.to(MessageState::Waiting)?;
            message::back_in_queue(write, stuck.n, arrow).await?;
            if amends.is_some() {
                message::annotate(write, stuck.n, amends, reason, &built_on).await?;
            }
            return Ok(Went::Same);
        }
        let n = take(write, "message", 1).await?;
        let (id, made_at) = (Era::draw()?.control_id(n), crate::clock::now_us());
        let Some(body) = build(bench, target, (&id, made_at), open, saying, &stands, why)? else {
            replaced(write, stuck, "it would say nothing new").await?;
            return Ok(Went::SaidSince(None));
        };
        let (receiver, report) = (stuck.receiver.clone(), open.n);
        let made =
            Made { n, control_id: id, receiver, report, body, made_at, urgent: open.is_urgent() };
        message::insert(write, &[made]).await?;
        message::annotate(write, n, amends, reason, &built_on).await?;
        if let Some((filler, specimen)) = &stuck.retired {
            message::retire(write, n, filler, specimen.as_deref()).await?;
        }
        replaced(write, stuck, "another was built in its place").await?;
        Ok(Went::Anew(n))
    }

    /// Says whose specimen a report really is that one refused message is about: what receivers were told
    /// under the wrong id is withdrawn, and it is sent anew under the right one.
    pub async fn report_renamed(
        &self,
        bench: &Bench,
        actor: &Actor,
        message: i64,
        specimen: &Twice,
    ) -> Result<Withdrawn, StoreError> {
        let mut write = self.act().await?;
        let stuck = message_of(&mut write, message).await?;
        let why = Why { reason: "sent under the wrong specimen id", post: Some(post(&stuck)) };
        let done = self.withdraw(&mut write, bench, actor, stuck.report, why, Some(specimen));
        let done = done.await?;
        write.commit().await?;
        Ok(done)
    }

    /// Puts right what receivers know by messages that went out, or may have, after they had been set aside
    /// for something else. How many.
    pub async fn messages_arrived(&self, bench: &Bench) -> Result<usize, StoreError> {
        if !self.owes().await? {
            return Ok(0);
        }
        let mut write = self.act().await?;
        let owed = message::owed(&mut write).await?;
        let mut done = 0;
        for n in owed {
            let row = message_of(&mut write, n).await?;
            match self.arrived(&mut write, bench, &row).await {
                Ok(()) => done += 1,
                // Another bench's reports are its own daemon's; what cannot be built is told by the sheet.
                Err(error) if error.is_of_one_row() => {
                    tracing::warn!(report = row.report, receiver = %row.receiver, %error,
                        "what it got after all is not put right yet");
                    continue;
                }
                Err(error) => return Err(error),
            }
            message::paid(&mut write, n).await?;
        }
        write.commit().await?;
        Ok(done)
    }

    async fn arrived(
        &self,
        write: &mut Write,
        bench: &Bench,
        row: &MessageRow,
    ) -> Result<(), StoreError> {
        let open = sayer(write, row).await?;
        let gone = row.retired.is_some() || row.aside == Some(Aside::Withdrawn);
        let (asked, saying) = if gone {
            (Asked::ArrivedWithdrawn, Saying::Withdrawal)
        } else {
            (Asked::Arrived, Saying::Results)
        };
        // Who has got it already is told what is right, whatever its orders say.
        let known = Known::met(write, bench, &open, None).await?;
        let pass = door::pass(asked, &known.facts(&open))?;
        let why = "it went out while it was taken back or replaced";
        let word = Word::by(&pass, &open, saying, Some(why))?;
        let outcome = self.tell_receiver(write, bench, &word, row.receiver.clone()).await?;
        if let (Some(n), Some((filler, specimen))) = (outcome.message, &row.retired) {
            message::retire(write, n, filler, specimen.as_deref()).await?;
        }
        let act = Act {
            verb: "arrived",
            object: format!("report {} at {}", open.n, row.receiver),
            reason: Some(why.into()),
            became: Some(outcome.said.code().into()),
            ..Act::default()
        };
        record(write, &Actor::daemon(), act).await
    }
}

/// The door's leave to say again what a message says, and the report that says it.
async fn leave(
    write: &mut Write,
    bench: &Bench,
    stuck: &MessageRow,
    undoes: Option<&str>,
) -> Result<(ReportRow, Pass), StoreError> {
    let open = sayer(write, stuck).await?;
    let known = Known::of(write, bench, &open).await?;
    let asked = match (undoes, stuck.withdraws()) {
        (None, false) => Asked::Retry,
        (None, true) => Asked::RetryWithdrawal,
        (Some(_), false) => Asked::UndoPutOff,
        (Some(_), true) => Asked::UndoPutOffWithdrawal,
    };
    // What is only kept back goes as it is, whatever is configured here now.
    let here = stuck.kept_back || bench.analyzer(&open.analyzer).is_some();
    let nowhere = known.waits().is_some() && is_nowhere(write, bench, &open).await?;
    let post = Some(post(stuck));
    let facts = Facts { here, post, reason: undoes, nowhere, ..known.facts(&open) };
    let pass = door::pass(asked, &facts)?;
    Ok((open, pass))
}

/// A receiver that goes by its order's number may have got another strip's result there meanwhile.
async fn number_is_free(
    write: &mut Write,
    bench: &Bench,
    stuck: &MessageRow,
    open: &ReportRow,
) -> Result<(), StoreError> {
    for link in &open.orders {
        let own = (open.root(), open.filler.as_str());
        if order_number::stands(write, bench, link, own).await? == Number::InUse {
            return Err(refused(say!("no.order_number_taken", name = stuck.name().to_string())));
        }
    }
    Ok(())
}

/// Whether no receiver has anything that was said under a report's OBR-3.
async fn is_nowhere(
    write: &mut Write,
    bench: &Bench,
    open: &ReportRow,
) -> Result<bool, StoreError> {
    for receiver in message::receivers(write, open.root(), &open.filler).await? {
        if History::read(write, bench, open, &receiver).await?.told().next().is_some() {
            return Ok(false);
        }
    }
    Ok(true)
}

/// The report that speaks under a message's OBR-3 today, with what that OBR-3 stands for.
async fn sayer(write: &mut Write, row: &MessageRow) -> Result<ReportRow, StoreError> {
    let mut open = whole(write, row.report).await?;
    if let Some((filler, specimen)) = &row.retired {
        // What it told under its own OBR-3 it told of the orders that it answers.
        if open.filler != *filler {
            open.orders = order::were(write, open.root(), filler).await?;
        }
        (open.filler, open.specimen) = (filler.clone(), specimen.clone());
        return Ok(open);
    }
    match report::speaks(write, open.root()).await? {
        Some(n) if n != open.n => whole(write, n).await,
        _ => Ok(open),
    }
}

fn target<'a>(bench: &'a Bench, stuck: &MessageRow) -> Result<&'a Target, StoreError> {
    let found = bench.targets.iter().find(|t| t.id == stuck.receiver);
    found.map(|t| t.as_ref()).ok_or_else(|| {
        refused(say!("no.receiver_gone", name = stuck.name().to_string(), id = &stuck.receiver))
    })
}

async fn replaced(
    write: &mut Write,
    stuck: &MessageRow,
    detail: &'static str,
) -> Result<(), StoreError> {
    if stuck.state == MessageState::SetAside {
        return Ok(());
    }
    let arrow = stuck.state.to(MessageState::SetAside)?;
    let aside = if stuck.withdraws() { Aside::Withdrawn } else { Aside::Replaced };
    message::set_aside(write, stuck.n, arrow, aside, Some(detail)).await
}
