//! A second result for one specimen on one day: another strip, another bench, or an id given by hand.

use std::collections::BTreeSet;

use wickline_normalize::{Hold, Reason};

use super::judging::Decided;
use crate::settings::bench::{Bench, Second};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::rows::report;

/// Why a report is held where the laboratory wants a person to look at a second result. None: it goes.
pub(crate) async fn hold(
    write: &mut Write,
    bench: &Bench,
    specimen: &str,
    day: &str,
    root: i64,
) -> Result<Option<Hold>, StoreError> {
    if bench.second != Second::Hold || specimen.trim().is_empty() {
        return Ok(None);
    }
    let others = others(write, specimen, day, root).await?;
    Ok(hold_for(&others))
}

/// The same of a print that was just judged; `before` are those of its batch.
pub(crate) async fn hold_fresh(
    write: &mut Write,
    bench: &Bench,
    decided: &Decided,
    n: i64,
    before: &[(String, String, i64)],
) -> Result<Option<Hold>, StoreError> {
    if bench.second != Second::Hold {
        return Ok(None);
    }
    let Some(specimen) = decided.judged.specimen.as_ref().map(|s| s.expose()) else {
        return Ok(None);
    };
    let mut others = others(write, specimen, &decided.day, n).await?;
    let same = |(id, day, _): &&(String, String, i64)| id == specimen && *day == decided.day;
    others.extend(before.iter().filter(same).map(|(_, _, n)| *n));
    Ok(hold_for(&others))
}

fn hold_for(others: &BTreeSet<i64>) -> Option<Hold> {
    let first = others.first()?;
    let more = match others.len() {
        1 => String::new(),
        n => format!(" and {} more", n - 1),
    };
    let why = format!("report {first}{more} is a result of this specimen on the same day");
    Some(Hold::new(Reason::SecondResult, why))
}

async fn others(
    write: &mut Write,
    specimen: &str,
    day: &str,
    root: i64,
) -> Result<BTreeSet<i64>, StoreError> {
    let mut found = report::of_specimen(write, specimen, day).await?;
    found.remove(&root);
    Ok(found)
}

impl Ledger {
    /// Other results that stand for a specimen on the day of a report: to be shown before it gets that id.
    pub async fn results_beside(&self, n: i64, specimen: &str) -> Result<Vec<i64>, StoreError> {
        // Read like an act; nothing is written.
        let mut write = self.db.write().await?;
        let row = super::facts::whole(&mut write, n).await?;
        let found = others(&mut write, specimen, &row.day, row.root()).await?;
        Ok(found.into_iter().collect())
    }
}
