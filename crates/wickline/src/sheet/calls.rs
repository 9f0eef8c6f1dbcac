//! The telephone list: urgent results that no receiver has and nobody was told of yet, and who was told today.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::clock;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::calls::Call;
use crate::store::lists::reports::Item;

/// How long a message that nothing keeps may be under way before somebody is asked to telephone.
const UNDER_WAY_US: i64 = 10_000_000;

/// Somebody who was told.
#[derive(Clone, Debug, Serialize)]
pub struct Told {
    pub id: String,
    pub number: Option<String>,
    pub specimen: Option<String>,
    pub at: String,
    pub who: String,
    /// To whom, when, and whether it was read back.
    pub told: String,
}

/// The list.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Calls {
    /// What must be told now, the oldest first.
    pub items: Vec<Item>,
    /// What was told today, the newest first.
    pub told: Vec<Told>,
}

/// What must be told by telephone now. What was told is there again where something else is to be said of it since.
pub async fn due(ledger: &Ledger, bench: &Bench) -> Result<Vec<Item>, StoreError> {
    let before = clock::now_us() - UNDER_WAY_US;
    let mut unheard = ledger.urgent_unheard(before, &bench.clock).await?;
    unheard.retain(|one| one.stuck);
    let ids: Vec<i64> = unheard.iter().filter_map(|one| one.item.id.parse().ok()).collect();
    let calls = ledger.calls_about(&ids).await?;
    let told = |item: &Item| item.id.parse().ok().and_then(|n: i64| calls.get(&n));
    let due = unheard.into_iter().filter(|one| told(&one.item).is_none_or(|c| c.at < one.since));
    Ok(due.map(|one| one.item).collect())
}

impl Calls {
    pub async fn read(ledger: &Ledger, bench: &Bench) -> Result<Self, StoreError> {
        let now = clock::now_us();
        let today = bench.clock.day_span(&bench.clock.day(now)).map_or(now, |(from, _)| from);
        let calls = ledger.calls_since(today).await?;
        let ids: Vec<i64> = calls.iter().map(|call| call.report).collect();
        let about = ledger.items_named(&ids, &bench.clock).await?;
        let about: BTreeMap<&str, &Item> = about.iter().map(|i| (i.id.as_str(), i)).collect();
        let told = |call: &Call| {
            let id = call.report.to_string();
            let item = about.get(id.as_str());
            Told {
                number: item.and_then(|item| item.number.clone()),
                specimen: item.and_then(|item| item.specimen.clone()),
                at: bench.clock.rfc3339(call.at),
                who: call.who.clone(),
                told: call.text.clone(),
                id,
            }
        };
        let told = calls.iter().map(told).collect();
        Ok(Self { items: due(ledger, bench).await?, told })
    }
}
