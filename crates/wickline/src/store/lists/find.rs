//! Finding reports by what people have in their hand: a specimen id, of now or of before, a number, a
//! control id, an OBR-3, a report's id. Every question goes along an index of its own.

use std::collections::{BTreeMap, BTreeSet};

use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};

use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::names::Name;
use crate::store::trail::Row as TrailRow;

/// Reports that one question finds at most, the latest of them.
pub const MOST: i64 = 1000;

/// What a text may be of a report, and the question for it.
pub(crate) const QUESTIONS: [(&str, &str); 7] = [
    (
        "specimen id",
        "SELECT n FROM report WHERE specimen = $1 AND specimen IS NOT NULL ORDER BY n DESC LIMIT 1000",
    ),
    (
        "specimen id, before",
        "SELECT report AS n FROM named WHERE specimen = $1 ORDER BY report DESC LIMIT 1000",
    ),
    (
        "specimen id, before",
        "SELECT report AS n FROM message WHERE specimen = $1 AND specimen IS NOT NULL \
         ORDER BY report DESC LIMIT 1000",
    ),
    ("number", OF_NUMBER),
    ("control id", "SELECT report AS n FROM message WHERE control_id = $1"),
    ("OBR-3", "SELECT n FROM report WHERE filler = $1 ORDER BY n DESC LIMIT 1000"),
    (
        "OBR-3, before",
        "SELECT report AS n FROM message WHERE filler = $1 AND filler IS NOT NULL \
         ORDER BY report DESC LIMIT 1000",
    ),
];

/// Analyzers one after the other, each by one step of the index, and the number at each of them.
const OF_NUMBER: &str = "WITH RECURSIVE known (analyzer) AS ( \
     SELECT (SELECT min(analyzer) FROM report) UNION ALL \
     SELECT (SELECT min(report.analyzer) FROM report WHERE report.analyzer > known.analyzer) \
     FROM known WHERE known.analyzer IS NOT NULL) \
     SELECT report.n FROM known JOIN report ON report.analyzer = known.analyzer \
     AND report.number = $1 ORDER BY report.n DESC LIMIT 1000";

pub(crate) const BEFORE: &str =
    "SELECT specimen, at, what FROM named WHERE report = $1 ORDER BY at";

/// Names that one statement asks for.
const AT_ONCE: usize = 100;

/// `$1, $2` and so on.
fn places(count: usize) -> String {
    (1..=count).map(|n| format!("${n}")).collect::<Vec<_>>().join(", ")
}

/// A specimen id that a report had until an act gave it another.
#[derive(Clone, Debug, serde::Serialize)]
pub struct Before {
    pub specimen: String,
    #[serde(skip)]
    pub at: i64,
    pub what: String,
}

impl Ledger {
    /// The reports that a text names, the latest first, each with what it was found by.
    pub async fn found(
        &self,
        texts: &[String],
    ) -> Result<BTreeMap<i64, Vec<&'static str>>, StoreError> {
        let mut found: BTreeMap<i64, Vec<&'static str>> = BTreeMap::new();
        let mut conn = self.db.read().await?;
        for text in texts {
            for (what, sql) in QUESTIONS {
                let rows = sqlx::query(sql).bind(text.clone()).fetch_all(&mut conn).await;
                for row in rows.map_err(|e| self.wrong(&e))? {
                    let by =
                        found.entry(row.try_get("n").map_err(|e| self.wrong(&e))?).or_default();
                    if !by.contains(&what) {
                        by.push(what);
                    }
                }
            }
            let id = text.parse::<i64>().ok().filter(|id| *id > 0);
            if let Some(id) = id {
                let query = sqlx::query("SELECT n FROM report WHERE n = $1").bind(id);
                let row = query.fetch_optional(&mut conn).await.map_err(|e| self.wrong(&e))?;
                if row.is_some() {
                    found.entry(id).or_default().push("report id");
                }
            }
        }
        self.db.give_back(conn).await;
        Ok(found)
    }

    /// The reports of the same analyzer that were heard just before and just after one.
    pub async fn beside(&self, n: i64, analyzer: &str) -> Result<[Option<i64>; 2], StoreError> {
        const BEFORE: &str =
            "SELECT n FROM report WHERE n < $1 AND analyzer = $2 ORDER BY n DESC LIMIT 1";
        const BEHIND: &str =
            "SELECT n FROM report WHERE n > $1 AND analyzer = $2 ORDER BY n LIMIT 1";
        let mut conn = self.db.read().await?;
        let mut found = [None, None];
        for (sql, place) in [BEFORE, BEHIND].into_iter().zip(&mut found) {
            let query = sqlx::query(sql).bind(n).bind(analyzer.to_owned());
            let row = query.fetch_optional(&mut conn).await.map_err(|e| self.wrong(&e))?;
            *place = row.map(|row| row.try_get("n")).transpose().map_err(|e| self.wrong(&e))?;
        }
        self.db.give_back(conn).await;
        Ok(found)
    }

    /// The reports whose OBR-3 or specimen id, of now or as a receiver was told it, is among these.
    pub async fn called(&self, names: &[String]) -> Result<BTreeSet<i64>, StoreError> {
        let sql = |these: &str| {
            format!(
                "SELECT n FROM report WHERE filler IN ({these}) \
                 UNION SELECT n FROM report WHERE specimen IN ({these}) AND specimen IS NOT NULL \
                 UNION SELECT report FROM message WHERE filler IN ({these}) AND filler IS NOT NULL \
                 UNION SELECT report FROM message WHERE specimen IN ({these}) AND specimen IS NOT NULL"
            )
        };
        let rows = self.asked(names, sql).await?;
        rows.iter().map(|row| row.try_get("n").map_err(|e| self.wrong(&e))).collect()
    }

    /// Those of these specimen ids that some report has.
    pub async fn specimens_among(&self, ids: &[String]) -> Result<BTreeSet<String>, StoreError> {
        let sql = |these: &str| {
            format!(
                "SELECT DISTINCT specimen FROM report WHERE specimen IN ({these}) AND specimen IS NOT NULL"
            )
        };
        let rows = self.asked(ids, sql).await?;
        rows.iter().map(|row| row.try_get("specimen").map_err(|e| self.wrong(&e))).collect()
    }

    /// What a statement finds for many names, asked for a hundred at once; it is written with their places.
    async fn asked(
        &self,
        names: &[String],
        sql: impl Fn(&str) -> String,
    ) -> Result<Vec<AnyRow>, StoreError> {
        let mut found = Vec::new();
        let mut conn = self.db.read().await?;
        for some in names.chunks(AT_ONCE) {
            let mut query = sqlx::query(AssertSqlSafe(sql(&places(some.len()))));
            for name in some {
                query = query.bind(name.clone());
            }
            found.extend(query.fetch_all(&mut conn).await.map_err(|e| self.wrong(&e))?);
        }
        self.db.give_back(conn).await;
        Ok(found)
    }

    /// The specimen ids that a report had before.
    pub async fn named_before(&self, report: i64) -> Result<Vec<Before>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(BEFORE).bind(report).fetch_all(&mut conn).await;
        let read = |row: &AnyRow| {
            let specimen = row.try_get("specimen")?;
            Ok(Before { specimen, at: row.try_get("at")?, what: row.try_get("what")? })
        };
        let rows = rows.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        rows.iter().map(read).collect::<Result<_, _>>().map_err(|e: sqlx::Error| self.wrong(&e))
    }

    /// Everything that was done to a report, and to its messages: the rows of the trail.
    pub async fn history(
        &self,
        report: i64,
        messages: &[(i64, Name)],
    ) -> Result<Vec<TrailRow>, StoreError> {
        let mut objects = vec![format!("report {report}")];
        for (n, name) in messages {
            // As rows have it from before messages were named by their reports.
            objects.extend([name.object(), format!("message {n}")]);
        }
        objects.sort();
        objects.dedup();
        self.trail_of(&objects).await
    }
}
