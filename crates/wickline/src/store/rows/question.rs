//! What a source was asked about specimens that nobody ordered, and what it said.

use std::collections::BTreeSet;

use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Executor, Row};
use wickline_normalize::{Private, Reason};

use super::firsts;
use crate::store::StoreError;
use crate::store::db::{Write, list_of};

/// What became of a question.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Said {
    /// It was understood: if there is work, it comes as an order.
    Heard,
    /// It was not.
    Refused,
    /// There is no work for that specimen.
    NoWork,
}

impl Said {
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Said::Heard => "heard",
            Said::Refused => "refused",
            Said::NoWork => "no-work",
        }
    }

    /// What a person is told of it.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Said::Heard => "it heard the question: what it has comes as an order",
            Said::Refused => "it refused the question",
            Said::NoWork => "it has no work for this specimen",
        }
    }

    fn of(code: &str) -> Option<Self> {
        [Said::Heard, Said::Refused, Said::NoWork].into_iter().find(|said| said.code() == code)
    }
}

/// Specimens that wait for their order and about which this source was not asked since their strip was heard, with
/// their analyzer and when that was.
pub async fn due(
    write: &mut Write,
    source: &str,
) -> Result<Vec<(String, Private, i64)>, StoreError> {
    let query = sqlx::query(
        "SELECT r.analyzer, r.specimen, r.heard_at FROM hold h JOIN report r ON r.n = h.report \
         WHERE h.cleared_at IS NULL AND h.reason = $1 AND r.state = 'held' AND r.specimen IS NOT NULL \
         AND NOT EXISTS (SELECT 1 FROM order_question q WHERE q.source = $2 AND q.specimen = r.specimen \
         AND q.asked >= r.heard_at) ORDER BY r.n",
    )
    .bind(Reason::SpecimenUnknown.code())
    .bind(source.to_owned());
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let read = |row: &AnyRow| -> Result<(String, Private, i64), sqlx::Error> {
        let specimen = Private::new(row.try_get::<String, _>("specimen")?);
        Ok((row.try_get("analyzer")?, specimen, row.try_get("heard_at")?))
    };
    rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| write.wrong(&e))
}

/// Notes what a source said about a specimen.
pub async fn note(
    write: &mut Write,
    (source, specimen): (&str, &Private),
    said: Said,
    now: i64,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO order_question (source, specimen, asked, said) VALUES ($1, $2, $3, $4) \
         ON CONFLICT (specimen, source) DO UPDATE SET asked = $3, said = $4",
    )
    .bind(source.to_owned())
    .bind(specimen.expose().to_owned())
    .bind(now)
    .bind(said.code());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Those of these specimens about which the source was asked.
pub async fn asked(
    write: &mut Write,
    source: &str,
    specimens: &BTreeSet<Private>,
) -> Result<BTreeSet<Private>, StoreError> {
    if specimens.is_empty() {
        return Ok(BTreeSet::new());
    }
    let these = list_of(specimens.len(), 2);
    let sql =
        format!("SELECT specimen FROM order_question WHERE source = $1 AND specimen IN ({these})");
    let mut query = sqlx::query(AssertSqlSafe(sql)).bind(source.to_owned());
    for specimen in specimens {
        query = query.bind(specimen.expose().to_owned());
    }
    let found: Vec<String> = firsts(write, query).await?;
    Ok(found.into_iter().map(Private::new).collect())
}

/// What was asked about a specimen: the source, when, and what it said.
pub async fn of_specimen(
    write: &mut Write,
    specimen: &str,
) -> Result<Vec<(String, i64, Said)>, StoreError> {
    let query = sqlx::query(
        "SELECT source, asked, said FROM order_question WHERE specimen = $1 ORDER BY source",
    )
    .bind(specimen.to_owned());
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let mut found = Vec::with_capacity(rows.len());
    for row in rows {
        let wrong = |e: sqlx::Error| StoreError::from_sql("a question to a source", &e);
        let (source, said): (String, String) =
            (row.try_get("source").map_err(wrong)?, row.try_get("said").map_err(wrong)?);
        let place = super::at("order_question", 0);
        let asked = row.try_get("asked").map_err(wrong)?;
        found.push((source, asked, place.word("said", &said, Said::of)?));
    }
    Ok(found)
}

/// Forgets what was asked before a moment.
pub async fn forget(write: &mut Write, before: i64) -> Result<(), StoreError> {
    let query = sqlx::query("DELETE FROM order_question WHERE asked < $1").bind(before);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}
