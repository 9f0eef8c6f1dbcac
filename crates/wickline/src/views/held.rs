//! What needs a person, as programs see it.

use serde_json::{Value, json};

use crate::clock::SiteClock;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::reports::{AskedHeld, Item, totals};
use crate::store::state::State;

/// A page of held reports, and how many there are.
pub async fn held(
    ledger: &Ledger,
    clock: &SiteClock,
    asked: AskedHeld,
) -> Result<(Vec<Item>, i64), StoreError> {
    Ok((ledger.held(asked, clock).await?, ledger.held_count().await?))
}

/// The same for a program.
#[must_use]
pub fn document(items: &[Item], all: i64) -> Value {
    let mut sums = totals(std::iter::empty());
    sums.insert(State::Held.text(), u64::try_from(all).unwrap_or(0));
    json!({"items": items, "totals": sums})
}
