//! What must be told by telephone: urgent results that no receiver has; and what was told so, as the trail has it.

use std::collections::BTreeMap;

use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};

use crate::clock::SiteClock;
use crate::store::StoreError;
use crate::store::db::list_of;
use crate::store::ledger::Ledger;
use crate::store::lists::reports::{Item, TOGETHER};

/// The act, as the trail names it.
pub const VERB: &str = "telephoned";
/// Urgent messages, and calls, that are looked at.
const MOST: i64 = 500;

/// A call, as somebody stated it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Call {
    pub report: i64,
    pub at: i64,
    pub who: String,
    /// To whom, when, and whether it was read back.
    pub text: String,
}

/// Urgent results that are on no receiver.
#[derive(Clone, Debug)]
pub struct Unheard {
    pub item: Item,
    /// Since when the last of its messages is ready.
    pub since: i64,
    /// Whether it is more than just under way: refused, kept back, tried in vain, or old.
    pub stuck: bool,
}

struct Open {
    since: i64,
    stuck: bool,
}

impl Ledger {
    /// Urgent results that no receiver has, the oldest first. `before`: what is ready since then may be under way.
    pub async fn urgent_unheard(
        &self,
        before: i64,
        clock: &SiteClock,
    ) -> Result<Vec<Unheard>, StoreError> {
        let mut open: BTreeMap<i64, Open> = BTreeMap::new();
        for row in self.urgent_open().await? {
            let (report, since, stuck) = urgent(&row, before).map_err(|e| self.wrong(&e))?;
            let one = open.entry(report).or_insert(Open { since, stuck });
            one.since = one.since.max(since);
            one.stuck |= stuck;
        }
        if open.is_empty() {
            return Ok(Vec::new());
        }
        let ids: Vec<i64> = open.keys().copied().collect();
        let mut found = Vec::new();
        for item in self.items_named(&ids, clock).await? {
            let has = |state: &str| item.deliveries.iter().any(|d| d.state.text() == state);
            let told = item.deliveries.iter().any(|d| !d.withdraws() && !d.state.is_done());
            let of = item.id.parse().ok().and_then(|n: i64| open.remove(&n));
            if let (true, false, Some(Open { since, stuck })) = (told, has("accepted"), of) {
                found.push(Unheard { item, since, stuck });
            }
        }
        Ok(found)
    }

    /// Along the index of what is urgent and not accepted.
    async fn urgent_open(&self) -> Result<Vec<AnyRow>, StoreError> {
        let (mut rows, mut conn) = (Vec::new(), self.db.read().await?);
        for state in ["refused", "waiting"] {
            let query = sqlx::query(
                "SELECT report, made_at, state, kept_back, reason FROM message WHERE urgent = 1 \
                 AND state <> 'accepted' AND state = $1 AND coalesce(amends, '') <> 'withdraws' \
                 ORDER BY n LIMIT $2",
            );
            let query = query.bind(state).bind(MOST);
            rows.extend(query.fetch_all(&mut conn).await.map_err(|e| self.wrong(&e))?);
        }
        self.db.give_back(conn).await;
        Ok(rows)
    }

    /// The last call about each of these reports.
    pub async fn calls_about(&self, ids: &[i64]) -> Result<BTreeMap<i64, Call>, StoreError> {
        let (mut calls, mut conn) = (BTreeMap::new(), self.db.read().await?);
        for some in ids.chunks(TOGETHER) {
            let these = list_of(some.len(), 2);
            // By its object alone: there are fewer rows of a report than calls of all years.
            let sql = format!(
                "SELECT object, at, who, reason FROM trail WHERE object IN ({these}) \
                 AND verb || '' = $1 ORDER BY n"
            );
            let query = sqlx::query(AssertSqlSafe(sql)).bind(VERB);
            let query = some.iter().fold(query, |query, n| query.bind(format!("report {n}")));
            for row in query.fetch_all(&mut conn).await.map_err(|e| self.wrong(&e))? {
                let call = call(&row).map_err(|e| self.wrong(&e))?;
                calls.insert(call.report, call);
            }
        }
        self.db.give_back(conn).await;
        Ok(calls)
    }

    /// The calls since a moment, the newest first.
    pub async fn calls_since(&self, since: i64) -> Result<Vec<Call>, StoreError> {
        let mut conn = self.db.read().await?;
        let query = sqlx::query(
            "SELECT object, at, who, reason FROM trail WHERE verb = $1 ORDER BY n DESC LIMIT $2",
        );
        let rows = query.bind(VERB).bind(MOST).fetch_all(&mut conn).await;
        let rows = rows.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let calls = rows.iter().map(call).collect::<Result<Vec<_>, _>>();
        let calls = calls.map_err(|e| self.wrong(&e))?;
        Ok(calls.into_iter().filter(|call| call.at >= since).collect())
    }
}

fn urgent(row: &AnyRow, before: i64) -> Result<(i64, i64, bool), sqlx::Error> {
    let (since, state): (i64, String) = (row.try_get("made_at")?, row.try_get("state")?);
    let kept_back = row.try_get::<i64, _>("kept_back")? != 0;
    let in_vain = row.try_get::<Option<String>, _>("reason")?.is_some();
    let stuck = state == "refused" || kept_back || in_vain || since < before;
    Ok((row.try_get("report")?, since, stuck))
}

fn call(row: &AnyRow) -> Result<Call, sqlx::Error> {
    let object: String = row.try_get("object")?;
    Ok(Call {
        report: object.strip_prefix("report ").and_then(|n| n.parse().ok()).unwrap_or(0),
        at: row.try_get("at")?,
        who: row.try_get("who")?,
        text: row.try_get::<Option<String>, _>("reason")?.unwrap_or_default(),
    })
}
