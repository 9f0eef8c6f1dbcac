//! The queue as people ask for it: pages of messages by receiver, analyzer and state; one message whole.

use serde::Serialize;
use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};

use crate::clock::SiteClock;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::names::Name;
use crate::store::rows::message;
use crate::store::rows::queue::DISPUTED;
use crate::store::state::State;

/// One message, as `queue` shows it.
#[derive(Clone, Debug, Serialize)]
pub struct QueueItem {
    /// Of the report.
    pub id: String,
    /// As people name it: `17@lis`.
    pub message: String,
    /// Its number in the ledger, which nobody is shown.
    #[serde(skip)]
    pub n: i64,
    pub analyzer: String,
    pub number: Option<String>,
    pub class: String,
    pub level: Option<String>,
    pub specimen: Option<String>,
    pub state: State,
    pub reason: Option<String>,
    pub detail: Option<String>,
    pub taken_at: Option<String>,
    pub heard_at: String,
    pub ready_at: String,
    pub receiver: String,
    pub control_id: String,
    pub attempts: i64,
    pub next_attempt_at: Option<String>,
    pub accepted_at: Option<String>,
    pub on_hold: bool,
    /// `corrects` or `withdraws`: what it does to what the receiver was told before.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub amends: Option<String>,
}

impl QueueItem {
    /// True where it says that what was told before is taken back.
    #[must_use]
    pub fn withdraws(&self) -> bool {
        self.amends.as_deref() == Some("withdraws")
    }
}

/// Which messages are asked for.
#[derive(Clone, Debug)]
pub struct Asked {
    pub receiver: Option<String>,
    pub analyzer: Option<String>,
    pub states: Vec<State>,
    /// Without what a person keeps back, and what waits for one to settle whose it is.
    pub passing: bool,
    /// Only after this message.
    pub after: i64,
    pub limit: i64,
}

impl Asked {
    /// The message of a receiver that goes next.
    #[must_use]
    pub fn head(receiver: &str) -> Self {
        Self {
            receiver: Some(receiver.to_owned()),
            states: vec![State::Waiting],
            passing: true,
            limit: 1,
            ..Self::default()
        }
    }
}

impl Default for Asked {
    fn default() -> Self {
        Self {
            receiver: None,
            analyzer: None,
            states: vec![State::Waiting, State::Refused],
            passing: false,
            after: 0,
            limit: 1000,
        }
    }
}

/// One message with its bytes and what the receiver answered.
#[derive(Clone, Debug)]
pub struct Whole {
    pub item: QueueItem,
    pub body: Vec<u8>,
    pub answer: Option<Vec<u8>>,
}

const COLUMNS: &str = "m.n AS mid, m.receiver, m.control_id, m.report, m.state AS mstate, m.attempts, \
     m.next_attempt_at, m.reason, m.detail, m.settled_at, m.made_at, m.kept_back, r.analyzer, r.number, \
     r.class, r.level, coalesce(m.specimen, r.specimen) AS specimen, m.amends, r.taken_at, r.heard_at \
     FROM message m JOIN report r ON r.n = m.report";

/// Of a message whose order is disputed.
const WAITS_FOR_A_PERSON: &str = "its order is disputed: it waits until a person has settled that";

impl Ledger {
    /// A page of messages, in the order of sending. Each receiver and state is asked for by itself, along the index
    /// of what is not accepted: the messages of years behind it are never looked at.
    pub async fn queue(
        &self,
        asked: &Asked,
        clock: &SiteClock,
    ) -> Result<Vec<QueueItem>, StoreError> {
        let receivers = match &asked.receiver {
            Some(receiver) => vec![receiver.clone()],
            None => self.receivers().await?,
        };
        let mut found = Vec::new();
        for receiver in &receivers {
            for state in &asked.states {
                found.extend(self.queue_of(receiver, *state, asked).await?);
            }
        }
        let mut items =
            found.iter().map(|row| queue_item(row, clock)).collect::<Result<Vec<_>, _>>()?;
        items.sort_by_key(|item| item.n);
        items.truncate(usize::try_from(asked.limit).unwrap_or(0));
        Ok(items)
    }

    async fn queue_of(
        &self,
        receiver: &str,
        state: State,
        asked: &Asked,
    ) -> Result<Vec<AnyRow>, StoreError> {
        let open = if state == State::Accepted { "" } else { "AND m.state <> 'accepted'" };
        let passing = if asked.passing { format!("AND NOT {DISPUTED}") } else { String::new() };
        let sql = format!(
            "SELECT CASE WHEN {DISPUTED} THEN 1 ELSE 0 END AS disputed, {COLUMNS} \
             WHERE m.receiver = $1 AND m.state = $2 {open} AND m.kept_back = $3 {passing} \
             AND m.n > $4 AND ($5 = '' OR r.analyzer = $5) ORDER BY m.n LIMIT $6"
        );
        let mut conn = self.db.read().await?;
        let mut rows = Vec::new();
        let both: &[i64] = if asked.passing { &[0] } else { &[0, 1] };
        for kept_back in both {
            let page = sqlx::query(AssertSqlSafe(sql.as_str()))
                .bind(receiver.to_owned())
                .bind(state.text())
                .bind(*kept_back)
                .bind(asked.after)
                .bind(asked.analyzer.clone().unwrap_or_default())
                .bind(asked.limit)
                .fetch_all(&mut conn)
                .await
                .map_err(|e| self.wrong(&e))?;
            rows.extend(page);
        }
        self.db.give_back(conn).await;
        Ok(rows)
    }

    /// One message by its id.
    pub async fn message(&self, n: i64, clock: &SiteClock) -> Result<Option<Whole>, StoreError> {
        let sql = format!(
            "SELECT b.body, m.answer, CASE WHEN {DISPUTED} THEN 1 ELSE 0 END AS disputed, {COLUMNS} \
             JOIN message_body b ON b.n = m.n WHERE m.n = $1"
        );
        let mut conn = self.db.read().await?;
        let row = sqlx::query(AssertSqlSafe(sql))
            .bind(n)
            .fetch_optional(&mut conn)
            .await
            .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let Some(row) = row else { return Ok(None) };
        let item = queue_item(&row, clock)?;
        let read = || Ok((row.try_get("body")?, row.try_get("answer")?));
        let (body, answer) = read().map_err(|e: sqlx::Error| self.wrong(&e))?;
        Ok(Some(Whole { item, body, answer }))
    }
}

fn queue_item(row: &AnyRow, clock: &SiteClock) -> Result<QueueItem, StoreError> {
    let state = message::state_in(row, "mid", "mstate")?;
    listed(row, state, clock).map_err(|e| StoreError::from_sql("the ledger", &e))
}

fn listed(row: &AnyRow, state: State, clock: &SiteClock) -> Result<QueueItem, sqlx::Error> {
    let settled: Option<i64> = row.try_get("settled_at")?;
    let next: Option<i64> = row.try_get("next_attempt_at")?;
    let disputed = row.try_get::<i32, _>("disputed")? != 0;
    let next = next.filter(|_| state == State::Waiting && !disputed);
    Ok(QueueItem {
        id: row.try_get::<i64, _>("report")?.to_string(),
        message: Name::read(row)?.to_string(),
        n: row.try_get("mid")?,
        analyzer: row.try_get("analyzer")?,
        number: row.try_get("number")?,
        class: row.try_get("class")?,
        level: row.try_get("level")?,
        specimen: row.try_get("specimen")?,
        reason: row.try_get("reason")?,
        detail: match disputed && state == State::Waiting {
            true => Some(WAITS_FOR_A_PERSON.to_owned()),
            false => row.try_get("detail")?,
        },
        taken_at: row.try_get("taken_at")?,
        heard_at: clock.rfc3339(row.try_get("heard_at")?),
        ready_at: clock.rfc3339(row.try_get("made_at")?),
        receiver: row.try_get("receiver")?,
        control_id: row.try_get("control_id")?,
        attempts: row.try_get("attempts")?,
        next_attempt_at: next.map(|t| clock.rfc3339(t)),
        accepted_at: settled.filter(|_| state == State::Accepted).map(|t| clock.rfc3339(t)),
        on_hold: row.try_get::<i64, _>("kept_back")? != 0,
        amends: row.try_get("amends")?,
        state,
    })
}
