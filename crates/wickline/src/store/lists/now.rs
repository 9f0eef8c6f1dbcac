//! What is wrong now, over all days: counts and ages along the indexes of what is open, never a look at
//! what is settled.

use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};

use crate::clock;
use crate::store::StoreError;
use crate::store::copying::{FAILED, MADE, MADE_AT, STORES};
use crate::store::ledger::Ledger;
use crate::store::lists::URGENT;
use crate::store::lists::names::Name;

/// Of anything at most so many are counted: more is more than enough.
pub const MOST: i64 = 10_000;

/// Days looked back for what was not closed.
const DAYS: i64 = 92;

/// A midnight ago, and a week ago: what age is told by.
#[derive(Clone, Copy, Debug)]
pub struct Ages {
    pub today: i64,
    pub week: i64,
}

/// So many of something open, by age.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Aged {
    pub count: i64,
    pub urgent: i64,
    pub of_today: i64,
    pub of_last_week: i64,
    pub older: i64,
    /// What people call the oldest.
    pub oldest: Option<String>,
    #[serde(skip)]
    pub oldest_at: Option<i64>,
}

/// What is not accepted at one receiver.
#[derive(Clone, Debug, Default)]
pub struct Open {
    /// In the queue, kept back, refused.
    pub waiting: i64,
    pub kept_back: i64,
    pub refused: Aged,
    /// Of those refused or kept back, what takes a result back: its receiver still has that.
    pub untold: i64,
    /// When the oldest that waits became ready.
    pub oldest_at: Option<i64>,
    /// A message that waits, for each of them.
    pub kept: Option<String>,
}

/// Who stopped a receiver's queue, and when.
#[derive(Clone, Debug)]
pub struct Act {
    /// Its row in the trail: clocks step, rows do not.
    pub n: i64,
    pub who: String,
    pub at: i64,
    pub reason: Option<String>,
    pub became: Option<String>,
}

pub(crate) const OLDEST_HELD: &str =
    "SELECT n, heard_at FROM report WHERE state = 'held' ORDER BY n LIMIT 1";
pub(crate) const UNSENT: &str =
    "SELECT count(*) AS many FROM (SELECT n FROM report WHERE unsent = 1 LIMIT 10001) u";
pub(crate) const OPEN: &str = "SELECT count(*) AS many FROM (SELECT n FROM message WHERE receiver = $1 \
     AND state = $2 AND state <> 'accepted' AND kept_back = $3 LIMIT 10001) few";
pub(crate) const UNTOLD: &str = "SELECT count(*) AS many FROM (SELECT n FROM message WHERE receiver = $1 \
     AND state IN ('waiting', 'refused') AND state <> 'accepted' AND (state = 'refused' OR kept_back <> 0) \
     AND amends = 'withdraws' LIMIT 10001) few";
pub(crate) const REFUSED: &str = "SELECT count(*) AS many, \
     CAST(coalesce(sum(CASE WHEN h.class = 'stat' THEN 1 ELSE 0 END), 0) AS BIGINT) AS urgent, \
     CAST(coalesce(sum(CASE WHEN h.made_at >= $2 THEN 1 ELSE 0 END), 0) AS BIGINT) AS today, \
     CAST(coalesce(sum(CASE WHEN h.made_at >= $3 THEN 1 ELSE 0 END), 0) AS BIGINT) AS week \
     FROM (SELECT r.class, m.made_at FROM message m JOIN report r ON r.n = m.report \
     WHERE m.receiver = $1 AND m.state = 'refused' AND m.state <> 'accepted' LIMIT 10001) h";
pub(crate) const OLDEST_OPEN: &str = "SELECT report, receiver, amends, made_at FROM message \
     WHERE receiver = $1 AND state = $2 AND state <> 'accepted' AND kept_back = $3 ORDER BY n LIMIT 1";
pub(crate) const MISSING: &str = "SELECT CAST(coalesce(sum(a.many), 0) AS BIGINT) AS many, \
     CAST(0 AS BIGINT) AS urgent, \
     CAST(coalesce(sum(CASE WHEN a.noticed_at >= $1 THEN a.many ELSE 0 END), 0) AS BIGINT) AS today, \
     CAST(coalesce(sum(CASE WHEN a.noticed_at >= $2 THEN a.many ELSE 0 END), 0) AS BIGINT) AS week \
     FROM (SELECT noticed_at, up_to - value + 1 AS many FROM absent WHERE state = 'missing' \
     LIMIT 10001) a";
pub(crate) const OLDEST_MISSING: &str =
    "SELECT day, noticed_at FROM absent WHERE state = 'missing' ORDER BY day, analyzer LIMIT 1";
/// The days before `$1` on which something was heard, the latest first, each by one step of the index.
pub(crate) const OPEN_DAYS: &str = "WITH RECURSIVE of_day (day) AS ( \
     SELECT (SELECT max(day) FROM report WHERE day < $1) UNION ALL \
     SELECT (SELECT max(report.day) FROM report WHERE report.day < of_day.day) FROM of_day \
     WHERE of_day.day >= $2) \
     SELECT of_day.day FROM of_day WHERE of_day.day >= $2 \
     AND NOT EXISTS (SELECT 1 FROM closing WHERE closing.day = of_day.day) ORDER BY of_day.day";
pub(crate) const AFTER_CLOSING: &str = "SELECT c.day FROM closing c WHERE c.day >= $1 AND EXISTS \
     (SELECT 1 FROM report r WHERE r.day = c.day AND r.n > c.reports) ORDER BY c.day";
pub(crate) const LAST_REPORT: &str = "SELECT n, heard_at FROM report WHERE analyzer = $1 \
     ORDER BY heard_at DESC, n DESC LIMIT 1";
pub(crate) const WAS_HEARD: &str = "SELECT count(*) AS many FROM (SELECT n FROM report \
     WHERE analyzer = $1 AND heard_at > $2 AND heard_at <= $3 LIMIT 1) few";
pub(crate) const LAST_ACT: &str = "SELECT n, who, at, reason, became FROM trail WHERE object = $1 AND verb = $2 \
     ORDER BY n DESC LIMIT 1";

impl Ledger {
    /// Reports that need a person.
    pub async fn held_now(&self, ages: Ages) -> Result<Aged, StoreError> {
        let mut conn = self.db.read().await?;
        let held = async {
            let sql = format!(
                "SELECT count(*) AS many, CAST(coalesce(sum(h.urgent), 0) AS BIGINT) AS urgent, \
                 CAST(coalesce(sum(CASE WHEN h.heard_at >= $1 THEN 1 ELSE 0 END), 0) AS BIGINT) AS today, \
                 CAST(coalesce(sum(CASE WHEN h.heard_at >= $2 THEN 1 ELSE 0 END), 0) AS BIGINT) AS week \
                 FROM (SELECT CASE WHEN {URGENT} THEN 1 ELSE 0 END AS urgent, heard_at FROM report \
                 WHERE state = 'held' ORDER BY n LIMIT 10001) h"
            );
            let query = sqlx::query(AssertSqlSafe(sql)).bind(ages.today).bind(ages.week);
            let row = query.fetch_one(&mut conn).await?;
            let mut held = aged(&row)?;
            if let Some(row) = sqlx::query(OLDEST_HELD).fetch_optional(&mut conn).await? {
                held.oldest = Some(row.try_get::<i64, _>("n")?.to_string());
                held.oldest_at = Some(row.try_get("heard_at")?);
            }
            Ok(held)
        };
        let held = held.await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(held)
    }

    /// Reports that no receiver took when they were ready.
    pub async fn unsent_now(&self) -> Result<i64, StoreError> {
        let mut conn = self.db.read().await?;
        let row = sqlx::query(UNSENT).fetch_one(&mut conn).await;
        let many = row.and_then(|row| row.try_get("many")).map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(many)
    }

    /// What is not accepted at one receiver.
    pub async fn open_at(&self, receiver: &str, ages: Ages) -> Result<Open, StoreError> {
        let mut conn = self.db.read().await?;
        let open = open_at(&mut conn, receiver, ages).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(open)
    }

    /// Numbers that did not come; the oldest is named by its day.
    pub async fn missing_now(&self, ages: Ages) -> Result<Aged, StoreError> {
        let mut conn = self.db.read().await?;
        let missing = async {
            let query = sqlx::query(MISSING).bind(ages.today).bind(ages.week);
            let mut missing = aged(&query.fetch_one(&mut conn).await?)?;
            if let Some(row) = sqlx::query(OLDEST_MISSING).fetch_optional(&mut conn).await? {
                missing.oldest = Some(row.try_get("day")?);
                missing.oldest_at = Some(row.try_get("noticed_at")?);
            }
            Ok(missing)
        };
        let missing = missing.await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(missing)
    }

    /// Days before `today` that were not closed, and closed ones on which something came later.
    pub async fn days_open(
        &self,
        today: &str,
        since: &str,
    ) -> Result<(Vec<String>, Vec<String>), StoreError> {
        let mut conn = self.db.read().await?;
        let days = async {
            let query = sqlx::query(OPEN_DAYS).bind(today.to_owned()).bind(since.to_owned());
            let open = query.fetch_all(&mut conn).await?;
            let query = sqlx::query(AFTER_CLOSING).bind(since.to_owned());
            let after = query.fetch_all(&mut conn).await?;
            Ok((days_of(&open)?, days_of(&after)?))
        };
        let days: Result<_, sqlx::Error> = days.await;
        let days = days.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(days)
    }

    /// Whether a day was ever closed here.
    pub async fn closes_days(&self) -> Result<bool, StoreError> {
        let mut conn = self.db.read().await?;
        let row = sqlx::query("SELECT day FROM closing LIMIT 1").fetch_optional(&mut conn).await;
        let found = row.map_err(|e| self.wrong(&e))?.is_some();
        self.db.give_back(conn).await;
        Ok(found)
    }

    /// The last report of an analyzer and when it was heard.
    pub async fn last_report(&self, analyzer: &str) -> Result<Option<(i64, i64)>, StoreError> {
        let mut conn = self.db.read().await?;
        let row =
            sqlx::query(LAST_REPORT).bind(analyzer.to_owned()).fetch_optional(&mut conn).await;
        let read = |row: AnyRow| Ok((row.try_get("n")?, row.try_get("heard_at")?));
        let last = row.and_then(|row| row.map(read).transpose()).map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(last)
    }

    /// In how many of these spans an analyzer said anything.
    pub async fn spans_heard(
        &self,
        analyzer: &str,
        spans: &[(i64, i64)],
    ) -> Result<usize, StoreError> {
        let mut conn = self.db.read().await?;
        let mut heard = 0;
        for (after, until) in spans {
            let query = sqlx::query(WAS_HEARD).bind(analyzer.to_owned()).bind(*after).bind(*until);
            let row = query.fetch_one(&mut conn).await;
            let many: i64 = row.and_then(|row| row.try_get("many")).map_err(|e| self.wrong(&e))?;
            heard += usize::from(many > 0);
        }
        self.db.give_back(conn).await;
        Ok(heard)
    }

    /// The last time that something was done to something.
    pub async fn last_act(&self, object: &str, verb: &str) -> Result<Option<Act>, StoreError> {
        let mut conn = self.db.read().await?;
        let query = sqlx::query(LAST_ACT).bind(object.to_owned()).bind(verb.to_owned());
        let row = query.fetch_optional(&mut conn).await;
        let read = |row: AnyRow| {
            let (n, who, at) = (row.try_get("n")?, row.try_get("who")?, row.try_get("at")?);
            let (reason, became) = (row.try_get("reason")?, row.try_get("became")?);
            Ok(Act { n, who, at, reason, became })
        };
        let act = row.and_then(|row| row.map(read).transpose()).map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(act)
    }

    /// When the last backup was made that this ledger knows of: it does not know the one that it was put back from but
    /// by the act.
    pub async fn last_backup(&self) -> Result<Option<i64>, StoreError> {
        let made = self.last_act(STORES, MADE).await?.map(|act| act.at);
        let back = self.put_back_from().await?;
        Ok(made.max(back.iter().map(|from| from.at).max()))
    }

    /// The latest backups that were put back here.
    async fn put_back_from(&self) -> Result<Vec<PutBackFrom>, StoreError> {
        let mut all = Vec::new();
        for what in ["ledger", "tape", STORES] {
            let became = self.last_act(what, "restore").await?.and_then(|act| act.became);
            all.extend(became.as_deref().and_then(|text| self.backup_of(text)));
        }
        Ok(all)
    }

    /// What the trail says of one: `EPOCH ROW:SEAL; from ..., made at TIME`.
    fn backup_of(&self, became: &str) -> Option<PutBackFrom> {
        let (_, behind) = became.rsplit_once(MADE_AT)?;
        let at = clock::stamped(behind.split(';').next()?)?;
        let head =
            became.strip_prefix(self.epoch.as_str()).and_then(|rest| rest.trim().split_once(':'));
        Some(PutBackFrom { at, row: head.and_then(|(row, _)| row.parse().ok()) })
    }

    /// The last backup that failed, where no good one came after it. Which came after which the rows of the trail say,
    /// where they are of this ledger: a time is of a clock, and a backup's is of a whole second.
    pub async fn backup_failed(&self) -> Result<Option<Act>, StoreError> {
        let Some(failed) = self.last_act(STORES, FAILED).await? else { return Ok(None) };
        let made = self.last_act(STORES, MADE).await?.is_some_and(|made| made.n > failed.n);
        let later =
            |from: &PutBackFrom| from.row.map_or(from.at >= failed.at, |row| row >= failed.n);
        let back = self.put_back_from().await?.iter().any(later);
        Ok((!made && !back).then_some(failed))
    }

    /// How far an analyzer's clock was ahead of ours in its last few reports: time and seconds.
    pub async fn clock_samples(&self, analyzer: &str) -> Result<Vec<(i64, i64)>, StoreError> {
        let mut conn = self.db.read().await?;
        let query = sqlx::query("SELECT samples FROM analyzer_clock WHERE analyzer = $1");
        let row = query.bind(analyzer.to_owned()).fetch_optional(&mut conn).await;
        let text: Option<String> = row
            .and_then(|row| row.map(|r| r.try_get(0)).transpose())
            .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let Some(text) = text else { return Ok(Vec::new()) };
        serde_json::from_str(&text).map_err(|e| StoreError::Wrong {
            what: format!("the clock of analyzer {analyzer}"),
            why: e.to_string(),
        })
    }
}

/// A backup that was put back: when it was made, and the last row of the trail in it, where that is this ledger's.
struct PutBackFrom {
    at: i64,
    row: Option<i64>,
}

/// The first day that is looked at, where `today` is the number of microseconds of now.
#[must_use]
pub fn looked_back(now: i64) -> i64 {
    now - DAYS * 86_400_000_000
}

async fn open_at(
    conn: &mut AnyConnection,
    receiver: &str,
    ages: Ages,
) -> Result<Open, sqlx::Error> {
    let mut counts = [0_i64; 2];
    for (kept_back, count) in (0_i64..).zip(&mut counts) {
        let query = sqlx::query(OPEN).bind(receiver.to_owned()).bind("waiting").bind(kept_back);
        *count = query.fetch_one(&mut *conn).await?.try_get("many")?;
    }
    let query = sqlx::query(REFUSED).bind(receiver.to_owned()).bind(ages.today).bind(ages.week);
    let untold = sqlx::query(UNTOLD).bind(receiver.to_owned()).fetch_one(&mut *conn).await?;
    let untold = untold.try_get("many")?;
    let mut refused = aged(&query.fetch_one(&mut *conn).await?)?;
    let mut oldest = Vec::new();
    for (state, kept_back) in [("waiting", 0_i64), ("waiting", 1), ("refused", 0)] {
        let query = sqlx::query(OLDEST_OPEN).bind(receiver.to_owned()).bind(state).bind(kept_back);
        let row = query.fetch_optional(&mut *conn).await?;
        let read = |row: AnyRow| -> Result<(Name, i64), sqlx::Error> {
            Ok((Name::read(&row)?, row.try_get("made_at")?))
        };
        oldest.push(row.map(read).transpose()?);
    }
    if let Some((name, at)) = oldest.pop().flatten() {
        (refused.oldest, refused.oldest_at) = (Some(name.to_string()), Some(at));
    }
    let kept = oldest.pop().flatten().map(|(name, _)| name.to_string());
    let oldest_at = oldest.pop().flatten().map(|(_, at)| at);
    Ok(Open { waiting: counts[0], kept_back: counts[1], refused, untold, oldest_at, kept })
}

fn days_of(rows: &[AnyRow]) -> Result<Vec<String>, sqlx::Error> {
    rows.iter().map(|row| row.try_get("day")).collect()
}

fn aged(row: &AnyRow) -> Result<Aged, sqlx::Error> {
    let (count, today): (i64, i64) = (row.try_get("many")?, row.try_get("today")?);
    let week: i64 = row.try_get("week")?;
    Ok(Aged {
        count,
        urgent: row.try_get("urgent")?,
        of_today: today,
        of_last_week: week - today,
        older: count - week,
        ..Aged::default()
    })
}
