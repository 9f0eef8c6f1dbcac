//! The strip lots in use, as people enter them: one after the other for each strip type of an analyzer.

use wickline_normalize::judge::StripLot;

use super::facts::refused;
use crate::clock;
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::db::{Conn, Write};
use crate::store::ledger::Ledger;
use crate::store::rows::strip_lot;
pub use crate::store::rows::strip_lot::Entered;
use crate::store::trail::{Act, Actor, record};
use crate::texts::{say, way};

/// Characters of a lot at most.
const LONGEST: usize = 40;

/// Every lot of one analyzer, in the order in which they were entered.
#[derive(Clone, Debug, Default)]
pub struct Lots(Vec<Entered>);

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
pub(crate) async fn lots(conn: &mut Conn, analyzer: &str) -> Result<Lots, StoreError> {
    strip_lot::of(conn, analyzer).await.map(Lots)
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
        let lots = lots(&mut conn, analyzer).await?;
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
        checked(lot, &bench.clock.day(now))?;
        let mut write = self.act().await?;
        if !put_in_use(&mut write, actor, (analyzer, strip), lot, now, reason).await? {
            return Err(refused(say!("no.lot_in_use", lot = told(lot), id = &analyzer.id)));
        }
        write.commit().await?;
        Ok(strip.to_owned())
    }
}

/// An error: it is no lot, or its strips give no results any more.
pub(crate) fn checked(lot: &StripLot, today: &str) -> Result<(), StoreError> {
    let fits = (1..=LONGEST).contains(&lot.lot.chars().count());
    if !fits || lot.lot.trim() != lot.lot || lot.lot.chars().any(char::is_control) {
        return Err(refused(say!("no.lot_text", most = LONGEST)));
    }
    match lot.last_day.as_deref().filter(|day| *day < today) {
        None => Ok(()),
        Some(day) => Err(refused(say!("no.lot_over", lot = &lot.lot, day = day, today = today))),
    }
}

/// A lot is in use from now on, with its row in the trail. False: it is the one in use, and nothing was written.
pub(crate) async fn put_in_use(
    write: &mut Write,
    actor: &Actor,
    (analyzer, strip): (&Analyzer, &str),
    lot: &StripLot,
    now: i64,
    reason: Option<&str>,
) -> Result<bool, StoreError> {
    // A vial stands beside the box, and its scan looks alike.
    if let Some(control) = analyzer.controls.plan.lots().find(|l| l.control_lot == lot.lot) {
        return Err(refused(say!("no.lot_of_control", lot = &lot.lot, level = &control.level)));
    }
    let lots = lots(write.conn(), &analyzer.id).await?;
    let was = lots.at(strip, now);
    if was == Some(lot) {
        return Ok(false);
    }
    strip_lot::enter(write, &analyzer.id, strip, now, lot).await?;
    let act = Act {
        verb: "strip-lot",
        object: format!("analyzer {}, strip {strip}", analyzer.id),
        reason: reason.map(str::to_owned),
        was: Some(was.map_or_else(|| "none".to_owned(), told)),
        became: Some(told(lot)),
    };
    record(write, actor, act).await?;
    Ok(true)
}

/// The strip type that is meant.
pub(crate) fn strip_named<'a>(
    analyzer: &'a Analyzer,
    named: Option<&str>,
) -> Result<&'a str, StoreError> {
    let known: Vec<&str> = analyzer.strips.iter().map(|s| s.id.as_str()).collect();
    match (named, known.as_slice()) {
        (None, [only]) => Ok(*only),
        (None, _) => Err(refused(say!(
            "no.several_strips",
            id = &analyzer.id,
            how = way!("which_strip", names = known.join(", "))
        ))),
        (Some(id), _) => known.iter().find(|k| **k == id).copied().ok_or_else(|| {
            let known = known.join(", ");
            refused(say!("no.strip", strip = id, id = &analyzer.id, known = known))
        }),
    }
}
