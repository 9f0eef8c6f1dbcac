//! The reports of a stretch of tape, as they were read.

use sqlx::Row;
use sqlx::any::AnyRow;
use wickline_normalize::Class;
use wickline_normalize::readings::Reading;

use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::at;
use crate::store::rows::report::class_of;
use crate::store::state::ReportState;

/// A report's place on its tape: offset of the first byte, and which of the reports there.
pub type Key = (i64, i64);

/// One report of a stretch.
pub struct OfStretch {
    pub key: Key,
    n: i64,
    pub state: ReportState,
    pub class: Class,
    pub number: Option<String>,
    pub specimen: Option<String>,
    pub readings: Vec<Reading>,
    /// Why it was held, cleared or not.
    pub reasons: Vec<String>,
}

impl Ledger {
    /// The reports that begin between two offsets of a line's tape, in order.
    pub async fn between(
        &self,
        tape: &str,
        analyzer: &str,
        from: i64,
        to: i64,
    ) -> Result<Vec<OfStretch>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(
            "SELECT n, place_from, part, state, class, number, specimen, readings FROM report \
             WHERE tape = $1 AND analyzer = $2 AND place_from >= $3 AND place_from < $4 \
             ORDER BY place_from, part",
        )
        .bind(tape)
        .bind(analyzer)
        .bind(from)
        .bind(to)
        .fetch_all(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        let mut found =
            rows.iter().map(|row| self.of_stretch(row)).collect::<Result<Vec<_>, _>>()?;
        for one in &mut found {
            let holds = sqlx::query("SELECT reason FROM hold WHERE report = $1 ORDER BY ix")
                .bind(one.n)
                .fetch_all(&mut conn)
                .await
                .map_err(|e| self.wrong(&e))?;
            let reasons = holds.iter().map(|hold| hold.try_get("reason"));
            one.reasons = reasons.collect::<Result<_, _>>().map_err(|e| self.wrong(&e))?;
        }
        self.db.give_back(conn).await;
        Ok(found)
    }

    fn of_stretch(&self, row: &AnyRow) -> Result<OfStretch, StoreError> {
        let text = |column| row.try_get::<String, _>(column).map_err(|e| self.wrong(&e));
        let maybe = |column| row.try_get::<Option<String>, _>(column).map_err(|e| self.wrong(&e));
        let whole = |column| row.try_get::<i64, _>(column).map_err(|e| self.wrong(&e));
        let n = whole("n")?;
        let place = at("report", n);
        Ok(OfStretch {
            key: (whole("place_from")?, whole("part")?),
            n,
            state: place.word("state", &text("state")?, ReportState::of)?,
            class: place.word("class", &text("class")?, class_of)?,
            number: maybe("number")?,
            specimen: maybe("specimen")?,
            readings: place.json("readings", &text("readings")?)?,
            reasons: Vec::new(),
        })
    }

    /// Where the last report of a line's tape begins. None: there is none.
    pub async fn last_place(&self, tape: &str, analyzer: &str) -> Result<Option<i64>, StoreError> {
        let mut conn = self.db.read().await?;
        let row =
            sqlx::query("SELECT max(place_from) FROM report WHERE tape = $1 AND analyzer = $2")
                .bind(tape)
                .bind(analyzer)
                .fetch_one(&mut conn)
                .await
                .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        row.try_get(0).map_err(|e| self.wrong(&e))
    }
}
