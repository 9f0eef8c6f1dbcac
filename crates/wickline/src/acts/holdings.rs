//! What each receiver holds now of a report: read from the kept messages, never recomputed.

use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};
use wickline_forward::hl7::Shown;
use wickline_normalize::ResultStatus;

use crate::acts::telling::History;
use crate::store::StoreError;
use crate::store::ledger::Ledger;

/// What one receiver holds under one OBR-3.
#[derive(Clone, Debug, serde::Serialize)]
pub struct Holding {
    pub receiver: String,
    pub obr3: String,
    pub specimen: Option<String>,
    pub holds: Holds,
    pub results: Vec<Held>,
    /// Why that is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
}

/// In one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Holds {
    /// It was told nothing, or refused all of it.
    Nothing,
    Results,
    /// Everything that it was told was taken back.
    Withdrawn,
    Unknown,
}

impl Holds {
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Holds::Nothing => "nothing",
            Holds::Results => "results",
            Holds::Withdrawn => "withdrawn",
            Holds::Unknown => "unknown",
        }
    }
}

/// One result as a receiver shows it.
#[derive(Clone, Debug, serde::Serialize)]
pub struct Line {
    pub name: String,
    pub value: String,
    pub unit: String,
    pub flag: String,
}

impl From<Shown> for Line {
    fn from(shown: Shown) -> Self {
        let Shown { name, value, unit, flag } = shown;
        Self { name, value, unit, flag }
    }
}

/// One result that a receiver was told.
#[derive(Clone, Debug, serde::Serialize)]
pub struct Held {
    #[serde(flatten)]
    pub line: Line,
    /// OBX-11.
    pub status: &'static str,
    /// It may have this or what it had before: its answer never came.
    pub doubtful: bool,
}

pub(crate) const PLACES: &str = "SELECT DISTINCT m.receiver, coalesce(m.filler, r.filler) AS filler, \
     coalesce(m.specimen, r.specimen) AS specimen, coalesce(r.corrects, r.n) AS root \
     FROM message m JOIN report r ON r.n = m.report \
     WHERE m.report IN (SELECT n FROM report WHERE n = $1 \
     UNION SELECT coalesce(corrects, n) FROM report WHERE n = $1 \
     UNION SELECT n FROM report WHERE corrects = $1) ORDER BY 1, 2";

impl Ledger {
    /// What each receiver holds of a report, under each OBR-3 that it was told of it.
    pub async fn holdings(&self, report: i64) -> Result<Vec<Holding>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(PLACES).bind(report).fetch_all(&mut conn).await;
        let mut found: Vec<Holding> = Vec::new();
        for row in rows.map_err(|e| self.wrong(&e))? {
            let next = holding(&mut conn, &row).await.map_err(|e| self.wrong(&e))?;
            let same = |h: &Holding| h.receiver == next.receiver && h.obr3 == next.obr3;
            if !found.iter().any(same) {
                found.push(next);
            }
        }
        self.db.give_back(conn).await;
        Ok(found)
    }
}

async fn holding(conn: &mut AnyConnection, row: &AnyRow) -> Result<Holding, sqlx::Error> {
    let (receiver, obr3): (String, String) = (row.try_get("receiver")?, row.try_get("filler")?);
    let history = History::look(conn, row.try_get("root")?, &obr3, &receiver).await?;
    let specimen = row.try_get("specimen")?;
    let known = match history.known() {
        Ok(known) => known,
        Err(error) => {
            let (holds, results) = (Holds::Unknown, Vec::new());
            let why = Some(error.to_string());
            return Ok(Holding { receiver, obr3, specimen, holds, results, why });
        }
    };
    let held = known.iter().map(|k| Held {
        line: k.entry.shown().into(),
        status: k.status.text(),
        doubtful: k.doubtful || !k.sure,
    });
    let results: Vec<Held> = held.collect();
    let withdrawn = |k: &wickline_normalize::correction::Known<_>| {
        k.status == ResultStatus::Withdrawn && k.sure && !k.doubtful
    };
    let holds = match known.len() {
        0 => Holds::Nothing,
        _ if known.iter().all(withdrawn) => Holds::Withdrawn,
        _ => Holds::Results,
    };
    Ok(Holding { receiver, obr3, specimen, holds, results, why: None })
}
