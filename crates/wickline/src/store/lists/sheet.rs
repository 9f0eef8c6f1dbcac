//! What the day sheet says beside its lines: what people did to reports, what control material read, who
//! paused a receiver, and which earlier days have something open.

use std::collections::{BTreeMap, HashSet};
use std::fmt;

use sqlx::any::AnyRow;
use sqlx::{Executor, Row};
use wickline_normalize::controls::Run;

use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::runs::noted;
use crate::store::rows::{absent, at};
use crate::texts::{Said, say};

/// Waiting messages of a receiver that are looked at for earlier days: the oldest come first.
const OLDEST: i64 = 1000;

/// What is known of the reports of a day beside their lines.
#[derive(Clone, Debug, Default)]
pub struct Beside {
    /// Reports of which a person said whose specimen they are.
    pub named: HashSet<i64>,
    /// Reports that a person let go against a rule, and which.
    pub released: BTreeMap<i64, Vec<String>>,
    /// What runs of control material read.
    pub runs: BTreeMap<i64, Run>,
    /// What people noted of a run, and to whom they telephoned a result.
    pub noted: BTreeMap<i64, Vec<Said>>,
}

/// What an earlier day has open.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct OpenDay {
    pub day: String,
    /// How many, by state.
    pub open: BTreeMap<&'static str, i64>,
}

impl fmt::Display for OpenDay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let open: Vec<String> = self.open.iter().map(|(state, n)| format!("{n} {state}")).collect();
        write!(f, "{}: {}", self.day, open.join(", "))
    }
}

/// Who paused a receiver, and when.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Paused {
    pub who: String,
    pub at: i64,
    pub reason: Option<String>,
}

impl Ledger {
    /// What is known of the reports of a day beside their lines.
    pub async fn day_beside(&self, day: &str) -> Result<Beside, StoreError> {
        let mut conn = self.db.read().await?;
        let query = sqlx::query("SELECT n FROM report WHERE day = $1 AND given IS NOT NULL");
        let named = conn.fetch_all(query.bind(day.to_owned())).await.map_err(|e| self.wrong(&e))?;
        let query = sqlx::query(
            "SELECT c.report, c.run FROM control_run c JOIN report r ON r.n = c.report \
             WHERE r.day = $1",
        );
        let runs = conn.fetch_all(query.bind(day.to_owned())).await.map_err(|e| self.wrong(&e))?;
        let query = sqlx::query(
            "SELECT h.report, h.reason FROM hold h JOIN report r ON r.n = h.report \
             WHERE r.day = $1 AND h.released = 1 ORDER BY h.report, h.ix",
        );
        let against =
            conn.fetch_all(query.bind(day.to_owned())).await.map_err(|e| self.wrong(&e))?;
        let query = sqlx::query(
            "SELECT c.report, t.who, t.reason FROM report r JOIN control_run c ON c.report = r.n \
             JOIN trail t ON t.object = 'report ' || CAST(c.report AS TEXT) AND t.verb = 'note' \
             WHERE r.day = $1",
        );
        let notes = conn.fetch_all(query.bind(day.to_owned())).await.map_err(|e| self.wrong(&e))?;
        let query = sqlx::query(
            "SELECT r.n AS report, t.who, t.reason FROM report r \
             JOIN trail t ON t.object = 'report ' || CAST(r.n AS TEXT) AND t.verb = 'telephoned' \
             WHERE r.day = $1 ORDER BY t.n",
        );
        let calls = conn.fetch_all(query.bind(day.to_owned())).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let mut beside = Beside::default();
        for row in calls {
            let n: i64 = row.try_get("report").map_err(|e| self.wrong(&e))?;
            let who: String = row.try_get("who").map_err(|e| self.wrong(&e))?;
            let text: Option<String> = row.try_get("reason").map_err(|e| self.wrong(&e))?;
            let words = Said::kept(&text.unwrap_or_default());
            let words = say!("noted.telephoned", who = who, to = words);
            beside.noted.entry(n).or_default().push(words);
        }
        for row in notes {
            let n: i64 = row.try_get("report").map_err(|e| self.wrong(&e))?;
            let who: String = row.try_get("who").map_err(|e| self.wrong(&e))?;
            let text: Option<String> = row.try_get("reason").map_err(|e| self.wrong(&e))?;
            let words = noted(&who, &text.unwrap_or_default());
            beside.noted.entry(n).or_default().push(words);
        }
        for row in against {
            let n: i64 = row.try_get("report").map_err(|e| self.wrong(&e))?;
            let reason = row.try_get("reason").map_err(|e| self.wrong(&e))?;
            beside.released.entry(n).or_default().push(reason);
        }
        for row in named {
            beside.named.insert(row.try_get("n").map_err(|e| self.wrong(&e))?);
        }
        for row in runs {
            let n: i64 = row.try_get("report").map_err(|e| self.wrong(&e))?;
            let run: String = row.try_get("run").map_err(|e| self.wrong(&e))?;
            beside.runs.insert(n, at("control_run", n).json("run", &run)?);
        }
        Ok(beside)
    }

    /// Who paused a receiver last. None: the trail does not tell.
    pub async fn paused_by(&self, receiver: &str) -> Result<Option<Paused>, StoreError> {
        let mut conn = self.db.read().await?;
        let query = sqlx::query(
            "SELECT who, at, reason FROM trail WHERE object = $1 AND verb = 'pause' \
             ORDER BY n DESC LIMIT 1",
        )
        .bind(format!("receiver {receiver}"));
        let row = conn.fetch_optional(query).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = |row: AnyRow| -> Result<Paused, sqlx::Error> {
            let reason = row.try_get("reason")?;
            Ok(Paused { who: row.try_get("who")?, at: row.try_get("at")?, reason })
        };
        row.map(read).transpose().map_err(|e| self.wrong(&e))
    }

    /// Earlier days with something open, the latest last.
    pub async fn open_before(&self, day: &str) -> Result<Vec<OpenDay>, StoreError> {
        let mut days: BTreeMap<String, BTreeMap<&'static str, i64>> = BTreeMap::new();
        let mut add = |day: String, state: &'static str, many: i64| {
            *days.entry(day).or_default().entry(state).or_default() += many;
        };
        let mut conn = self.db.read().await?;
        for (of, _, many) in absent::missing_before(&mut conn, day).await? {
            add(of, "missing", many);
        }
        let held = sqlx::query(
            "SELECT day, count(*) AS many FROM report WHERE state = 'held' AND day < $1 GROUP BY day",
        );
        let unsent = sqlx::query(
            "SELECT day, count(*) AS many FROM report WHERE unsent = 1 AND state = 'waiting' \
             AND day < $1 GROUP BY day",
        );
        for (query, state) in [(held, "held"), (unsent, "waiting")] {
            let rows = conn.fetch_all(query.bind(day.to_owned())).await;
            for row in rows.map_err(|e| self.wrong(&e))? {
                let read = || Ok((row.try_get("day")?, row.try_get("many")?));
                let (of, many) = read().map_err(|e: sqlx::Error| self.wrong(&e))?;
                add(of, state, many);
            }
        }
        self.db.give_back(conn).await;
        for receiver in self.receivers().await? {
            for state in ["refused", "waiting"] {
                for (of, many) in self.messages_before(&receiver, state, day).await? {
                    add(of, state, many);
                }
            }
        }
        Ok(days.into_iter().map(|(day, open)| OpenDay { day, open }).collect())
    }

    /// Along the index of what is not accepted: the messages of years are never looked at.
    async fn messages_before(
        &self,
        receiver: &str,
        state: &str,
        day: &str,
    ) -> Result<Vec<(String, i64)>, StoreError> {
        let mut found = Vec::new();
        let mut conn = self.db.read().await?;
        for kept_back in [0_i64, 1] {
            let query = sqlx::query(
                "SELECT r.day, count(*) AS many FROM (SELECT report FROM message WHERE receiver = $1 \
                 AND state = $2 AND state <> 'accepted' AND kept_back = $3 ORDER BY n LIMIT $4) m \
                 JOIN report r ON r.n = m.report WHERE r.day < $5 GROUP BY r.day",
            )
            .bind(receiver.to_owned())
            .bind(state.to_owned())
            .bind(kept_back)
            .bind(OLDEST)
            .bind(day.to_owned());
            let rows = conn.fetch_all(query).await.map_err(|e| self.wrong(&e))?;
            let read = |row: &AnyRow| Ok((row.try_get("day")?, row.try_get("many")?));
            let read = rows.iter().map(read).collect::<Result<Vec<_>, sqlx::Error>>();
            found.extend(read.map_err(|e| self.wrong(&e))?);
        }
        self.db.give_back(conn).await;
        Ok(found)
    }
}
