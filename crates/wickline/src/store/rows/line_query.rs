//! What analyzers asked on their lines, and what was said to it: how many specimens and orders, and never which.

use sqlx::any::AnyRow;
use sqlx::{Executor, Row};

use super::at;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;

/// What became of a question; the codes are stable.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The dialect has it that nothing is answered.
    Off,
    /// It was no question that anybody waits for an answer to: taken back, or broken off.
    NoneOwed,
    /// It was read when nobody waited for an answer any more.
    Late,
    /// The answer was handed to the line, and nobody has told yet what became of it.
    Waiting,
    /// The analyzer took the answer.
    Delivered,
    /// It could not be said.
    Dropped,
}

impl Outcome {
    /// Each of them.
    pub const ALL: [Outcome; 6] = [
        Outcome::Off,
        Outcome::NoneOwed,
        Outcome::Late,
        Outcome::Waiting,
        Outcome::Delivered,
        Outcome::Dropped,
    ];

    /// As rows, events and metrics have it.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Outcome::Off => "off",
            Outcome::NoneOwed => "none-owed",
            Outcome::Late => "late",
            Outcome::Waiting => "waiting",
            Outcome::Delivered => "delivered",
            Outcome::Dropped => "dropped",
        }
    }
}

/// One question, by its place on the tape.
#[derive(Clone, Copy, Debug)]
pub struct Entry<'a> {
    pub of: Of<'a>,
    pub heard_at: i64,
    pub day: &'a str,
    pub asked: &'a str,
    pub specimens: usize,
    pub orders: usize,
    pub outcome: Outcome,
    pub why: Option<&'a str>,
}

/// Which question.
#[derive(Clone, Copy, Debug)]
pub struct Of<'a> {
    pub tape: &'a str,
    pub analyzer: &'a str,
    pub place: u64,
}

/// Questions of one day that are alike.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Alike {
    pub analyzer: String,
    pub asked: String,
    pub outcome: Outcome,
    pub why: Option<String>,
    pub many: i64,
    pub specimens: i64,
    pub orders: i64,
}

fn whole(n: usize) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

/// Whether a question is kept already: it was read before.
pub async fn is_known(write: &mut Write, of: Of<'_>) -> Result<bool, StoreError> {
    let query = sqlx::query(
        "SELECT place FROM line_query WHERE tape = $1 AND analyzer = $2 AND place = $3",
    )
    .bind(of.tape.to_owned())
    .bind(of.analyzer.to_owned())
    .bind(i64::try_from(of.place).unwrap_or(i64::MAX));
    let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
    Ok(row.is_some())
}

/// Keeps a question with what becomes of it.
pub async fn keep(write: &mut Write, row: Entry<'_>) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO line_query (tape, analyzer, place, heard_at, day, asked, specimens, orders, said, why) \
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
    )
    .bind(row.of.tape.to_owned())
    .bind(row.of.analyzer.to_owned())
    .bind(i64::try_from(row.of.place).unwrap_or(i64::MAX))
    .bind(row.heard_at)
    .bind(row.day.to_owned())
    .bind(row.asked.to_owned())
    .bind(whole(row.specimens))
    .bind(whole(row.orders))
    .bind(row.outcome.code())
    .bind(row.why.map(str::to_owned));
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Forgets questions that were heard before this time.
pub async fn forget(write: &mut Write, before: i64) -> Result<(), StoreError> {
    let query = sqlx::query("DELETE FROM line_query WHERE heard_at < $1").bind(before);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

impl Ledger {
    /// What became of an answer that was handed to the line.
    pub async fn answered(
        &self,
        of: Of<'_>,
        outcome: Outcome,
        why: Option<&str>,
    ) -> Result<(), StoreError> {
        let mut write = self.db.write().await?;
        let query = sqlx::query(
            "UPDATE line_query SET said = $1, why = $2 \
             WHERE tape = $3 AND analyzer = $4 AND place = $5 AND said = 'waiting'",
        )
        .bind(outcome.code())
        .bind(why.map(str::to_owned))
        .bind(of.tape.to_owned())
        .bind(of.analyzer.to_owned())
        .bind(i64::try_from(of.place).unwrap_or(i64::MAX));
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        write.commit().await
    }

    /// What analyzers asked on a day, those together that are alike.
    pub async fn line_queries(&self, day: &str) -> Result<Vec<Alike>, StoreError> {
        let mut conn = self.db.read().await?;
        let query = sqlx::query(
            "SELECT analyzer, asked, said, why, count(*) AS many, CAST(sum(specimens) AS BIGINT) AS specimens, \
             CAST(sum(orders) AS BIGINT) AS orders FROM line_query WHERE day = $1 \
             GROUP BY analyzer, asked, said, why ORDER BY analyzer, asked, said, why",
        )
        .bind(day.to_owned());
        let rows = conn.fetch_all(query).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        rows.iter().map(alike).collect()
    }
}

fn alike(row: &AnyRow) -> Result<Alike, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("questions of analyzers", &e);
    let said: String = row.try_get("said").map_err(wrong)?;
    let known = |code: &str| Outcome::ALL.into_iter().find(|one| one.code() == code);
    Ok(Alike {
        analyzer: row.try_get("analyzer").map_err(wrong)?,
        asked: row.try_get("asked").map_err(wrong)?,
        outcome: at("line_query", 0).word("said", &said, known)?,
        why: row.try_get("why").map_err(wrong)?,
        many: row.try_get("many").map_err(wrong)?,
        specimens: row.try_get("specimens").map_err(wrong)?,
        orders: row.try_get("orders").map_err(wrong)?,
    })
}
