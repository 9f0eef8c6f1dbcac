//! Deciding that something is not sent, or not yet, and taking that back: set aside, keep back, state how a
//! receiver was told, undo.

use super::Became;
use super::bearing;
use super::door::{self, Asked, Facts, Post};
use super::facts::{Known, refused, whole};
use super::meeting;
use super::retry::Went;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::era::Era;
use crate::store::ledger::{Ledger, take};
use crate::store::rows::message::{self, MessageRow};
use crate::store::rows::report::{self, Aside, ReportRow};
use crate::store::rows::{control_run, hold};
use crate::store::state::{MessageState, ReportState};
use crate::store::trail::{Act, Actor, record};
use crate::texts::{say, way};

/// How a receiver was told of a withdrawal when no message could say it.
#[derive(Clone, Debug)]
pub struct Statement {
    /// Who was told, at the receiver.
    pub who: String,
    /// When, as the person says it.
    pub when: String,
    /// How: by telephone, in their own system.
    pub how: String,
}

impl Ledger {
    /// Decides that a held report is not to be sent.
    pub async fn report_set_aside(
        &self,
        bench: &Bench,
        actor: &Actor,
        n: i64,
        reason: &str,
    ) -> Result<Became, StoreError> {
        let mut write = self.act().await?;
        let (row, known) = Known::read(&mut write, bench, n).await?;
        let facts = Facts { reason: Some(reason), ..known.facts(&row) };
        let pass = door::pass(Asked::SetAside, &facts)?;
        report::moved(&mut write, n, pass.arrow()?, Some(reason), Some(Aside::Person)).await?;
        let act = Act {
            verb: "set-aside",
            object: format!("report {n}"),
            reason: Some(reason.to_owned()),
            was: Some("held".into()),
            became: Some("set-aside".into()),
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(vec![(n, "set-aside".into())])
    }

    /// Keeps waiting messages back; the rest passes. All of them or none.
    pub async fn message_hold(
        &self,
        actor: &Actor,
        ids: &[i64],
        reason: &str,
    ) -> Result<(), StoreError> {
        let mut write = self.act().await?;
        for n in ids {
            let row = message_of(&mut write, *n).await?;
            may(Asked::KeepBack, &row, reason)?;
            let why = format!("kept back by {}: {reason}", actor.name);
            message::keep_back(&mut write, *n, &why).await?;
            record(&mut write, actor, act_on("hold", &row, reason)).await?;
        }
        write.commit().await
    }

    /// Decides that messages are not to be sent. All of them or none. A withdrawal is not among what can be
    /// set aside: its receiver still has the wrong result.
    pub async fn message_set_aside(
        &self,
        actor: &Actor,
        ids: &[i64],
        reason: &str,
    ) -> Result<(), StoreError> {
        let mut write = self.act().await?;
        for n in ids {
            let row = message_of(&mut write, *n).await?;
            may(Asked::SetMessageAside, &row, reason)?;
            let arrow = row.state.to(MessageState::SetAside)?;
            message::set_aside(&mut write, *n, arrow, Aside::Person, None).await?;
            let root = whole(&mut write, row.report).await?.root();
            meeting::follow(&mut write, root).await?;
            record(&mut write, actor, act_on("set-aside", &row, reason)).await?;
        }
        write.commit().await
    }

    /// A person states how a receiver was told that what it has is taken back or wrong. Until then, or until
    /// the receiver accepts a message that says it, that stays outstanding.
    pub async fn report_told(
        &self,
        actor: &Actor,
        report: i64,
        receiver: &str,
        statement: &Statement,
    ) -> Result<(), StoreError> {
        let mut write = self.act().await?;
        let Some(message) = message::outstanding(&mut write, report, receiver).await? else {
            return Err(refused(say!("no.nothing_to_tell", n = report, receiver = receiver)));
        };
        let row = message_of(&mut write, message).await?;
        let Statement { who, when, how } = statement;
        if [who, when, how].iter().any(|t| t.trim().is_empty()) {
            return Err(refused(say!("no.who_when_how")));
        }
        let reason = format!("{who}, {when}, {how}");
        may(Asked::TellByHand, &row, &reason)?;
        let told = format!("{who} was told {when}, {how}; stated by {}", actor.name);
        let arrow = row.state.to(MessageState::SetAside)?;
        message::told_by_hand(&mut write, message, arrow, &told).await?;
        let act = Act {
            verb: "told",
            object: row.name().object(),
            reason: Some(reason),
            was: Some(row.state.text().into()),
            became: Some(say!("kept.told_by").to_string()),
        };
        record(&mut write, actor, act).await?;
        write.commit().await
    }

    /// Takes back what a person decided of a report: that it is not to be sent, or whose or what it is.
    pub async fn report_undo(
        &self,
        bench: &Bench,
        actor: &Actor,
        n: i64,
        reason: &str,
    ) -> Result<Became, StoreError> {
        let mut write = self.act().await?;
        let mut row = whole(&mut write, n).await?;
        // What of a report on its way was kept back or set aside goes again, each message by itself.
        let put_off = message::put_off(&mut write, n).await?;
        let decided = row.state == ReportState::Held || row.aside == Some(Aside::Person);
        if !put_off.is_empty() && !decided {
            let mut goes = false;
            for message in put_off {
                let again = self.again(&mut write, bench, actor, message, Some(reason)).await?;
                goes |= !matches!(again.went, Went::SaidSince(_));
            }
            write.commit().await?;
            let state = if goes { MessageState::Waiting.text() } else { row.state.text() };
            return Ok(vec![(n, state.into())]);
        }
        let known = Known::of(&mut write, bench, &row).await?;
        let facts = Facts { reason: Some(reason), ..known.facts(&row) };
        let was = if row.aside.is_some() {
            let pass = door::pass(Asked::UndoSetAside, &facts)?;
            report::moved(&mut write, n, pass.arrow()?, None, None).await?;
            "set-aside"
        } else {
            let pass = door::pass(Asked::UndoNaming, &facts)?;
            self.unname(&mut write, bench, &mut row, &pass).await?;
            "identified"
        };
        let act = Act {
            verb: "undo",
            object: format!("report {n}"),
            reason: Some(reason.to_owned()),
            was: Some(was.into()),
            became: Some("held".into()),
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(vec![(n, "held".into())])
    }

    /// A report is again what it was before a person said what it is. Its OBR-3 is not used again: should
    /// one of its messages be on the wire, that can be taken back under it.
    async fn unname(
        &self,
        write: &mut Write,
        bench: &Bench,
        row: &mut ReportRow,
        pass: &door::Pass,
    ) -> Result<(), StoreError> {
        bearing::changed(write, row).await?;
        let Some(from) = &row.named_from else { return Ok(()) };
        report::moved(write, row.n, pass.arrow()?, row.note.as_deref(), None).await?;
        report::set_unsent(write, row.n, false).await?;
        for n in message::open_of(write, row.n).await? {
            let arrow = MessageState::Waiting.to(MessageState::SetAside)?;
            let why = "taken back before it was sent";
            message::set_aside(write, n, arrow, Aside::Withdrawn, Some(why)).await?;
        }
        message::retire_all(write, row.root(), &row.filler, row.specimen.as_deref()).await?;
        let anew = Era::draw()?.filler(take(write, "report", 1).await?);
        report::unname(write, row.n, from, &anew).await?;
        meeting::unbind(write, bench, row.root(), &row.filler).await?;
        control_run::remove(write, row.n, from.control_sign).await?;
        let of_strip = from.lifted.iter().copied().filter(|reason| !bearing::is_of_id(*reason));
        hold::reopen(write, row.n, &of_strip.collect::<Vec<_>>()).await?;
        let again = whole(write, row.n).await?;
        let (holds, _) = bearing::met(write, bench, &again, again.specimen.as_deref()).await?;
        bearing::hold_for(write, row.n, holds).await
    }
}

/// A message, or that there is none.
pub(crate) async fn message_of(write: &mut Write, n: i64) -> Result<MessageRow, StoreError> {
    let found = message::read(write, n).await?;
    found.ok_or_else(|| refused(say!("no.message").then("; ").then(way!("queue"))))
}

/// What the door looks at of a message.
pub(crate) fn post(row: &MessageRow) -> Post {
    Post {
        name: row.name(),
        state: row.state,
        kept_back: row.kept_back,
        aside_by_person: row.aside == Some(Aside::Person),
        amends: row.withdraws() || row.body.is_empty(),
        retired: row.retired.is_some(),
    }
}

/// Whether a person may keep one message from going.
fn may(asked: Asked, row: &MessageRow, reason: &str) -> Result<(), StoreError> {
    let of = Facts::of(row.report, "");
    let facts = Facts { post: Some(post(row)), reason: Some(reason), ..of };
    door::pass(asked, &facts)?;
    Ok(())
}

fn act_on(verb: &'static str, row: &MessageRow, reason: &str) -> Act {
    Act {
        verb,
        object: row.name().object(),
        reason: Some(reason.to_owned()),
        was: Some(row.state.text().into()),
        ..Act::default()
    }
}
