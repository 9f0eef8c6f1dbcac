//! Looking back: every patient's report of a strip lot, between a control run that passed and one that
//! failed, or sent under one configuration.

use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};
use wickline_normalize::Report;

use crate::store::StoreError;
use crate::store::ledger::Ledger;

/// Reports of one look back at most.
pub const MOST: usize = 100_000;

/// How much later than it was taken a report may be heard and still be found by its time: a memory that is
/// read out after a month.
const LATE_US: i64 = 31 * 86_400_000_000;
/// How far the analyzer's clock may be ahead of ours.
const AHEAD_US: i64 = 86_400_000_000;

/// One run of control material, as far as it bounds a look back.
#[derive(Clone, Debug)]
pub struct RunAt {
    pub report: i64,
    pub analyzer: String,
    pub level: Option<String>,
    pub strip: String,
    pub at: i64,
    pub verdict: String,
}

/// A patient's report with what it is judged by.
#[derive(Clone, Debug)]
pub struct Candidate {
    pub n: i64,
    pub heard_at: i64,
    /// As RFC 3339, where its clock was believed.
    pub taken_at: Option<String>,
    pub strip: String,
    /// As printed.
    pub lot: Option<String>,
}

/// A time in which a bench worked with one configuration.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InUse {
    /// The tape of the bench, by which its reports are known.
    pub tape: String,
    pub from: i64,
    pub to: i64,
}

pub(crate) const RUN: &str = "SELECT report, analyzer, level, strip, at, verdict FROM control_run \
     WHERE report = $1";
pub(crate) const LAST_PASS: &str = "SELECT report, analyzer, level, strip, at, verdict FROM control_run \
     WHERE analyzer = $1 AND level = $2 AND at <= $3 AND verdict = 'passed' AND strip = $4 \
     AND (SELECT o.instrument FROM report o WHERE o.n = control_run.report) = \
     (SELECT f.instrument FROM report f WHERE f.n = $5) \
     AND (at < $3 OR report < $5) ORDER BY at DESC, report DESC LIMIT 1";
/// Patients' reports of an analyzer heard from one time to another, some at a time.
pub(crate) const HEARD: &str = "SELECT n, heard_at, taken_at, clock, strip, print FROM report \
     WHERE analyzer = $1 AND heard_at >= $2 AND heard_at <= $3 AND class <> 'control' \
     AND control_sign = 0 AND state <> 'repeat' ORDER BY heard_at, n";
/// The same whose print names a lot.
pub(crate) const PRINTED: &str = "SELECT n, heard_at, taken_at, clock, strip, print FROM report \
     WHERE analyzer = $1 AND class <> 'control' AND control_sign = 0 AND state <> 'repeat' \
     AND print LIKE $2 ESCAPE '!' ORDER BY heard_at, n";
pub(crate) const ANALYZERS: &str = "WITH RECURSIVE known (analyzer) AS ( \
     SELECT (SELECT min(analyzer) FROM report) UNION ALL \
     SELECT (SELECT min(report.analyzer) FROM report WHERE report.analyzer > known.analyzer) \
     FROM known WHERE known.analyzer IS NOT NULL) \
     SELECT analyzer FROM known WHERE analyzer IS NOT NULL";
pub(crate) const CONFIGURED: &str = "SELECT at, object, became FROM trail \
     WHERE verb IN ('configuration', 'in-use') AND reason IS NULL ORDER BY n";
pub(crate) const FROM_N: &str = "SELECT n, made_at FROM message WHERE n >= $1 ORDER BY n LIMIT 1";
pub(crate) const SENT: &str = "SELECT DISTINCT r.n FROM message m JOIN report r ON r.n = m.report \
     WHERE m.n >= $1 AND m.n <= $2 AND m.made_at >= $3 AND m.made_at < $4 AND r.tape = $5 \
     AND r.class <> 'control' AND r.control_sign = 0 ORDER BY r.n";

impl Ledger {
    /// A run of control material by its report.
    pub async fn run_at(&self, report: i64) -> Result<Option<RunAt>, StoreError> {
        let mut conn = self.db.read().await?;
        let row = sqlx::query(RUN).bind(report).fetch_optional(&mut conn).await;
        let run = row.and_then(|row| row.as_ref().map(run_at).transpose());
        let run = run.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(run)
    }

    /// The last run of the same level and strip type before this one that passed.
    pub async fn last_pass(&self, run: &RunAt) -> Result<Option<RunAt>, StoreError> {
        let mut conn = self.db.read().await?;
        let query = sqlx::query(LAST_PASS)
            .bind(run.analyzer.clone())
            .bind(run.level.clone())
            .bind(run.at)
            .bind(run.strip.clone())
            .bind(run.report);
        let row = query.fetch_optional(&mut conn).await;
        let pass = row.and_then(|row| row.as_ref().map(run_at).transpose());
        let pass = pass.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(pass)
    }

    /// Patients' reports of an analyzer that may have been taken in this time.
    pub async fn taken_between(
        &self,
        analyzer: &str,
        from: i64,
        to: i64,
    ) -> Result<Vec<Candidate>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(HEARD)
            .bind(analyzer.to_owned())
            .bind(from.saturating_sub(AHEAD_US))
            .bind(to.saturating_add(LATE_US))
            .fetch_all(&mut conn)
            .await;
        let rows = rows.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        rows.iter().map(|row| self.candidate(row)).collect()
    }

    /// Patients' reports whose print names this strip lot, of every analyzer that was ever heard.
    pub async fn printed_lot(&self, lot: &str) -> Result<Vec<i64>, StoreError> {
        let json = serde_json::to_string(lot).unwrap_or_default();
        let wild: String = json.chars().flat_map(|c| wild(c).into_iter().flatten()).collect();
        let mut found = Vec::new();
        for analyzer in self.analyzers_ever().await? {
            let mut conn = self.db.read().await?;
            let query = sqlx::query(PRINTED).bind(analyzer);
            let rows = query.bind(format!("%\"strip!_lot\":{wild}%")).fetch_all(&mut conn).await;
            let rows = rows.map_err(|e| self.wrong(&e))?;
            self.db.give_back(conn).await;
            for row in &rows {
                let candidate = self.candidate(row)?;
                if candidate.lot.as_deref() == Some(lot) {
                    found.push(candidate.n);
                }
            }
        }
        Ok(found)
    }

    /// Every analyzer that a report came from.
    pub async fn analyzers_ever(&self) -> Result<Vec<String>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(ANALYZERS).fetch_all(&mut conn).await;
        let rows = rows.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = |row: &AnyRow| row.try_get(0);
        rows.iter().map(read).collect::<Result<_, _>>().map_err(|e: sqlx::Error| self.wrong(&e))
    }

    fn candidate(&self, row: &AnyRow) -> Result<Candidate, StoreError> {
        let read = || -> Result<(Candidate, String), sqlx::Error> {
            let doubted: Option<String> = row.try_get("clock")?;
            let taken: Option<String> = row.try_get("taken_at")?;
            let candidate = Candidate {
                n: row.try_get("n")?,
                heard_at: row.try_get("heard_at")?,
                taken_at: taken.filter(|_| doubted.is_none()),
                strip: row.try_get("strip")?,
                lot: None,
            };
            Ok((candidate, row.try_get("print")?))
        };
        let (mut candidate, print) = read().map_err(|e| self.wrong(&e))?;
        let print: Report = serde_json::from_str(&print).map_err(|e| StoreError::Wrong {
            what: format!("the print of report {}", candidate.n),
            why: e.to_string(),
        })?;
        candidate.lot = print.strip_lot.map(|l| l.trim().to_owned()).filter(|l| !l.is_empty());
        Ok(candidate)
    }

    /// When benches worked with a configuration, by the trail.
    pub async fn in_use(&self, fingerprint: &str) -> Result<Vec<InUse>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(CONFIGURED).fetch_all(&mut conn).await;
        let rows = rows.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let mut spans: Vec<InUse> = Vec::new();
        for row in &rows {
            let read = || -> Result<(i64, String, Option<String>), sqlx::Error> {
                Ok((row.try_get("at")?, row.try_get("object")?, row.try_get("became")?))
            };
            let (at, object, became) = read().map_err(|e| self.wrong(&e))?;
            let tape = object.rsplit('/').next().unwrap_or(&object).to_owned();
            if let Some(open) = spans.iter_mut().rev().find(|s| s.tape == tape && s.to == i64::MAX)
            {
                open.to = at;
            }
            if became.is_some_and(|b| b.starts_with(fingerprint)) {
                spans.push(InUse { tape, from: at, to: i64::MAX });
            }
        }
        Ok(spans)
    }

    /// Patients' reports of which a message was made in this time at a bench.
    pub async fn sent_in(&self, span: &InUse) -> Result<Vec<i64>, StoreError> {
        let mut conn = self.db.read().await?;
        let sent = sent_in(&mut conn, span).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(sent)
    }
}

/// A character of a LIKE pattern that stands for itself.
fn wild(c: char) -> [Option<char>; 2] {
    if matches!(c, '%' | '_' | '!') { [Some('!'), Some(c)] } else { [Some(c), None] }
}

fn run_at(row: &AnyRow) -> Result<RunAt, sqlx::Error> {
    Ok(RunAt {
        report: row.try_get("report")?,
        analyzer: row.try_get("analyzer")?,
        level: row.try_get("level")?,
        strip: row.try_get("strip")?,
        at: row.try_get("at")?,
        verdict: row.try_get("verdict")?,
    })
}

/// Messages are numbered as they are made, so that a time is found among them by halving. Daemons on
/// several machines may differ by seconds: so many messages beside are looked at as well.
async fn sent_in(conn: &mut AnyConnection, span: &InUse) -> Result<Vec<i64>, sqlx::Error> {
    const BESIDE: i64 = 10_000;
    let first = first_from(conn, span.from).await?.saturating_sub(BESIDE);
    let last = first_from(conn, span.to).await?.saturating_add(BESIDE);
    let query = sqlx::query(SENT)
        .bind(first)
        .bind(last)
        .bind(span.from)
        .bind(span.to)
        .bind(span.tape.clone());
    let rows = query.fetch_all(conn).await?;
    rows.iter().map(|row| row.try_get("n")).collect()
}

/// About where the messages made from this time on begin.
async fn first_from(conn: &mut AnyConnection, at: i64) -> Result<i64, sqlx::Error> {
    let (mut low, mut high) = (0_i64, 1_i64 << 40);
    while low < high {
        let middle = low + (high - low) / 2;
        let row = sqlx::query(FROM_N).bind(middle).fetch_optional(&mut *conn).await?;
        let made: Option<(i64, i64)> = row
            .map(|r| Ok::<_, sqlx::Error>((r.try_get("n")?, r.try_get("made_at")?)))
            .transpose()?;
        match made {
            Some((n, made_at)) if made_at < at => low = n + 1,
            _ => high = middle,
        }
    }
    Ok(low)
}
