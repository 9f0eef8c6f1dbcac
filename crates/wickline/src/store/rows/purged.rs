//! What is left of a report that was purged: its number, class and outcome, and keyed digests of its identity and
//! specimen ids, by which a repeat of it and a question about a specimen are still known.

use std::collections::{HashMap, HashSet};

use sha2::{Digest, Sha256};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Executor, Row};

use crate::clock;
use crate::digest;
use crate::store::StoreError;
use crate::store::db::{Write, list_of};
use crate::store::era;
use crate::store::ledger::Ledger;

/// Rows of one statement at most.
const ROWS: usize = 500;

/// What a ledger's digests of purged reports are made with, drawn once.
#[derive(Clone)]
pub struct Key(String);

impl Key {
    /// The key of this ledger. None: nothing was purged here.
    pub async fn of(conn: &mut AnyConnection) -> Result<Option<Self>, StoreError> {
        let row = conn.fetch_optional("SELECT text FROM purge_key").await;
        let text = row.and_then(|row| row.map(|row| row.try_get(0)).transpose());
        Ok(text.map_err(|e| StoreError::from_sql("the key of what was purged", &e))?.map(Key))
    }

    async fn made(write: &mut Write) -> Result<Self, StoreError> {
        if let Some(key) = Self::of(write.conn()).await? {
            return Ok(key);
        }
        let key = digest::hex(&era::random()?);
        let query = sqlx::query("INSERT INTO purge_key (text) VALUES ($1)").bind(key.clone());
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        Ok(Self(key))
    }

    /// The digest of texts in their order, none of which can pass for two.
    #[must_use]
    pub fn digest(&self, texts: &[&str]) -> String {
        let mut sum = Sha256::new();
        for text in [self.0.as_str()].iter().chain(texts) {
            sum.update(format!("{}:", text.len()));
            sum.update(text);
        }
        digest::hex(&sum.finalize())
    }
}

/// The purged reports of one analyzer that a print may repeat.
#[derive(Default)]
pub struct Gone {
    key: Option<Key>,
    known: HashMap<String, i64>,
}

impl Gone {
    /// Those that print one of these dates. What repeated another, or was set aside, is repeated by nothing.
    pub async fn of(
        write: &mut Write,
        analyzer: &str,
        days: &HashSet<String>,
    ) -> Result<Self, StoreError> {
        let Some(key) = Key::of(write.conn()).await? else { return Ok(Self::default()) };
        let mut known = HashMap::new();
        for day in days {
            let query = sqlx::query(
                "SELECT n, identity FROM purged WHERE analyzer = $1 AND printed = $2 \
                 AND outcome NOT IN ('repeat', 'set-aside')",
            )
            .bind(analyzer.to_owned())
            .bind(day.clone());
            let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
            for row in rows {
                let one: Result<(String, i64), sqlx::Error> =
                    row.try_get("identity").and_then(|text| Ok((text, row.try_get("n")?)));
                let (identity, n) = one.map_err(|e| write.wrong(&e))?;
                known.entry(identity).or_insert(n);
            }
        }
        Ok(Self { key: Some(key), known })
    }

    /// The purged report with this identity.
    #[must_use]
    pub fn find(&self, analyzer: &str, instrument: i64, identity: &str) -> Option<i64> {
        let key = self.key.as_ref()?;
        if self.known.is_empty() {
            return None;
        }
        self.known.get(&key.digest(&[&own(analyzer, instrument), identity])).copied()
    }
}

/// An analyzer and the instrument that stood there, as an identity begins.
fn own(analyzer: &str, instrument: i64) -> String {
    if instrument == 0 { analyzer.to_owned() } else { format!("{analyzer}#{instrument}") }
}

/// What is left of one report.
#[derive(Clone, Debug)]
pub struct Left {
    pub n: i64,
    pub day: String,
    pub class: String,
    pub outcome: String,
    /// When it was purged.
    pub at: i64,
}

impl Ledger {
    /// What is left of the purged reports that had one of these specimen ids.
    pub async fn purged_of(&self, specimens: &[String]) -> Result<Vec<Left>, StoreError> {
        let mut conn = self.db.read().await?;
        let mut left: Vec<Left> = Vec::new();
        if let Some(key) = Key::of(&mut conn).await? {
            for specimen in specimens {
                let query = sqlx::query(
                    "SELECT n, day, class, outcome, at FROM purged WHERE n IN \
                     (SELECT report FROM purged_name WHERE specimen = $1)",
                )
                .bind(key.digest(&[specimen]));
                let rows = query.fetch_all(&mut conn).await.map_err(|e| self.wrong(&e))?;
                let read = |row: &AnyRow| -> Result<Left, sqlx::Error> {
                    let (day, class) = (row.try_get("day")?, row.try_get("class")?);
                    let (outcome, at) = (row.try_get("outcome")?, row.try_get("at")?);
                    Ok(Left { n: row.try_get("n")?, day, class, outcome, at })
                };
                let some: Result<Vec<Left>, _> = rows.iter().map(read).collect();
                left.extend(some.map_err(|e| self.wrong(&e))?);
            }
        }
        self.db.give_back(conn).await;
        left.sort_by_key(|one| one.n);
        left.dedup_by_key(|one| one.n);
        Ok(left)
    }
}

/// Leaves of these reports what is kept of purged ones, and deletes them with all that belongs to them.
pub async fn purge(write: &mut Write, reports: &[(i64, &'static str)]) -> Result<(), StoreError> {
    let key = Key::made(write).await?;
    for group in reports.chunks(ROWS) {
        keep(write, &key, group).await?;
        let these = list_of(group.len(), 1);
        // Those that count messages by their numbers leave out what is gone.
        let sql = format!(
            "INSERT INTO counter (name, value) SELECT 'purged message', count(*) FROM message \
             WHERE report IN ({these}) ON CONFLICT (name) DO UPDATE SET value = counter.value + excluded.value"
        );
        ids(write, sql, group).await?;
        for sql in [
            format!(
                "DELETE FROM message_body WHERE n IN (SELECT n FROM message WHERE report IN ({these}))"
            ),
            format!("DELETE FROM message WHERE report IN ({these})"),
            format!("DELETE FROM hold WHERE report IN ({these})"),
            format!("DELETE FROM named WHERE report IN ({these})"),
            format!("DELETE FROM control_run WHERE report IN ({these})"),
            format!("DELETE FROM report_order WHERE report IN ({these})"),
            format!("DELETE FROM order_was WHERE report IN ({these})"),
            format!("DELETE FROM report WHERE n IN ({these})"),
        ] {
            ids(write, sql, group).await?;
        }
    }
    Ok(())
}

/// Runs a statement about these reports; the rows that it answers with.
async fn ids(
    write: &mut Write,
    sql: String,
    group: &[(i64, &'static str)],
) -> Result<Vec<AnyRow>, StoreError> {
    let mut query = sqlx::query(AssertSqlSafe(sql));
    for (n, _) in group {
        query = query.bind(*n);
    }
    write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))
}

async fn keep(
    write: &mut Write,
    key: &Key,
    group: &[(i64, &'static str)],
) -> Result<(), StoreError> {
    let outcomes: HashMap<i64, &str> = group.iter().copied().collect();
    let these = list_of(group.len(), 1);
    let sql = format!(
        "SELECT n, analyzer, day, coalesce(substr(taken_at, 1, 10), day) AS printed, class, identity, \
         instrument FROM report WHERE n IN ({these})"
    );
    let rows = ids(write, sql, group).await?;
    let sql = format!(
        "INSERT INTO purged (n, analyzer, day, printed, class, outcome, identity, at) VALUES {}",
        write.values(rows.len(), 8)
    );
    let (mut query, now) = (sqlx::query(AssertSqlSafe(sql)), clock::now_us());
    for row in &rows {
        let text = |column| row.try_get::<String, _>(column).map_err(|e| write.wrong(&e));
        let n: i64 = row.try_get("n").map_err(|e| write.wrong(&e))?;
        let analyzer = text("analyzer")?;
        let instrument: i64 = row.try_get("instrument").map_err(|e| write.wrong(&e))?;
        let identity = key.digest(&[&own(&analyzer, instrument), &text("identity")?]);
        query = query.bind(n).bind(analyzer).bind(text("day")?).bind(text("printed")?);
        query = query.bind(text("class")?).bind(outcomes.get(&n).copied().unwrap_or_default());
        query = query.bind(identity).bind(now);
    }
    if !rows.is_empty() {
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    keep_names(write, key, group).await
}

async fn keep_names(
    write: &mut Write,
    key: &Key,
    group: &[(i64, &'static str)],
) -> Result<(), StoreError> {
    let these = list_of(group.len(), 1);
    let sql = format!(
        "SELECT specimen, n AS report FROM report WHERE n IN ({these}) AND specimen IS NOT NULL \
         UNION SELECT specimen, report FROM named WHERE report IN ({these}) \
         UNION SELECT specimen, report FROM message WHERE report IN ({these}) AND specimen IS NOT NULL"
    );
    let rows = ids(write, sql, group).await?;
    for rows in rows.chunks(ROWS) {
        let sql = format!(
            "INSERT INTO purged_name (specimen, report) VALUES {}",
            write.values(rows.len(), 2)
        );
        let mut query = sqlx::query(AssertSqlSafe(sql));
        for row in rows {
            let specimen: String = row.try_get("specimen").map_err(|e| write.wrong(&e))?;
            let n: i64 = row.try_get("report").map_err(|e| write.wrong(&e))?;
            query = query.bind(key.digest(&[&specimen])).bind(n);
        }
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    Ok(())
}
