//! What people ask the ledger: held reports, the day sheet, the queue.

use std::collections::BTreeMap;

use serde::Serialize;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use wickline_normalize::readings::Reading;
use wickline_normalize::{Class, Reason, Report};

use crate::clock::SiteClock;
use crate::store::StoreError;
use crate::store::db::list_of;
use crate::store::ledger::Ledger;
use crate::store::lists::URGENT;
use crate::store::lists::names::Name;
use crate::store::rows::report::class_of;
use crate::store::rows::{at, message};
use crate::store::state::{ReportState, State};

/// One delivery of a report to one receiver.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Delivery {
    pub receiver: String,
    pub state: State,
    /// What people call the message: `17@lis`.
    pub message: String,
    pub control_id: String,
    pub attempts: i64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub detail: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next_attempt_at: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub accepted_at: Option<String>,
    /// `corrects` or `withdraws`: what it does to what the receiver was told before.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub amends: Option<String>,
    /// Its OBR-3 is not the report's own any more.
    #[serde(skip)]
    pub retired: Option<String>,
    /// A person keeps it back.
    pub on_hold: bool,
}

impl Item {
    /// Every reason that still holds it, each once: to see one alone would be to forget the others.
    #[must_use]
    pub fn reasons(&self) -> Vec<&str> {
        let mut open: Vec<&str> = Vec::new();
        for hold in self.holds.iter().filter(|hold| !hold.cleared) {
            if !open.contains(&hold.reason.as_str()) {
                open.push(&hold.reason);
            }
        }
        open
    }
}

impl Delivery {
    /// True where it says that what was told before is taken back.
    #[must_use]
    pub fn withdraws(&self) -> bool {
        self.amends.as_deref() == Some("withdraws")
    }
}

/// One report, or one number that never came, as `held` and `day` show it.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Item {
    pub id: String,
    pub analyzer: String,
    pub number: Option<String>,
    /// How many it stands for: a line of numbers that never came, or a kind of reports.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub numbers: Option<i64>,
    pub class: String,
    /// By its class; in `held` also by an order of its specimen that waits.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub urgent: bool,
    pub level: Option<String>,
    pub specimen: Option<String>,
    pub state: State,
    pub reason: Option<String>,
    pub detail: Option<String>,
    pub taken_at: Option<String>,
    pub heard_at: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub repeat_of: Option<String>,
    /// The earlier report under whose OBR-3 it goes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub corrects: Option<String>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub holds: Vec<HoldView>,
    pub deliveries: Vec<Delivery>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub control_id: Option<String>,
    /// No receiver took it when it was ready: it has no message yet.
    #[serde(skip)]
    pub unsent: bool,
    /// Why its orders let nothing more of it go that was refused.
    #[serde(skip)]
    pub barred: Option<Reason>,
}

impl Item {
    /// Whether a person, or time, has something to do yet: also at one receiver of several.
    #[must_use]
    pub fn is_open(&self) -> bool {
        let open = |d: &Delivery| !d.state.is_done();
        !self.state.is_done() || self.deliveries.iter().any(open)
    }
}

/// One hold of a report, open or cleared.
#[derive(Clone, Debug, Serialize)]
pub struct HoldView {
    pub reason: String,
    pub detail: String,
    pub line: Option<i64>,
    pub cleared: bool,
}

/// One whole report as kept.
#[derive(Clone, Debug)]
pub struct Kept {
    pub print: Report,
    pub readings: Vec<Reading>,
    pub control_sign: bool,
    pub item: Item,
}

/// Counts by state, every state named.
#[must_use]
pub fn totals(states: impl Iterator<Item = State>) -> BTreeMap<&'static str, u64> {
    let mut totals: BTreeMap<&'static str, u64> =
        State::ALL.into_iter().map(|s| (s.text(), 0)).collect();
    for state in states {
        *totals.entry(state.text()).or_default() += 1;
    }
    totals
}

/// Reports whose holds and messages are asked for at once.
pub(super) const TOGETHER: usize = 500;

/// What a list shows of a report: not its print, which is most of the row.
const LISTED: &str = "SELECT n, analyzer, number, class, level, specimen, taken_at, heard_at, state, \
     repeat_of, corrects, note, unsent, day, sequence FROM report";
const WHOLE: &str = "SELECT n, analyzer, number, class, level, specimen, taken_at, heard_at, state, \
     repeat_of, corrects, note, unsent, print, readings, control_sign FROM report";

/// Which held reports: so many after this one, in the order of the list.
#[derive(Clone, Copy, Debug)]
pub struct AskedHeld {
    pub after: i64,
    pub limit: i64,
}

impl AskedHeld {
    /// All of them.
    pub const ALL: AskedHeld = AskedHeld { after: 0, limit: i64::MAX };
}

impl Ledger {
    /// A page of the reports that need a person: urgent ones first, each as they were heard.
    pub async fn held(&self, asked: AskedHeld, clock: &SiteClock) -> Result<Vec<Item>, StoreError> {
        let mut conn = self.db.read().await?;
        let sql = format!("SELECT n FROM report WHERE n = $1 AND NOT {URGENT}");
        let behind = sqlx::query(AssertSqlSafe(sql)).bind(asked.after);
        let behind = behind.fetch_optional(&mut conn).await.map_err(|e| self.wrong(&e))?;
        let behind_urgent = behind.is_some();
        let mut rows = Vec::new();
        if !behind_urgent {
            let sql = format!(
                "{LISTED} WHERE state = 'held' AND {URGENT} AND n > $1 ORDER BY n LIMIT $2"
            );
            let query = sqlx::query(AssertSqlSafe(sql)).bind(asked.after).bind(asked.limit);
            rows = query.fetch_all(&mut conn).await.map_err(|e| self.wrong(&e))?;
        }
        let urgent = rows.len();
        let room = asked.limit - i64::try_from(urgent).unwrap_or(i64::MAX);
        let sql = format!(
            "{LISTED} WHERE state = 'held' AND NOT {URGENT} AND n > $1 ORDER BY n LIMIT $2"
        );
        let after = if behind_urgent { asked.after } else { 0 };
        let query = sqlx::query(AssertSqlSafe(sql)).bind(after).bind(room);
        rows.extend(query.fetch_all(&mut conn).await.map_err(|e| self.wrong(&e))?);
        self.db.give_back(conn).await;
        let mut items = rows.iter().map(|row| item(row, clock)).collect::<Result<Vec<_>, _>>()?;
        items.iter_mut().take(urgent).for_each(|item| item.urgent = true);
        self.attach(&mut items, clock).await?;
        Ok(items)
    }

    /// What was heard last, the newest first.
    pub async fn newest(&self, most: i64, clock: &SiteClock) -> Result<Vec<Item>, StoreError> {
        let rows = self.reports(LISTED, "ORDER BY n DESC LIMIT $1", most).await?;
        let mut items = rows.iter().map(|row| item(row, clock)).collect::<Result<Vec<_>, _>>()?;
        self.attach(&mut items, clock).await?;
        Ok(items)
    }

    /// Every report that a reason holds.
    pub async fn held_for(&self, reason: Reason) -> Result<Vec<i64>, StoreError> {
        let mut conn = self.db.read().await?;
        let query = sqlx::query(
            "SELECT n FROM report WHERE state = 'held' AND EXISTS (SELECT 1 FROM hold \
             WHERE hold.report = report.n AND hold.reason = $1 AND hold.cleared_at IS NULL) ORDER BY n",
        );
        let rows = query.bind(reason.code()).fetch_all(&mut conn).await;
        let rows = rows.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = rows.iter().map(|row| row.try_get(0)).collect::<Result<_, sqlx::Error>>();
        read.map_err(|e| self.wrong(&e))
    }

    /// The rows of every report of a local day.
    pub(crate) async fn reports_of(&self, day: &str) -> Result<Vec<AnyRow>, StoreError> {
        self.reports(LISTED, "WHERE day = $1 ORDER BY n", day.to_owned()).await
    }

    /// The rows of some reports.
    pub(crate) async fn reports_named(&self, ids: &[i64]) -> Result<Vec<AnyRow>, StoreError> {
        let (mut rows, mut conn) = (Vec::new(), self.db.read().await?);
        for some in ids.chunks(TOGETHER) {
            let these = list_of(some.len(), 1);
            let sql = format!("{LISTED} WHERE n IN ({these})");
            rows.extend(of_these(&mut conn, sql, some).await?);
        }
        self.db.give_back(conn).await;
        Ok(rows)
    }

    /// One report by its id.
    pub async fn report(&self, id: i64, clock: &SiteClock) -> Result<Option<Kept>, StoreError> {
        let rows = self.reports(WHOLE, "WHERE n = $1", id).await?;
        let Some(row) = rows.first() else { return Ok(None) };
        let place = at("report", id);
        let text = |column| row.try_get::<String, _>(column).map_err(|e| self.wrong(&e));
        let sign: i64 = row.try_get("control_sign").map_err(|e| self.wrong(&e))?;
        let mut kept = Kept {
            print: place.json("print", &text("print")?)?,
            readings: place.json("readings", &text("readings")?)?,
            control_sign: sign != 0,
            item: item(row, clock)?,
        };
        let mut items = vec![kept.item];
        self.attach(&mut items, clock).await?;
        kept.item = items.remove(0);
        Ok(Some(kept))
    }

    /// Some reports, in the order in which they were heard.
    pub async fn items_named(
        &self,
        ids: &[i64],
        clock: &SiteClock,
    ) -> Result<Vec<Item>, StoreError> {
        let mut ids = ids.to_vec();
        ids.sort_unstable();
        ids.dedup();
        let rows = self.reports_named(&ids).await?;
        let mut items = rows.iter().map(|row| item(row, clock)).collect::<Result<Vec<_>, _>>()?;
        items.sort_by_key(|item| item.id.parse::<i64>().unwrap_or(0));
        self.attach(&mut items, clock).await?;
        Ok(items)
    }

    async fn reports<T>(
        &self,
        columns: &'static str,
        which: &'static str,
        bound: T,
    ) -> Result<Vec<AnyRow>, StoreError>
    where
        T: 'static + Send + for<'q> sqlx::Encode<'q, sqlx::Any> + sqlx::Type<sqlx::Any>,
    {
        let mut conn = self.db.read().await?;
        let query = sqlx::query(AssertSqlSafe(format!("{columns} {which}"))).bind(bound);
        let rows = query.fetch_all(&mut conn).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(rows)
    }

    /// Adds holds and deliveries, and the state that they make of a report on its way.
    pub(crate) async fn attach(
        &self,
        items: &mut [Item],
        clock: &SiteClock,
    ) -> Result<(), StoreError> {
        let ids: Vec<i64> = items.iter().filter_map(|i| i.id.parse().ok()).collect();
        let mut by_id: BTreeMap<i64, &mut Item> =
            items.iter_mut().filter_map(|i| Some((i.id.parse().ok()?, i))).collect();
        let mut conn = self.db.read().await?;
        for some in ids.chunks(TOGETHER) {
            let these = list_of(some.len(), 1);
            let sql = format!(
                "SELECT report, reason, detail, line, cleared_at FROM hold WHERE report IN ({these}) \
                 ORDER BY report, ix"
            );
            for row in of_these(&mut conn, sql, some).await? {
                let report: i64 = row.try_get("report").map_err(|e| self.wrong(&e))?;
                if let Some(item) = by_id.get_mut(&report) {
                    item.holds.push(hold_view(&row).map_err(|e| self.wrong(&e))?);
                }
            }
            let sql = format!(
                "SELECT n, report, receiver, state, kept_back, control_id, attempts, reason, detail, \
                 next_attempt_at, settled_at, amends, filler FROM message WHERE report IN ({these}) ORDER BY n"
            );
            for row in of_these(&mut conn, sql, some).await? {
                let report: i64 = row.try_get("report").map_err(|e| self.wrong(&e))?;
                if let Some(item) = by_id.get_mut(&report) {
                    counts(&mut item.deliveries, delivery(&row, clock)?);
                }
            }
        }
        self.db.give_back(conn).await;
        let refused = |i: &&mut Item| i.deliveries.iter().any(|d| d.state == State::Refused);
        for item in items.iter_mut().filter(refused) {
            let root = item.corrects.as_ref().unwrap_or(&item.id);
            if let Ok(root) = root.parse() {
                item.barred = self.barred(root).await?;
            }
        }
        for item in items {
            summarize(item);
        }
        Ok(())
    }
}

/// Rows of some reports.
pub(super) async fn of_these(
    conn: &mut AnyConnection,
    sql: String,
    ids: &[i64],
) -> Result<Vec<AnyRow>, StoreError> {
    let query = ids.iter().fold(sqlx::query(AssertSqlSafe(sql)), |query, id| query.bind(*id));
    query.fetch_all(conn).await.map_err(|e| StoreError::from_sql("the ledger", &e))
}

pub(crate) fn item(row: &AnyRow, clock: &SiteClock) -> Result<Item, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("the ledger", &e);
    let place = at("report", row.try_get::<i64, _>("n").map_err(wrong)?);
    let state: String = row.try_get("state").map_err(wrong)?;
    let state = place.word("state", &state, ReportState::of)?;
    let class: String = row.try_get("class").map_err(wrong)?;
    place.word("class", &class, class_of)?;
    undoubted(row, state, clock).map_err(wrong)
}

fn undoubted(row: &AnyRow, state: ReportState, clock: &SiteClock) -> Result<Item, sqlx::Error> {
    let repeat_of: Option<i64> = row.try_get("repeat_of")?;
    let corrects: Option<i64> = row.try_get("corrects")?;
    let class: String = row.try_get("class")?;
    Ok(Item {
        id: row.try_get::<i64, _>("n")?.to_string(),
        analyzer: row.try_get("analyzer")?,
        number: row.try_get("number")?,
        numbers: None,
        urgent: class == Class::Stat.code(),
        class,
        level: row.try_get("level")?,
        specimen: row.try_get("specimen")?,
        state: state.into(),
        reason: None,
        detail: row.try_get("note")?,
        taken_at: row.try_get("taken_at")?,
        heard_at: Some(clock.rfc3339(row.try_get("heard_at")?)),
        repeat_of: repeat_of.map(|n| n.to_string()),
        corrects: corrects.map(|n| n.to_string()),
        holds: Vec::new(),
        deliveries: Vec::new(),
        control_id: None,
        unsent: row.try_get::<i64, _>("unsent")? != 0,
        barred: None,
    })
}

fn hold_view(row: &AnyRow) -> Result<HoldView, sqlx::Error> {
    Ok(HoldView {
        reason: row.try_get("reason")?,
        detail: row.try_get("detail")?,
        line: row.try_get("line")?,
        cleared: row.try_get::<Option<i64>, _>("cleared_at")?.is_some(),
    })
}

fn delivery(row: &AnyRow, clock: &SiteClock) -> Result<Delivery, StoreError> {
    let state = message::state_in(row, "n", "state")?;
    sent(row, state, clock).map_err(|e| StoreError::from_sql("the ledger", &e))
}

fn sent(row: &AnyRow, state: State, clock: &SiteClock) -> Result<Delivery, sqlx::Error> {
    let settled: Option<i64> = row.try_get("settled_at")?;
    let next: Option<i64> = row.try_get("next_attempt_at")?;
    Ok(Delivery {
        receiver: row.try_get("receiver")?,
        message: Name::read(row)?.to_string(),
        on_hold: row.try_get::<i64, _>("kept_back")? != 0,
        control_id: row.try_get("control_id")?,
        attempts: row.try_get("attempts")?,
        reason: row.try_get("reason")?,
        detail: row.try_get("detail")?,
        amends: row.try_get("amends")?,
        retired: row.try_get("filler")?,
        next_attempt_at: next.filter(|_| state == State::Waiting).map(|t| clock.rfc3339(t)),
        accepted_at: settled.filter(|_| state == State::Accepted).map(|t| clock.rfc3339(t)),
        state,
    })
}

/// Of what went to a receiver under one OBR-3 the latest counts. Under one that is not the report's own
/// any more only its withdrawal does.
pub(super) fn counts(deliveries: &mut Vec<Delivery>, next: Delivery) {
    deliveries.retain(|d| d.receiver != next.receiver || d.retired != next.retired);
    if next.retired.is_none() || next.withdraws() {
        deliveries.push(next);
    }
}

/// What one word says of a report with its holds and deliveries: the least finished of them.
pub(super) fn summarize(item: &mut Item) {
    if let Some(open) = item.holds.iter().find(|h| !h.cleared).filter(|_| item.state == State::Held)
    {
        item.reason = Some(open.reason.clone());
        item.detail = Some(open.detail.clone());
    }
    let of = |state: State| item.deliveries.iter().find(|d| d.state == state);
    let undone = of(State::Refused).or_else(|| of(State::Waiting));
    let shown = match item.state {
        State::Waiting => undone.or_else(|| of(State::Accepted)).or_else(|| of(State::SetAside)),
        // Withdrawn, and not every receiver has taken that yet.
        State::SetAside if undone.is_some() => undone,
        _ => return,
    };
    match shown {
        None => {
            item.reason = Some("no-receiver".into());
            item.detail = Some("no receiver is configured to take this analyzer's results".into());
        }
        Some(delivery) => {
            item.reason.clone_from(&delivery.reason);
            item.detail.clone_from(&delivery.detail);
            item.state = delivery.state;
        }
    }
    let own: Vec<&Delivery> = item.deliveries.iter().filter(|d| d.retired.is_none()).collect();
    if let [only] = own[..] {
        item.control_id = Some(only.control_id.clone());
    }
}
