//! The strip lots in use, as people enter them: one after the other for each strip type of an analyzer.

use sqlx::{AnyConnection, Executor, Row};
use wickline_normalize::judge::StripLot;

use crate::acts::held::no;
use crate::acts::intake::storable;
use crate::clock;
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::trail::Act;
use crate::store::trail::Actor;
use crate::store::trail::record;

/// Characters of a lot at most.
const LONGEST: usize = 40;

/// Every lot of one analyzer, in the order in which they were entered.
#[derive(Clone, Debug, Default)]
pub struct Lots(Vec<Entered>);

/// One lot: for which strip type, and since when.
#[derive(Clone, Debug)]
pub struct Entered {
    pub strip: String,
    pub since: i64,
    pub lot: StripLot,
}

impl Lots {
    /// The lot of a strip type that was in use at a time.
    #[must_use]
    pub fn at(&self, strip: &str, at: i64) -> Option<&StripLot> {
        let of = |e: &&Entered| e.strip == strip && e.since <= at;
        self.0.iter().rev().find(of).map(|e| &e.lot)
    }

    pub fn iter(&self) -> impl Iterator<Item = &Entered> {
        self.0.iter()
    }
}

/// The lots of one analyzer.
pub(crate) async fn lots(conn: &mut AnyConnection, analyzer: &str) -> Result<Lots, sqlx::Error> {
    let query = sqlx::query(
        "SELECT strip, since, lot, last_day FROM strip_lot WHERE analyzer = $1 ORDER BY since, strip",
    )
    .bind(analyzer.to_owned());
    let rows = conn.fetch_all(query).await?;
    let read = |row: &sqlx::any::AnyRow| -> Result<Entered, sqlx::Error> {
        let lot = StripLot { lot: row.try_get("lot")?, last_day: row.try_get("last_day")? };
        Ok(Entered { strip: row.try_get("strip")?, since: row.try_get("since")?, lot })
    };
    rows.iter().map(read).collect::<Result<_, _>>().map(Lots)
}

/// A lot as it stands in the trail.
fn told(lot: &StripLot) -> String {
    match &lot.last_day {
        Some(day) => format!("{}, last day {day}", lot.lot),
        None => format!("{}, no last day", lot.lot),
    }
}

impl Ledger {
    /// Every lot that was entered for an analyzer.
    pub async fn strip_lots(&self, analyzer: &str) -> Result<Lots, StoreError> {
        let mut conn = self.db.read().await?;
        let lots = lots(&mut conn, analyzer).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(lots)
    }

    /// Says which lot of a strip type is in use from now on. The strip type may be left out where there
    /// is only one. Returns its id.
    pub async fn strip_lot_enter(
        &self,
        bench: &Bench,
        actor: &Actor,
        analyzer: &Analyzer,
        strip: Option<&str>,
        lot: &StripLot,
        reason: Option<&str>,
    ) -> Result<String, StoreError> {
        let (strip, now) = (strip_named(analyzer, strip)?, clock::now_us());
        let fits = (1..=LONGEST).contains(&lot.lot.chars().count());
        if !fits || lot.lot.trim() != lot.lot || lot.lot.chars().any(char::is_control) {
            let why = format!("a strip lot is written as on its box, 1 to {LONGEST} characters");
            return Err(no(why));
        }
        let today = bench.clock.day(now);
        if let Some(day) = lot.last_day.as_ref().filter(|day| **day < today) {
            return Err(no(format!(
                "strip lot {} was good until {day}, and today is {today}: such strips give no \
                 results; nothing was changed",
                lot.lot
            )));
        }
        let mut write = self.act().await?;
        let lots = lots(write.conn(), &analyzer.id).await.map_err(|e| write.wrong(&e))?;
        let was = lots.at(strip, now);
        if was == Some(lot) {
            return Err(no(format!(
                "strip lot {} is the one in use on {}; nothing was changed",
                told(lot),
                analyzer.id
            )));
        }
        let query = sqlx::query(
            "INSERT INTO strip_lot (analyzer, strip, since, lot, last_day) VALUES ($1, $2, $3, $4, $5)",
        )
        .bind(analyzer.id.clone())
        .bind(strip.to_owned())
        .bind(now)
        .bind(storable(&lot.lot))
        .bind(lot.last_day.clone());
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        let act = Act {
            verb: "strip-lot",
            object: format!("analyzer {}, strip {strip}", analyzer.id),
            reason: reason.map(str::to_owned),
            was: Some(was.map_or_else(|| "none".to_owned(), told)),
            became: Some(told(lot)),
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(strip.to_owned())
    }
}

/// The strip type that is meant.
fn strip_named<'a>(analyzer: &'a Analyzer, named: Option<&str>) -> Result<&'a str, StoreError> {
    let known: Vec<&str> = analyzer.strips.iter().map(|s| s.id.as_str()).collect();
    match (named, known.as_slice()) {
        (None, [only]) => Ok(*only),
        (None, _) => Err(no(format!(
            "analyzer {} has several strips; say which with --strip: {}",
            analyzer.id,
            known.join(", ")
        ))),
        (Some(id), _) => known.iter().find(|k| **k == id).copied().ok_or_else(|| {
            let known = known.join(", ");
            no(format!("strip {id} is none of analyzer {}: {known}", analyzer.id))
        }),
    }
}
