//! How the queue stands, in numbers: what waits since when, what was answered, how fast it moves.

use serde::Serialize;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

use crate::clock::{self, SiteClock};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::at;
use crate::store::state::MessageState;

/// Over how long the rate is taken.
const RATE_US: i64 = 60_000_000;

/// What is not yet accepted at one receiver.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct QueueCounts {
    /// In the queue, those kept back by a person not among them.
    pub waiting: i64,
    pub kept_back: i64,
    pub refused: i64,
    pub set_aside: i64,
    /// When the oldest that waits became ready.
    pub oldest_at: Option<i64>,
}

impl QueueCounts {
    /// Seconds since the oldest became ready; 0 when nothing waits.
    #[must_use]
    pub fn oldest_s(&self, now: i64) -> i64 {
        self.oldest_at.map_or(0, |at| (now - at).max(0) / 1_000_000)
    }
}

/// What one receiver accepted on one local day.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct DayCount {
    pub receiver: String,
    pub day: String,
    pub accepted: i64,
    pub first_control_id: Option<String>,
    pub last_control_id: Option<String>,
}

/// So many messages of one analyzer are not accepted by one receiver.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct OpenCount {
    pub receiver: String,
    pub analyzer: String,
    /// `waiting` or `refused`: no other is counted.
    pub state: String,
    pub messages: i64,
}

impl Ledger {
    /// What waits for a receiver.
    pub async fn waiting(&self, receiver: &str) -> Result<QueueCounts, StoreError> {
        let mut conn = self.db.read().await?;
        let counts = queue_counts(&mut conn, receiver).await?;
        self.db.give_back(conn).await;
        Ok(counts)
    }

    /// Answers of a receiver in the last minute.
    pub async fn answered_lately(&self, receiver: &str) -> Result<i64, StoreError> {
        let mut conn = self.db.read().await?;
        let since = clock::now_us() - RATE_US;
        let row = sqlx::query(
            "SELECT count(*) FROM message \
             WHERE receiver = $1 AND settled_at > $2 AND settled_at IS NOT NULL",
        )
        .bind(receiver)
        .bind(since)
        .fetch_one(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        row.try_get(0).map_err(|e| self.wrong(&e))
    }

    /// What a receiver accepted on a local day, with the first and last control id in the order in
    /// which they were made: to be compared with what the receiver counts.
    pub async fn accepted_on(
        &self,
        receiver: &str,
        day: &str,
        clock: &SiteClock,
    ) -> Result<DayCount, StoreError> {
        let (from, to) = clock.day_span(day).unwrap_or((0, 0));
        let mut conn = self.db.read().await?;
        let row = sqlx::query(
            "SELECT count(*) AS many, min(n) AS first, max(n) AS last FROM message \
             WHERE receiver = $1 AND settled_at >= $2 AND settled_at < $3 \
             AND settled_at IS NOT NULL AND state = 'accepted'",
        )
        .bind(receiver)
        .bind(from)
        .bind(to)
        .fetch_one(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        let ids: (i64, Option<i64>, Option<i64>) = ids(&row).map_err(|e| self.wrong(&e))?;
        let mut count = DayCount {
            receiver: receiver.to_owned(),
            day: day.to_owned(),
            accepted: ids.0,
            ..DayCount::default()
        };
        for (n, id) in [(ids.1, &mut count.first_control_id), (ids.2, &mut count.last_control_id)] {
            let Some(n) = n else { continue };
            let row = sqlx::query("SELECT control_id FROM message WHERE n = $1")
                .bind(n)
                .fetch_one(&mut conn)
                .await
                .map_err(|e| self.wrong(&e))?;
            *id = Some(row.try_get(0).map_err(|e| self.wrong(&e))?);
        }
        self.db.give_back(conn).await;
        Ok(count)
    }

    /// What is not accepted, by receiver, analyzer and state. It looks at every such message: a list for
    /// a person, not for a scraper.
    pub async fn open_by_analyzer(&self) -> Result<Vec<OpenCount>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(
            "SELECT m.receiver, r.analyzer, m.state, count(*) AS many FROM message m \
             JOIN report r ON r.n = m.report \
             WHERE m.state <> 'accepted' AND m.state IN ('waiting', 'refused') \
             GROUP BY m.receiver, r.analyzer, m.state ORDER BY m.receiver, r.analyzer, m.state",
        )
        .fetch_all(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = |row: &AnyRow| -> Result<OpenCount, sqlx::Error> {
            Ok(OpenCount {
                receiver: row.try_get("receiver")?,
                analyzer: row.try_get("analyzer")?,
                state: row.try_get("state")?,
                messages: row.try_get("many")?,
            })
        };
        rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| self.wrong(&e))
    }

    /// Every receiver that the ledger knows of, configured or not: of those that something waits for, each by
    /// one step of the index.
    pub async fn receivers(&self) -> Result<Vec<String>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(
            "WITH RECURSIVE open (id) AS (SELECT (SELECT min(receiver) FROM message \
             WHERE state <> 'accepted') UNION ALL SELECT (SELECT min(m.receiver) FROM message m \
             WHERE m.state <> 'accepted' AND m.receiver > open.id) FROM open WHERE open.id IS NOT NULL) \
             SELECT id FROM receiver UNION SELECT id FROM open WHERE id IS NOT NULL ORDER BY 1",
        )
        .fetch_all(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        rows.iter()
            .map(|row| row.try_get(0))
            .collect::<Result<_, _>>()
            .map_err(|e: sqlx::Error| self.wrong(&e))
    }

    /// Whether anything went out, or may have, that had been set aside for something else.
    pub async fn owes(&self) -> Result<bool, StoreError> {
        let mut conn = self.db.read().await?;
        let row = sqlx::query("SELECT n FROM message WHERE owes = 1 LIMIT 1")
            .fetch_optional(&mut conn)
            .await
            .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(row.is_some())
    }

    /// How many reports need a person.
    pub async fn held_count(&self) -> Result<i64, StoreError> {
        let mut conn = self.db.read().await?;
        let row = sqlx::query("SELECT count(*) FROM report WHERE state = 'held'")
            .fetch_one(&mut conn)
            .await
            .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        row.try_get(0).map_err(|e| self.wrong(&e))
    }

    /// How many messages a receiver refused, and nobody has decided about; beyond 10,000 it is not counted on.
    pub async fn refused_at(&self, receiver: &str) -> Result<i64, StoreError> {
        let mut conn = self.db.read().await?;
        let row = sqlx::query(
            "SELECT count(*) AS many FROM (SELECT n FROM message \
             WHERE receiver = $1 AND state = 'refused' AND state <> 'accepted' LIMIT 10000) few",
        )
        .bind(receiver.to_owned())
        .fetch_one(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        row.try_get(0).map_err(|e| self.wrong(&e))
    }

    /// What stands at the ends of what people look at: another text when anything came, went or was done.
    pub async fn stirred(&self, receivers: &[String]) -> Result<String, StoreError> {
        let mut conn = self.db.read().await?;
        let ends = sqlx::query(
            "SELECT CAST(coalesce((SELECT max(n) FROM report), 0) AS BIGINT) AS report, \
             CAST(coalesce((SELECT max(n) FROM message), 0) AS BIGINT) AS message, \
             CAST(coalesce((SELECT max(n) FROM trail), 0) AS BIGINT) AS trail",
        );
        let row = ends.fetch_one(&mut conn).await.map_err(|e| self.wrong(&e))?;
        let read = |column| row.try_get::<i64, _>(column).map_err(|e| self.wrong(&e));
        let mut text = format!("{} {} {}", read("report")?, read("message")?, read("trail")?);
        for receiver in receivers {
            let last = sqlx::query(
                "SELECT CAST(coalesce(max(settled_at), 0) AS BIGINT) FROM message \
                 WHERE receiver = $1 AND settled_at IS NOT NULL",
            );
            let row = last.bind(receiver.clone()).fetch_one(&mut conn).await;
            let last: i64 = row.and_then(|row| row.try_get(0)).map_err(|e| self.wrong(&e))?;
            text.push_str(&format!(" {last}"));
        }
        self.db.give_back(conn).await;
        Ok(text)
    }

    /// How many messages the ledger has in all: each has the next number.
    pub async fn messages_ever(&self) -> Result<i64, StoreError> {
        let mut conn = self.db.read().await?;
        let row = sqlx::query(
            "SELECT value - coalesce((SELECT value FROM counter WHERE name = 'purged message'), 0) \
             FROM counter WHERE name = 'message'",
        )
        .fetch_one(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        row.try_get(0).map_err(|e| self.wrong(&e))
    }
}

fn ids(row: &AnyRow) -> Result<(i64, Option<i64>, Option<i64>), sqlx::Error> {
    Ok((row.try_get("many")?, row.try_get("first")?, row.try_get("last")?))
}

async fn queue_counts(conn: &mut AnyConnection, receiver: &str) -> Result<QueueCounts, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("the ledger", &e);
    let counted = sqlx::query(
        "SELECT state, kept_back, count(*) AS many FROM message \
         WHERE receiver = $1 AND state <> 'accepted' GROUP BY state, kept_back",
    );
    let rows = counted.bind(receiver.to_owned()).fetch_all(&mut *conn).await.map_err(wrong)?;
    let mut counts = QueueCounts::default();
    for row in rows {
        let read = || Ok((row.try_get("state")?, row.try_get("kept_back")?, row.try_get("many")?));
        let (state, kept_back, many): (String, i64, i64) = read().map_err(wrong)?;
        let place = at("message", format!("to {receiver}"));
        match (place.word("state", &state, MessageState::of)?, kept_back) {
            (MessageState::Waiting, 0) => counts.waiting = many,
            (MessageState::Waiting, _) => counts.kept_back += many,
            (MessageState::Refused, _) => counts.refused += many,
            (MessageState::SetAside, _) => counts.set_aside += many,
            (MessageState::Accepted, _) => {}
        }
    }
    let oldest = sqlx::query(
        "SELECT made_at FROM message WHERE receiver = $1 AND state = 'waiting' \
         AND state <> 'accepted' AND kept_back = 0 ORDER BY n LIMIT 1",
    );
    let oldest = oldest.bind(receiver.to_owned()).fetch_optional(conn).await.map_err(wrong)?;
    counts.oldest_at = oldest.map(|row| row.try_get(0)).transpose().map_err(wrong)?;
    Ok(counts)
}
