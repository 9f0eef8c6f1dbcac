//! Where a report was told: each receiver and OBR-3 with every message that was made for it.

use sqlx::Row;
use sqlx::any::AnyRow;

use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::message::{Past, looked_up};

/// One receiver under one OBR-3.
#[derive(Clone, Debug)]
pub struct ToldAt {
    pub receiver: String,
    pub obr3: String,
    /// The specimen id that it was told under.
    pub specimen: Option<String>,
    pub past: Vec<Past>,
}

pub(crate) const PLACES: &str = "SELECT DISTINCT m.receiver, coalesce(m.filler, r.filler) AS filler, \
     coalesce(m.specimen, r.specimen) AS specimen, coalesce(r.corrects, r.n) AS root \
     FROM message m JOIN report r ON r.n = m.report \
     WHERE m.report IN (SELECT n FROM report WHERE n = $1 \
     UNION SELECT coalesce(corrects, n) FROM report WHERE n = $1 \
     UNION SELECT n FROM report WHERE corrects = $1) ORDER BY 1, 2";

impl Ledger {
    /// Every place where a report, or one that it corrects or that corrects it, was told.
    pub async fn told_at(&self, report: i64) -> Result<Vec<ToldAt>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(PLACES).bind(report).fetch_all(&mut conn).await;
        let mut places: Vec<ToldAt> = Vec::new();
        for row in rows.map_err(|e| self.wrong(&e))? {
            let (mut place, root) = read(&row).map_err(|e| self.wrong(&e))?;
            if places.iter().any(|p| p.receiver == place.receiver && p.obr3 == place.obr3) {
                continue;
            }
            place.past = looked_up(&mut conn, root, &place.obr3, &place.receiver).await?;
            places.push(place);
        }
        self.db.give_back(conn).await;
        Ok(places)
    }
}

fn read(row: &AnyRow) -> Result<(ToldAt, i64), sqlx::Error> {
    let place = ToldAt {
        receiver: row.try_get("receiver")?,
        obr3: row.try_get("filler")?,
        specimen: row.try_get("specimen")?,
        past: Vec::new(),
    };
    Ok((place, row.try_get("root")?))
}
