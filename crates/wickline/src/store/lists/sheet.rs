//! What the day sheet says beside its lines: what people did to reports, what control material read, who
//! paused a receiver, and which earlier days have something open.

use std::collections::{BTreeMap, HashSet};
use std::fmt;

use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Executor, Row};
use wickline_normalize::controls::Run;

use crate::store::StoreError;
use crate::store::db::list_of;
use crate::store::ledger::Ledger;
use crate::store::lists::reports::{TOGETHER, of_these};
use crate::store::lists::runs::noted;
use crate::store::rows::{absent, at};
use crate::texts::{Said, say};

/// Waiting messages of a receiver that are looked at for earlier days: the oldest come first.
const OLDEST: i64 = 1000;

/// What is known of some reports beside their lines.
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
    /// What is known of some reports beside their lines.
    pub async fn beside_lines(&self, ids: &[i64]) -> Result<Beside, StoreError> {
        let mut beside = Beside::default();
        let mut conn = self.db.read().await?;
        for some in ids.chunks(TOGETHER) {
            self.beside_these(&mut conn, some, &mut beside).await?;
        }
        self.db.give_back(conn).await;
        Ok(beside)
    }

    async fn beside_these(
        &self,
        conn: &mut AnyConnection,
        ids: &[i64],
        beside: &mut Beside,
    ) -> Result<(), StoreError> {
        let these = list_of(ids.len(), 1);
        let sql = format!("SELECT n FROM report WHERE n IN ({these}) AND given IS NOT NULL");
        for row in of_these(conn, sql, ids).await? {
            beside.named.insert(row.try_get("n").map_err(|e| self.wrong(&e))?);
        }
        let sql = format!("SELECT report, run FROM control_run WHERE report IN ({these})");
        for row in of_these(conn, sql, ids).await? {
            let n: i64 = row.try_get("report").map_err(|e| self.wrong(&e))?;
            let run: String = row.try_get("run").map_err(|e| self.wrong(&e))?;
            beside.runs.insert(n, at("control_run", n).json("run", &run)?);
        }
        let sql = format!(
            "SELECT report, reason FROM hold WHERE report IN ({these}) AND released = 1 \
             ORDER BY report, ix"
        );
        for row in of_these(conn, sql, ids).await? {
            let n: i64 = row.try_get("report").map_err(|e| self.wrong(&e))?;
            let reason = row.try_get("reason").map_err(|e| self.wrong(&e))?;
            beside.released.entry(n).or_default().push(reason);
        }
        let sql = format!(
            "SELECT object, verb, who, reason FROM trail WHERE object IN ({these}) \
             AND verb IN ('note', 'telephoned') ORDER BY n"
        );
        let query = sqlx::query(AssertSqlSafe(sql));
        let query = ids.iter().fold(query, |query, n| query.bind(format!("report {n}")));
        for row in conn.fetch_all(query).await.map_err(|e| self.wrong(&e))? {
            let (n, words) = said(&row).map_err(|e| self.wrong(&e))?;
            beside.noted.entry(n).or_default().push(words);
        }
        Ok(())
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

/// What a person noted of a run, or whom they telephoned a result to; and of which report.
fn said(row: &AnyRow) -> Result<(i64, Said), sqlx::Error> {
    let [object, verb, who] = ["object", "verb", "who"].map(|column| row.try_get(column));
    let (object, verb, who): (String, String, String) = (object?, verb?, who?);
    let text = row.try_get::<Option<String>, _>("reason")?.unwrap_or_default();
    let n = object.strip_prefix("report ").and_then(|n| n.parse().ok()).unwrap_or(0);
    let words = match verb.as_str() {
        "note" => noted(&who, &text),
        _ => say!("noted.telephoned", who = who, to = Said::kept(&text)),
    };
    Ok((n, words))
}
