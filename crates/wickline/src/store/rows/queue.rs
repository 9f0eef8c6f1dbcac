//! The queue: messages not yet accepted, in order; what a receiver said of them.

use sqlx::{AssertSqlSafe, Executor, Row};

use super::storable;
use crate::clock;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::lists::names::Name;
use crate::store::state::MessageState;
use crate::store::trail::Act;
use crate::store::trail::Actor;
use crate::store::trail::record;

/// Only while the token is the lease's own. A ledger that nobody shares has no leases: token 0.
macro_rules! under_lease {
    ($token:literal, $name:literal) => {
        concat!(
            "AND ",
            $token,
            " = coalesce((SELECT token FROM lease WHERE name = ",
            $name,
            "), 0)"
        )
    };
}

/// A message to be sent.
#[derive(Clone, Debug)]
pub struct Due {
    pub n: i64,
    pub control_id: String,
    pub body: Vec<u8>,
    pub attempts: i64,
    /// Unanswered or "busy" so far: not before this time.
    pub next_attempt_at: Option<i64>,
    /// It was built on what the receiver was told before: whether that still holds is to be asked.
    pub built_on: bool,
    /// It may have been sent before, by whoever served this queue then.
    pub doubted: bool,
}

/// What became of one message that was sent.
#[derive(Clone, Debug)]
pub struct Settled {
    pub n: i64,
    /// What was acknowledged: a ledger that was set back under a running daemon gives the number to another
    /// message, which must not count as accepted. None: not asked.
    pub control_id: Option<String>,
    pub state: MessageState,
    pub reason: Option<&'static str>,
    pub detail: Option<String>,
    pub answer: Option<Vec<u8>>,
    pub attempts: i64,
    /// Stop this receiver's queue until a person lets it go on.
    pub stop: bool,
}

/// A message that was tried without a final answer.
#[derive(Clone, Copy, Debug)]
pub struct Tried {
    pub n: i64,
    pub attempts: i64,
    /// Nothing of it ever went out: it was noted as going, and there was no connection.
    pub unsent: bool,
}

impl Tried {
    /// It went out so many times.
    #[must_use]
    pub fn times(n: i64, attempts: i64) -> Self {
        Self { n, attempts, unsent: false }
    }
}

/// Whether a receiver may be sent to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Gate {
    pub paused: bool,
    pub stopped: bool,
    pub detail: Option<String>,
}

/// Of a message `m`: its order is disputed, and it takes nothing back. It goes to nobody, wherever it is already.
pub(crate) const DISPUTED: &str = "(coalesce(m.amends, '') <> 'withdraws' AND EXISTS (SELECT 1 FROM report dr \
     JOIN report_order ro ON ro.report = coalesce(dr.corrects, dr.n) \
     JOIN order_rival rv ON rv.lab_order = ro.lab_order AND rv.refuted = 0 WHERE dr.n = m.report))";

impl Ledger {
    /// The oldest messages that wait for `receiver` and may go, after message `after`.
    pub async fn queue_page(
        &self,
        receiver: &str,
        after: i64,
        limit: i64,
    ) -> Result<Vec<Due>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(AssertSqlSafe(format!(
            "SELECT m.n, m.control_id, b.body, m.attempts, m.next_attempt_at, m.maybe_sent, \
             CASE WHEN m.built_on IS NULL THEN 0 ELSE 1 END AS built_on \
             FROM message m JOIN message_body b ON b.n = m.n \
             WHERE m.receiver = $1 AND m.state = 'waiting' AND m.state <> 'accepted' AND m.kept_back = 0 \
             AND m.n > $2 AND NOT {DISPUTED} ORDER BY m.n LIMIT $3",
        )))
        .bind(receiver)
        .bind(after)
        .bind(limit)
        .fetch_all(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = |row: &sqlx::any::AnyRow| {
            Ok(Due {
                n: row.try_get("n")?,
                control_id: row.try_get("control_id")?,
                body: row.try_get("body")?,
                attempts: row.try_get("attempts")?,
                next_attempt_at: row.try_get("next_attempt_at")?,
                built_on: row.try_get::<i32, _>("built_on")? != 0,
                doubted: row.try_get::<i64, _>("maybe_sent")? > 0,
            })
        };
        rows.iter().map(read).collect::<Result<_, _>>().map_err(|e: sqlx::Error| self.wrong(&e))
    }

    /// A daemon that died may have sent what stands first in the queue, and not have noted it: that is
    /// not replaced any more after a change, it is corrected. Who noted each message before it was sent left no such
    /// doubt (`notes`: so does who begins now), nor did who came to a clean end.
    pub async fn queue_begins(
        &self,
        receiver: &str,
        first: usize,
        notes: bool,
    ) -> Result<(), StoreError> {
        let mut write = self.db.write().await?;
        let query =
            sqlx::query("SELECT noted FROM receiver WHERE id = $1").bind(receiver.to_owned());
        let noted = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
        let noted = noted.map(|row| row.try_get::<i64, _>(0)).transpose();
        let noted = noted.map_err(|e| write.wrong(&e))? == Some(1);
        if noted && notes {
            return Ok(());
        }
        let query = sqlx::query("UPDATE receiver SET noted = $1 WHERE id = $2")
            .bind(i64::from(notes))
            .bind(receiver.to_owned());
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        if noted {
            return write.commit().await;
        }
        let query = sqlx::query(
            "UPDATE message SET maybe_sent = 1 WHERE maybe_sent = 0 AND n IN (SELECT n FROM message \
             WHERE receiver = $1 AND state = 'waiting' AND state <> 'accepted' AND kept_back = 0 \
             ORDER BY n LIMIT $2)",
        )
        .bind(receiver.to_owned())
        .bind(i64::try_from(first).unwrap_or(i64::MAX));
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        write.commit().await
    }

    /// All that was sent is recorded, and nothing more is: whoever begins next has no doubt.
    pub async fn queue_ends(&self, receiver: &str, token: i64) -> Result<(), StoreError> {
        let mut write = self.db.write_alone().await?;
        let sql = concat!("UPDATE receiver SET noted = 1 WHERE id = $1 ", under_lease!("$2", "$3"));
        let query =
            sqlx::query(sql).bind(receiver.to_owned()).bind(token).bind(lease_name(receiver));
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        write.commit().await
    }

    /// Notes that a message is going to be sent now: from here on it may have arrived, and an order behind it is not
    /// taken back any more. False: it is not to be sent.
    pub async fn queue_flies(&self, receiver: &str, n: i64) -> Result<bool, StoreError> {
        let mut write = self.db.write_alone().await?;
        let query = sqlx::query(
            "UPDATE message SET maybe_sent = 1 WHERE n = $1 AND receiver = $2 AND state = 'waiting' AND kept_back = 0",
        )
        .bind(n)
        .bind(receiver.to_owned());
        let done = write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        let waits = done.rows_affected() == 1;
        write.commit().await?;
        Ok(waits)
    }

    /// Records what became of messages, all in one commit. One that a person has meanwhile moved
    /// elsewhere still counts as accepted where the receiver accepted it. Anything but an acceptance
    /// counts only under the present lease.
    pub async fn queue_settle(
        &self,
        receiver: &str,
        token: i64,
        settled: &[Settled],
    ) -> Result<(), StoreError> {
        let (accepted, others): (Vec<_>, Vec<_>) =
            settled.iter().partition(|s| s.state == MessageState::Accepted);
        if others.is_empty() {
            let mut write = self.db.write_alone().await?;
            settle_accepted(&mut write, &accepted).await?;
            return write.commit().await;
        }
        // A stop is an act, and acts come before messages: two never wait for each other.
        let stops = others.iter().any(|one| one.stop);
        let mut write = if stops { self.act().await? } else { self.db.write().await? };
        settle_accepted(&mut write, &accepted).await?;
        for one in others {
            settle_refused(&mut write, receiver, token, one).await?;
        }
        write.commit().await
    }

    /// Notes tries without a final answer: same bytes again, not before `next`.
    pub async fn queue_tried(
        &self,
        receiver: &str,
        token: i64,
        tried: &[Tried],
        next: i64,
        reason: &str,
        detail: &str,
    ) -> Result<(), StoreError> {
        let mut write = self.db.write().await?;
        for one in tried {
            let sql = concat!(
                "UPDATE message SET attempts = $1, next_attempt_at = $2, reason = $3, detail = $4, \
                 maybe_sent = CASE WHEN maybe_sent = 1 AND $5 = 1 THEN 0 ELSE maybe_sent END \
                 WHERE n = $6 AND state = 'waiting' ",
                under_lease!("$7", "$8")
            );
            let query = sqlx::query(sql)
                .bind(one.attempts)
                .bind(next)
                .bind(reason)
                .bind(storable(detail))
                .bind(i32::from(one.unsent))
                .bind(one.n)
                .bind(token)
                .bind(lease_name(receiver));
            let done = write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
            if done.rows_affected() == 0 {
                // Set aside while it was on the wire: the receiver may have it all the same.
                let query = sqlx::query(
                    "UPDATE message SET attempts = $1, owes = CASE WHEN aside IN ('replaced', 'withdrawn') \
                     THEN 1 ELSE owes END WHERE n = $2 AND state = 'set-aside'",
                );
                let query = query.bind(one.attempts).bind(one.n);
                write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
            }
        }
        write.commit().await
    }

    /// Receivers other than these for which messages wait, with how many.
    pub async fn queue_orphans(&self, known: &[&str]) -> Result<Vec<(String, i64)>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(
            "SELECT receiver, count(*) AS many FROM message \
             WHERE state = 'waiting' AND state <> 'accepted' GROUP BY receiver",
        )
        .fetch_all(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = |row: &sqlx::any::AnyRow| -> Result<(String, i64), sqlx::Error> {
            Ok((row.try_get("receiver")?, row.try_get("many")?))
        };
        let all =
            rows.iter().map(read).collect::<Result<Vec<_>, _>>().map_err(|e| self.wrong(&e))?;
        Ok(all.into_iter().filter(|(id, _)| !known.contains(&id.as_str())).collect())
    }

    /// Whether `receiver` may be sent to now.
    pub async fn gate(&self, receiver: &str) -> Result<Gate, StoreError> {
        let mut conn = self.db.read().await?;
        let row = sqlx::query("SELECT paused, stopped, detail FROM receiver WHERE id = $1")
            .bind(receiver)
            .fetch_optional(&mut conn)
            .await
            .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let Some(row) = row else { return Ok(Gate::default()) };
        let read = || -> Result<Gate, sqlx::Error> {
            Ok(Gate {
                paused: row.try_get::<i64, _>("paused")? != 0,
                stopped: row.try_get::<i64, _>("stopped")? != 0,
                detail: row.try_get("detail")?,
            })
        };
        read().map_err(|e| self.wrong(&e))
    }

    /// Makes a receiver known, paused at first where the configuration says so.
    pub async fn receiver_known(&self, receiver: &str, paused: bool) -> Result<(), StoreError> {
        let mut write = self.act().await?;
        let query = sqlx::query(
            "INSERT INTO receiver (id, paused, stopped, noted) VALUES ($1, $2, 0, 1) \
             ON CONFLICT (id) DO NOTHING",
        )
        .bind(receiver)
        .bind(i64::from(paused));
        let done = write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        if paused && done.rows_affected() == 1 {
            let act = Act {
                verb: "pause",
                object: format!("receiver {receiver}"),
                reason: Some("new, and paused = true in the configuration".into()),
                became: Some("paused true, stopped false".into()),
                ..Act::default()
            };
            record(&mut write, &Actor::daemon(), act).await?;
        }
        write.commit().await
    }

    /// Pauses delivery to a receiver, or lets it go on (which also lifts a stop).
    pub async fn receiver_pause(
        &self,
        actor: &Actor,
        receiver: &str,
        pause: bool,
    ) -> Result<(), StoreError> {
        let was = self.gate(receiver).await?;
        let mut write = self.act().await?;
        set_gate(&mut write, receiver, "paused", pause, None).await?;
        if !pause {
            set_gate(&mut write, receiver, "stopped", false, None).await?;
        }
        let act = Act {
            verb: if pause { "pause" } else { "resume" },
            object: format!("receiver {receiver}"),
            was: Some(format!("paused {}, stopped {}", was.paused, was.stopped)),
            became: Some(format!("paused {pause}, stopped {}", was.stopped && pause)),
            ..Act::default()
        };
        record(&mut write, actor, act).await?;
        write.commit().await
    }
}

/// Pauses delivery to a receiver for a reason of the daemon's own, which `queue` shows.
pub(crate) async fn pause_for(
    write: &mut Write,
    receiver: &str,
    why: &str,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO receiver (id, paused, stopped, detail) VALUES ($1, 1, 0, $2) \
         ON CONFLICT (id) DO UPDATE SET paused = 1, detail = excluded.detail",
    )
    .bind(receiver.to_owned())
    .bind(why.to_owned());
    write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    let (object, became) = (format!("receiver {receiver}"), Some("paused true".to_owned()));
    let act = Act { verb: "pause", object, reason: Some(why.to_owned()), was: None, became };
    record(write, &Actor::daemon(), act).await
}

/// The lease of a receiver's deliverer.
#[must_use]
pub fn lease_name(receiver: &str) -> String {
    format!("receiver {receiver}")
}

async fn settle_accepted(write: &mut Write, accepted: &[&Settled]) -> Result<(), StoreError> {
    if accepted.is_empty() {
        return Ok(());
    }
    let sql = accepted_statement(&write.values(accepted.len(), 5));
    let now = clock::now_us();
    let mut query = sqlx::query(AssertSqlSafe(sql));
    for one in accepted {
        query = query.bind(one.n).bind(one.attempts).bind(one.answer.clone()).bind(now);
        query = query.bind(one.control_id.clone());
    }
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

async fn settle_refused(
    write: &mut Write,
    receiver: &str,
    token: i64,
    one: &Settled,
) -> Result<(), StoreError> {
    let arrow = MessageState::Waiting.to(one.state)?;
    let sql = concat!(
        "UPDATE message SET state = $1, reason = $2, detail = $3, answer = $4, attempts = $5, \
         settled_at = $6 WHERE n = $7 AND state = 'waiting' ",
        under_lease!("$8", "$9")
    );
    let query = sqlx::query(sql)
        .bind(arrow.to().text())
        .bind(one.reason)
        .bind(one.detail.as_deref().map(storable))
        .bind(one.answer.clone())
        .bind(one.attempts)
        .bind(clock::now_us())
        .bind(one.n)
        .bind(token)
        .bind(lease_name(receiver));
    let done = write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    if one.stop && done.rows_affected() == 1 {
        let query = sqlx::query("SELECT report, receiver, amends FROM message WHERE n = $1");
        let row = write.conn().fetch_one(query.bind(one.n)).await;
        let name = row.and_then(|row| Name::read(&row)).map_err(|e| write.wrong(&e))?;
        let detail = storable(one.detail.as_deref().unwrap_or_default());
        set_gate(write, receiver, "stopped", true, Some(detail)).await?;
        let act = Act {
            verb: "stop",
            object: format!("receiver {receiver}"),
            // The receiver's own words may name a patient: they stand at the message.
            reason: Some(format!("{name} was refused: {}", one.reason.unwrap_or("-"))),
            was: Some("stopped false".into()),
            became: Some("stopped true".into()),
        };
        record(write, &Actor::daemon(), act).await?;
    }
    Ok(())
}

/// One UPDATE for many acceptances.
fn accepted_statement(values: &str) -> String {
    format!(
        "WITH said (n, attempts, answer, at, control_id) AS (VALUES {values}) \
         UPDATE message SET state = 'accepted', reason = NULL, detail = NULL, next_attempt_at = NULL, \
         settled_at = said.at, attempts = said.attempts, answer = said.answer, owes = CASE \
         WHEN message.state = 'set-aside' AND message.aside IN ('replaced', 'withdrawn') THEN 1 \
         ELSE message.owes END \
         FROM said WHERE message.n = said.n AND state IN ('waiting', 'set-aside') \
         AND message.control_id = coalesce(said.control_id, message.control_id)"
    )
}

async fn set_gate(
    write: &mut Write,
    receiver: &str,
    which: &str,
    value: bool,
    detail: Option<String>,
) -> Result<(), StoreError> {
    let sql = match which {
        "paused" => {
            "INSERT INTO receiver (id, paused, stopped) VALUES ($1, $2, 0) \
             ON CONFLICT (id) DO UPDATE SET paused = excluded.paused"
        }
        _ => {
            "INSERT INTO receiver (id, paused, stopped, detail) VALUES ($1, 0, $2, $3) \
             ON CONFLICT (id) DO UPDATE SET stopped = excluded.stopped, detail = excluded.detail"
        }
    };
    let mut query = sqlx::query(sql).bind(receiver).bind(i64::from(value));
    if which != "paused" {
        query = query.bind(detail);
    }
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}
