//! Who was turned away from a line on which analyzers connect to us, by day: nothing of what they sent was read.

use std::collections::BTreeMap;

use sqlx::any::AnyRow;
use sqlx::{Executor, Row};

use crate::clock::SiteClock;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;

/// How often for one reason, of whom there are few: by it the rows of a day are bounded, whoever knocks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refusals {
    pub many: i64,
    pub first_at: i64,
    pub last_at: i64,
    /// The address of the last.
    pub from: String,
}

/// By analyzer and reason, until it is kept.
pub type Pending = BTreeMap<(String, &'static str), Refusals>;

/// What is kept of one line, one day and one reason.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Kept {
    pub analyzer: String,
    pub why: String,
    pub refusals: Refusals,
}

/// One more; `all` may have some already.
pub fn add(all: &mut Pending, analyzer: &str, why: &'static str, more: Refusals) {
    let Some(known) = all.get_mut(&(analyzer.to_owned(), why)) else {
        all.insert((analyzer.to_owned(), why), more);
        return;
    };
    known.many = known.many.saturating_add(more.many);
    known.first_at = known.first_at.min(more.first_at);
    if more.last_at >= known.last_at {
        (known.last_at, known.from) = (more.last_at, more.from);
    }
}

/// Forgets what was before this time.
pub async fn forget(write: &mut Write, before: i64) -> Result<(), StoreError> {
    let query = sqlx::query("DELETE FROM line_refusal WHERE last_at < $1").bind(before);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

impl Ledger {
    /// Adds to what is kept of the days on which it was.
    pub async fn refusals_add(&self, all: &Pending, clock: &SiteClock) -> Result<(), StoreError> {
        // Over a connection of its own, as all that is only told.
        let mut write = self.db.apart().write().await?;
        for ((analyzer, why), one) in all {
            let query = sqlx::query(
                "INSERT INTO line_refusal (analyzer, day, why, many, first_at, last_at, last_from) \
                 VALUES ($1, $2, $3, $4, $5, $6, $7) ON CONFLICT (day, analyzer, why) DO UPDATE SET \
                 many = line_refusal.many + excluded.many, last_at = excluded.last_at, \
                 last_from = excluded.last_from",
            )
            .bind(analyzer.clone())
            .bind(clock.day(one.last_at))
            .bind((*why).to_owned())
            .bind(one.many)
            .bind(one.first_at)
            .bind(one.last_at)
            .bind(one.from.clone());
            write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        }
        write.commit().await
    }

    /// Who was turned away on a day.
    pub async fn refusals(&self, day: &str) -> Result<Vec<Kept>, StoreError> {
        let mut conn = self.db.read().await?;
        let query = sqlx::query(
            "SELECT analyzer, why, many, first_at, last_at, last_from FROM line_refusal WHERE day = $1 \
             ORDER BY analyzer, why",
        )
        .bind(day.to_owned());
        let rows = conn.fetch_all(query).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        rows.iter().map(kept).collect::<Result<_, _>>().map_err(|e| self.wrong(&e))
    }
}

fn kept(row: &AnyRow) -> Result<Kept, sqlx::Error> {
    Ok(Kept {
        analyzer: row.try_get("analyzer")?,
        why: row.try_get("why")?,
        refusals: Refusals {
            many: row.try_get("many")?,
            first_at: row.try_get("first_at")?,
            last_at: row.try_get("last_at")?,
            from: row.try_get("last_from")?,
        },
    })
}
