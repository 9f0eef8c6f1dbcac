//! What the care log has of a day, in words for its sheet.

use crate::clock;
use crate::settings::bench::{Bench, Every};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::texts::{Said, say};

/// A line for each entry of the day, and for each daily care that nobody signed.
pub(super) async fn told(
    ledger: &Ledger,
    bench: &Bench,
    date: &str,
    analyzer: Option<&str>,
) -> Result<Vec<Said>, StoreError> {
    let mut words = Vec::new();
    let today = bench.clock.day(clock::now_us());
    if *date > *today {
        return Ok(words);
    }
    for one in bench.analyzers.iter().filter(|a| analyzer.is_none_or(|id| id == a.id)) {
        let asked = bench.cares.iter().filter(|care| care.is_of(one));
        let entries = ledger.care_entries(bench, &one.id, (date, date)).await?;
        words.extend(entries.iter().map(|entry| entry.words()));
        let signed = |name: &str| entries.iter().any(|e| e.name == name && e.struck.is_none());
        for care in asked.filter(|care| care.every == Every::Day && !signed(&care.name)) {
            // Of a day on which nobody was asked yet nothing is said.
            let since = ledger.care_since(&one.id, &care.name).await?;
            if *date == *today || since.is_some_and(|since| *since < *date) {
                words.push(say!("cared.unsigned", id = &one.id, name = &care.name));
            }
        }
    }
    Ok(words)
}
