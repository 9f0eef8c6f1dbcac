//! The whole ledger in counts, without anything of a patient, and the texts that name patients and people: for who
//! helps from outside, and for seeing that none of those goes out.

use std::collections::BTreeSet;

use serde::Serialize;
use sqlx::{Executor, Row};

use crate::store::StoreError;
use crate::store::ledger::Ledger;

/// Acts that are listed, the last ones.
const ACTS: &str = "SELECT n, at, verb, object FROM trail ORDER BY n DESC LIMIT 200";
const REPORTS: &str = "SELECT analyzer AS whose, class AS what, state, count(*) AS many FROM report \
     GROUP BY analyzer, class, state ORDER BY analyzer, class, state";
const MESSAGES: &str = "SELECT receiver AS whose, coalesce(reason, '') AS what, state, count(*) AS many FROM message \
     GROUP BY receiver, reason, state ORDER BY receiver, reason, state";
const HOLDS: &str = "SELECT r.analyzer AS whose, h.reason AS what, r.state, count(*) AS many FROM report r \
     JOIN hold h ON h.report = r.n WHERE r.state = 'held' AND h.cleared_at IS NULL \
     GROUP BY r.analyzer, h.reason, r.state ORDER BY r.analyzer, h.reason";
const SPECIMENS: &str = "SELECT specimen AS name FROM report WHERE specimen IS NOT NULL \
     UNION SELECT specimen FROM named UNION SELECT specimen FROM message WHERE specimen IS NOT NULL";
const PEOPLE: &str =
    "SELECT DISTINCT who AS name FROM trail UNION SELECT DISTINCT login FROM trail";

/// So many of one kind.
#[derive(Clone, Debug, Serialize)]
pub struct Sum {
    /// An analyzer or a receiver.
    pub of: String,
    /// A class, or the code of a reason.
    pub what: String,
    pub state: String,
    pub many: i64,
}

/// An act without who did it, why, and what became of it.
#[derive(Clone, Debug, Serialize)]
pub struct Done {
    pub n: i64,
    pub at: i64,
    pub verb: String,
    pub object: String,
}

/// The ledger in counts.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Summed {
    pub reports: Vec<Sum>,
    pub messages: Vec<Sum>,
    pub holds: Vec<Sum>,
    pub acts: Vec<Done>,
}

impl Ledger {
    /// Counts of all there is, and the last acts.
    pub async fn summed(&self) -> Result<Summed, StoreError> {
        let (reports, messages) = (self.sums(REPORTS).await?, self.sums(MESSAGES).await?);
        let holds = self.sums(HOLDS).await?;
        let mut conn = self.db.read().await?;
        let rows = conn.fetch_all(ACTS).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let act = |row: &sqlx::any::AnyRow| -> Result<Done, sqlx::Error> {
            let (verb, object) = (row.try_get("verb")?, row.try_get("object")?);
            Ok(Done { n: row.try_get("n")?, at: row.try_get("at")?, verb, object })
        };
        let acts: Result<_, sqlx::Error> = rows.iter().map(act).collect();
        Ok(Summed { reports, messages, holds, acts: acts.map_err(|e| self.wrong(&e))? })
    }

    async fn sums(&self, sql: &'static str) -> Result<Vec<Sum>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = conn.fetch_all(sql).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let sum = |row: &sqlx::any::AnyRow| -> Result<Sum, sqlx::Error> {
            let (of, what) = (row.try_get("whose")?, row.try_get("what")?);
            Ok(Sum { of, what, state: row.try_get("state")?, many: row.try_get("many")? })
        };
        rows.iter().map(sum).collect::<Result<_, _>>().map_err(|e| self.wrong(&e))
    }

    /// Every specimen id, and every name and login of a person, that stand in this ledger.
    pub async fn names_known(&self) -> Result<(BTreeSet<String>, BTreeSet<String>), StoreError> {
        Ok((self.known(SPECIMENS).await?, self.known(PEOPLE).await?))
    }

    async fn known(&self, sql: &'static str) -> Result<BTreeSet<String>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = conn.fetch_all(sql).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        rows.iter()
            .map(|row| row.try_get("name"))
            .collect::<Result<_, _>>()
            .map_err(|e| self.wrong(&e))
    }
}
