//! What the care log has of a day, in words for its sheet.

use crate::clock;
use crate::settings::bench::{Bench, Every};
use crate::store::StoreError;
use crate::store::ledger::Ledger;

/// A line for each entry of the day, and for each daily care that nobody signed.
pub(super) async fn told(
    ledger: &Ledger,
    bench: &Bench,
    date: &str,
    analyzer: Option<&str>,
) -> Result<Vec<String>, StoreError> {
    let mut words = Vec::new();
    if *date > *bench.clock.day(clock::now_us()) {
        return Ok(words);
    }
    for one in bench.analyzers.iter().filter(|a| analyzer.is_none_or(|id| id == a.id)) {
        let asked = bench.cares.iter().filter(|care| care.is_of(one));
        let entries = ledger.care_entries(bench, &one.id, (date, date)).await?;
        words.extend(entries.iter().map(|entry| entry.words()));
        let signed = |name: &str| entries.iter().any(|e| e.name == name && e.struck.is_none());
        let open = asked.filter(|care| care.every == Every::Day && !signed(&care.name));
        words.extend(open.map(|care| format!("{}: {} is not signed for", one.id, care.name)));
    }
    Ok(words)
}
