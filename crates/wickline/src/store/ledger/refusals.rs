//! Putting refusals right: sent again as it was, or built anew where the content changed.

use sqlx::{Executor, Row};

use super::acts::{Open, no, one_row, opened};
use super::queue::{Made, insert_messages};
use super::state::State;
use super::{Act, Actor, Ledger, control_id, filler, record, take};
use crate::pipeline::compose;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::db::Write;

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
    /// The message that goes in its place: content that changed has a control id of its own.
    pub instead: Option<i64>,
}

/// A message as it must be to be sent again.
struct Stuck {
    n: i64,
    receiver: String,
    report: i64,
    control_id: String,
    body: Vec<u8>,
    made_at: i64,
    refused: bool,
}

impl Ledger {
    /// Puts refused messages, and messages kept back, into the queue again. A refused one is built anew
    /// from its report and today's configuration: same content, same bytes; else a new message goes in
    /// its place and the old one is set aside.
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
            let instead = self.again(&mut write, bench, &stuck).await?;
            let became = match instead {
                Some(new) => format!("message {new}, new control id"),
                None => "waiting, same bytes".into(),
            };
            let act = Act {
                verb: "retry",
                object: format!("message {n}"),
                was: Some(if stuck.refused { "refused" } else { "kept back" }.into()),
                became: Some(became),
                ..Act::default()
            };
            record(&mut write, actor, act).await?;
            done.push(Resent { n, instead });
        }
        write.commit().await?;
        Ok(done)
    }

    async fn again(
        &self,
        write: &mut Write,
        bench: &Bench,
        stuck: &Stuck,
    ) -> Result<Option<i64>, StoreError> {
        if stuck.refused {
            let open = sent(write, stuck.report).await?;
            if build(bench, stuck, &open, &stuck.control_id, stuck.made_at)? != stuck.body {
                return self.replace(write, bench, stuck, &open).await.map(Some);
            }
        }
        let query = sqlx::query(
            "UPDATE message SET state = 'waiting', put_by = 0, attempts = 0, reason = NULL, \
             detail = NULL, next_attempt_at = NULL, settled_at = NULL \
             WHERE n = $1 AND state IN ('refused', 'waiting')",
        )
        .bind(stuck.n);
        one_row(write, stuck.n, query).await?;
        Ok(None)
    }

    /// Sets the old message aside and puts a new one at the end of the queue.
    async fn replace(
        &self,
        write: &mut Write,
        bench: &Bench,
        stuck: &Stuck,
        open: &Open,
    ) -> Result<i64, StoreError> {
        let made_at = crate::clock::now_us();
        let n = take(write, "message", 1).await?;
        let id = control_id(&self.epoch, n);
        let body = build(bench, stuck, open, &id, made_at)?;
        let (receiver, report) = (stuck.receiver.clone(), stuck.report);
        insert_messages(write, &[Made { n, control_id: id, receiver, report, body, made_at }])
            .await?;
        let query = sqlx::query(
            "UPDATE message SET state = 'set-aside', put_by = 0, detail = $1 \
             WHERE n = $2 AND state IN ('refused', 'waiting')",
        )
        .bind(format!("message {n} was built in its place"))
        .bind(stuck.n);
        one_row(write, stuck.n, query).await?;
        Ok(n)
    }

    /// Says whose specimen a report really is whose messages nobody has accepted: everything not yet
    /// accepted is built anew under the right id and a new OBR-3, which names a report and a specimen.
    pub async fn report_renamed(
        &self,
        bench: &Bench,
        actor: &Actor,
        message: i64,
        specimen: &str,
    ) -> Result<Vec<Resent>, StoreError> {
        let mut write = self.act().await?;
        let asked = stuck(&mut write, message).await?;
        let mut open = opened(&mut write, asked.report, State::Waiting).await?;
        bench.check_specimen(&open.analyzer, specimen, open.print.number.as_deref()).map_err(no)?;
        let all = unaccepted(&mut write, asked.report).await?;
        open.filler = filler(&self.epoch, take(&mut write, "report", 1).await?);
        open.specimen = Some(specimen.to_owned());
        let query = sqlx::query(
            "UPDATE report SET specimen = $1, given = $1, filler = $2 WHERE n = $3 AND state = 'waiting'",
        )
        .bind(specimen.to_owned())
        .bind(open.filler.clone())
        .bind(asked.report);
        one_row(&mut write, asked.report, query).await?;
        let mut done = Vec::new();
        for n in all {
            let stuck = row(&mut write, n).await?;
            let instead = Some(self.replace(&mut write, bench, &stuck, &open).await?);
            done.push(Resent { n, instead });
        }
        let object = format!("report {}", asked.report);
        let became = Some("new OBR-3, messages built anew".into());
        record(&mut write, actor, Act { verb: "identify", object, became, ..Act::default() })
            .await?;
        write.commit().await?;
        Ok(done)
    }
}

fn build(
    bench: &Bench,
    stuck: &Stuck,
    open: &Open,
    control_id: &str,
    made_at: i64,
) -> Result<Vec<u8>, StoreError> {
    let target = bench.targets.iter().find(|t| t.id == stuck.receiver).ok_or_else(|| {
        no(format!("message {}: receiver {} is not configured here", stuck.n, stuck.receiver))
    })?;
    if bench.analyzer(&open.analyzer).is_none() {
        return Err(no(format!(
            "message {}: analyzer {} is not configured here; do this at its own bench",
            stuck.n, open.analyzer
        )));
    }
    let readings = open.readings()?;
    let specimen = open.specimen.clone().unwrap_or_default();
    compose::message(bench, target, control_id, made_at, &open.subject(&specimen, &readings))
        .map_err(|hold| no(format!("message {}: {}", stuck.n, hold.detail)))
}

/// A report that has messages: on its way, or control material that is filed.
async fn sent(write: &mut Write, report: i64) -> Result<Open, StoreError> {
    match opened(write, report, State::Waiting).await {
        Err(StoreError::Refused { .. }) => opened(write, report, State::Filed).await,
        other => other,
    }
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

/// The messages of a report that may be replaced: all refused. Where one was accepted, or was never
/// answered and may be on the wire or beyond, its receiver may have it under the wrong specimen.
async fn unaccepted(write: &mut Write, report: i64) -> Result<Vec<i64>, StoreError> {
    let query = sqlx::query(
        "SELECT n, state, receiver, CASE WHEN answer IS NULL THEN 0 ELSE 1 END AS answered \
         FROM message WHERE report = $1 ORDER BY n",
    )
    .bind(report);
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let mut all = Vec::new();
    for row in rows {
        let read = || -> Result<(i64, String, String, i32), sqlx::Error> {
            let (n, state) = (row.try_get("n")?, row.try_get("state")?);
            Ok((n, state, row.try_get("receiver")?, row.try_get("answered")?))
        };
        let (n, state, receiver, answered) = read().map_err(|e| write.wrong(&e))?;
        match (state.as_str(), answered) {
            ("refused", 1) => all.push(n),
            ("set-aside", 1) => {}
            _ => {
                return Err(no(format!(
                    "message {n} of the same report is {state} at {receiver}, not refused by it: what a \
                     receiver has or may have under the wrong specimen is withdrawn, not replaced"
                )));
            }
        }
    }
    Ok(all)
}

/// A message that is refused or kept back, or why it cannot be sent again.
async fn stuck(write: &mut Write, n: i64) -> Result<Stuck, StoreError> {
    let found = row(write, n).await?;
    let query = sqlx::query(
        "SELECT 1 FROM message WHERE n = $1 \
         AND (state = 'refused' OR (state = 'waiting' AND put_by = 1))",
    )
    .bind(n);
    match write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))? {
        Some(_) => Ok(found),
        None => Err(no(format!("message {n} is neither refused nor kept back"))),
    }
}

async fn row(write: &mut Write, n: i64) -> Result<Stuck, StoreError> {
    let query = sqlx::query(
        "SELECT receiver, report, control_id, body, made_at, state \
         FROM message JOIN message_body ON message_body.n = message.n WHERE message.n = $1",
    )
    .bind(n);
    let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
    let Some(row) = row else {
        return Err(no(format!("there is no message {n}; `wickline queue` lists them")));
    };
    let read = || -> Result<Stuck, sqlx::Error> {
        Ok(Stuck {
            n,
            receiver: row.try_get("receiver")?,
            report: row.try_get("report")?,
            control_id: row.try_get("control_id")?,
            body: row.try_get("body")?,
            made_at: row.try_get("made_at")?,
            refused: row.try_get::<String, _>("state")? == "refused",
        })
    };
    read().map_err(|e| write.wrong(&e))
}
