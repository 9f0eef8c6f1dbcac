//! Putting refusals right: sent again as it was, or built anew where the content changed.

use sqlx::{Executor, Row};

use crate::acts::corrections::{Withdrawn, current};
use crate::acts::held::{Open, no, one_row, whole};
use crate::acts::telling::{BUILT_ANEW, Extras, History, Saying, annotate, build, set_aside};
use crate::settings::bench::{Bench, Target};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::ledger::control_id;
use crate::store::ledger::take;
use crate::store::lists::names::Name;
use crate::store::rows::queue::{Made, insert_messages};
use crate::store::state::State;
use crate::store::trail::Act;
use crate::store::trail::Actor;
use crate::store::trail::record;

/// Which messages a person wants sent again.
#[derive(Clone, Debug)]
pub enum Again {
    /// Every refused message, of one receiver or of all.
    Refused { receiver: Option<String> },
    /// These, refused or kept back.
    These(Vec<i64>),
}

/// What became of a message that is to be sent again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Resent {
    pub n: i64,
    pub name: Name,
    pub went: Went,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Went {
    /// The same bytes.
    Same,
    /// This message goes in its place: content that changed has a control id of its own.
    Anew(i64),
    /// What it said was said since, in this message where there is one.
    SaidSince(Option<i64>),
}

impl Went {
    /// The message that says it instead.
    #[must_use]
    pub fn instead(self) -> Option<i64> {
        match self {
            Went::Same => None,
            Went::Anew(n) => Some(n),
            Went::SaidSince(n) => n,
        }
    }

    fn words(self) -> &'static str {
        match self {
            Went::Same => "waiting, same bytes",
            Went::Anew(_) => "waiting, built anew under a new control id",
            Went::SaidSince(Some(_)) => "set-aside, a newer message says it since",
            Went::SaidSince(None) => "set-aside, it would say nothing new",
        }
    }
}

/// A message as it must be to be sent again.
struct Stuck {
    n: i64,
    name: Name,
    control_id: String,
    body: Vec<u8>,
    made_at: i64,
    refused: bool,
    /// OBR-3 and specimen that are not the report's own any more.
    retired: Option<(String, Option<String>)>,
    why: Option<String>,
}

impl Ledger {
    /// Puts refused messages, and messages kept back, into the queue again. A refused one is built anew
    /// from its report and today's configuration: same content, same bytes; else a new message goes in
    /// its place and the old one is set aside. What went out meanwhile under its OBR-3 is heeded.
    pub async fn message_retry(
        &self,
        bench: &Bench,
        actor: &Actor,
        again: &Again,
    ) -> Result<Vec<Resent>, StoreError> {
        let mut write = self.act().await?;
        let ids = match again {
            Again::These(ids) => ids.clone(),
            Again::Refused { receiver } => refused(&mut write, receiver.as_deref()).await?,
        };
        let mut done = Vec::new();
        for n in ids {
            let stuck = stuck(&mut write, n).await?;
            let went = self.again(&mut write, bench, &stuck).await?;
            let act = Act {
                verb: "retry",
                object: stuck.name.object(),
                was: Some(if stuck.refused { "refused" } else { "kept back" }.into()),
                became: Some(went.words().into()),
                ..Act::default()
            };
            record(&mut write, actor, act).await?;
            done.push(Resent { n, name: stuck.name, went });
        }
        write.commit().await?;
        Ok(done)
    }

    async fn again(
        &self,
        write: &mut Write,
        bench: &Bench,
        stuck: &Stuck,
    ) -> Result<Went, StoreError> {
        let open = sayer(write, bench, stuck).await?;
        let history = History::read(write, open.root(), &open.filler, &stuck.name.receiver).await?;
        let later = history.0.iter().filter(|p| p.n > stuck.n && p.state != State::SetAside);
        if let Some(later) = later.map(|past| past.n).max() {
            // A later one says all that is right, and was made after this: never the old after the new.
            set_aside(write, stuck.n, "a newer message says it since").await?;
            return Ok(Went::SaidSince(Some(later)));
        }
        if !stuck.refused {
            return same(write, stuck.n, None).await;
        }
        let saying = if stuck.name.withdraws { Saying::Withdrawal } else { Saying::Results };
        if stuck.retired.is_some() && !stuck.name.withdraws {
            return Err(no(format!(
                "{}: its OBR-3 was withdrawn; `wickline queue set-aside {}` ends it",
                stuck.name, stuck.control_id
            )));
        }
        let target = target(bench, stuck)?;
        let known = history.known()?;
        let why = stuck.why.as_deref().unwrap_or("sent again after it was put right");
        let ids = (stuck.control_id.as_str(), stuck.made_at);
        let Some(body) = build(bench, target, ids, &open, saying, &known, why)? else {
            set_aside(write, stuck.n, "it would say nothing new").await?;
            return Ok(Went::SaidSince(None));
        };
        let amends = match (known.is_empty(), saying) {
            (true, _) => None,
            (false, Saying::Results) => Some("corrects"),
            (false, Saying::Withdrawal) => Some("withdraws"),
        };
        let extras = Extras { amends, why: amends.map(|_| why), heeds: history.heeds() };
        if body == stuck.body {
            return same(write, stuck.n, Some(&extras)).await;
        }
        let n = take(write, "message", 1).await?;
        let (id, made_at) = (control_id(&self.epoch, n), crate::clock::now_us());
        let body = build(bench, target, (&id, made_at), &open, saying, &known, why)?;
        let body = body.unwrap_or_default();
        let (receiver, report) = (stuck.name.receiver.clone(), open.n);
        insert_messages(write, &[Made { n, control_id: id, receiver, report, body, made_at }])
            .await?;
        annotate(write, n, &extras).await?;
        if let Some((filler, specimen)) = &stuck.retired {
            retire(write, n, filler, specimen.as_deref()).await?;
        }
        set_aside(write, stuck.n, BUILT_ANEW).await?;
        Ok(Went::Anew(n))
    }

    /// Says whose specimen a report really is that one refused message is about: what receivers were told
    /// under the wrong id is withdrawn, and it is sent anew under the right one.
    pub async fn report_renamed(
        &self,
        bench: &Bench,
        actor: &Actor,
        message: i64,
        specimen: &str,
    ) -> Result<Withdrawn, StoreError> {
        let mut write = self.act().await?;
        let asked = stuck(&mut write, message).await?;
        if asked.retired.is_some() {
            return Err(no(format!("{}: its OBR-3 was withdrawn already", asked.name)));
        }
        let reason = "sent under the wrong specimen id";
        self.withdraw(write, bench, actor, asked.name.report, reason, Some(specimen)).await
    }
}

/// The report that speaks under a message's OBR-3 today, with what that OBR-3 stands for.
async fn sayer(write: &mut Write, bench: &Bench, stuck: &Stuck) -> Result<Open, StoreError> {
    let mut open = whole(write, stuck.name.report).await?;
    if stuck.refused && bench.analyzer(&open.analyzer).is_none() {
        return Err(no(format!(
            "{}: analyzer {} is not configured here; do this at its own bench",
            stuck.name, open.analyzer
        )));
    }
    if let Some((filler, specimen)) = &stuck.retired {
        (open.filler, open.specimen) = (filler.clone(), specimen.clone());
        return Ok(open);
    }
    match current(write, open.root()).await? {
        Some(n) if n != open.n => whole(write, n).await,
        _ if !matches!(open.state, State::Waiting | State::Filed) && !stuck.name.withdraws => {
            Err(no(format!("{}: report {} is {}", stuck.name, open.n, open.state)))
        }
        _ => Ok(open),
    }
}

fn target<'a>(bench: &'a Bench, stuck: &Stuck) -> Result<&'a Target, StoreError> {
    let found = bench.targets.iter().find(|t| t.id == stuck.name.receiver);
    found.map(|t| t.as_ref()).ok_or_else(|| {
        no(format!("{}: receiver {} is not configured here", stuck.name, stuck.name.receiver))
    })
}

/// Puts a message into the queue as it is. What was tried stays known to have been.
async fn same(write: &mut Write, n: i64, extras: Option<&Extras<'_>>) -> Result<Went, StoreError> {
    let query = sqlx::query(
        "UPDATE message SET attempts = CASE WHEN state = 'waiting' AND attempts > 0 THEN 1 ELSE 0 END, \
         state = 'waiting', put_by = 0, reason = NULL, detail = NULL, next_attempt_at = NULL, \
         answer = NULL, settled_at = NULL WHERE n = $1 AND state IN ('refused', 'waiting')",
    )
    .bind(n);
    one_row(write, n, query).await?;
    if let Some(extras) = extras.filter(|e| e.amends.is_some()) {
        annotate(write, n, extras).await?;
    }
    Ok(Went::Same)
}

/// Notes of a message that its OBR-3 is not its report's own any more.
async fn retire(
    write: &mut Write,
    n: i64,
    filler: &str,
    specimen: Option<&str>,
) -> Result<(), StoreError> {
    let query = sqlx::query("UPDATE message SET filler = $1, specimen = $2 WHERE n = $3")
        .bind(filler.to_owned())
        .bind(specimen.map(str::to_owned))
        .bind(n);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

async fn refused(write: &mut Write, receiver: Option<&str>) -> Result<Vec<i64>, StoreError> {
    let query = sqlx::query(
        "SELECT n FROM message WHERE state = 'refused' AND state <> 'accepted' \
         AND ($1 = '' OR receiver = $1) ORDER BY n",
    )
    .bind(receiver.unwrap_or_default().to_owned());
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    rows.iter()
        .map(|row| row.try_get(0))
        .collect::<Result<_, _>>()
        .map_err(|e: sqlx::Error| write.wrong(&e))
}

/// A message that is refused or kept back, or why it cannot be sent again.
async fn stuck(write: &mut Write, n: i64) -> Result<Stuck, StoreError> {
    let query = sqlx::query(
        "SELECT receiver, report, control_id, body, made_at, state, filler, specimen, amends, why, put_by \
         FROM message JOIN message_body ON message_body.n = message.n WHERE message.n = $1",
    )
    .bind(n);
    let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
    let Some(row) = row else {
        return Err(no("there is no such message; `wickline queue` lists them"));
    };
    let read = || -> Result<Result<Stuck, Name>, sqlx::Error> {
        let state = State::of(&row.try_get::<String, _>("state")?);
        let kept_back = state == State::Waiting && row.try_get::<i64, _>("put_by")? != 0;
        let name = Name::read(&row)?;
        if state != State::Refused && !kept_back {
            return Ok(Err(name));
        }
        let specimen = row.try_get("specimen")?;
        Ok(Ok(Stuck {
            n,
            name,
            control_id: row.try_get("control_id")?,
            body: row.try_get("body")?,
            made_at: row.try_get("made_at")?,
            refused: state == State::Refused,
            retired: row.try_get::<Option<String>, _>("filler")?.map(|f| (f, specimen)),
            why: row.try_get("why")?,
        }))
    };
    let found = read().map_err(|e| write.wrong(&e))?;
    found.map_err(|name| no(format!("{name} is neither refused nor kept back")))
}
