//! Who was turned away from lines on a day, in words for the sheet: what they sent was not read.

use crate::clock::SiteClock;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::line_refusal::{Kept, Refusals};

/// A sentence for each line and reason.
pub(super) async fn told(
    ledger: &Ledger,
    clock: &SiteClock,
    date: &str,
    analyzer: Option<&str>,
) -> Result<Vec<String>, StoreError> {
    let all = ledger.refusals(date).await?;
    let ours = all.iter().filter(|one| analyzer.is_none_or(|id| id == one.analyzer));
    Ok(ours
        .map(|one| {
            format!(
                "{}: what it sent was not read; strips that it printed then are to be sent again",
                words(one, clock)
            )
        })
        .collect())
}

/// On which line, how often, when, and of whom the last.
pub(super) fn words(kept: &Kept, clock: &SiteClock) -> String {
    let Kept { analyzer, why, refusals } = kept;
    let Refusals { many, first_at, last_at, from } = refusals;
    let time = |at: i64| clock.rfc3339(at).get(11..16).unwrap_or_default().to_owned();
    match many {
        1 => {
            format!("{analyzer} turned a connection away at {}, of {from} ({why})", time(*last_at))
        }
        _ => format!(
            "{analyzer} turned {many} connections away from {} to {}, the last of {from} ({why})",
            time(*first_at),
            time(*last_at)
        ),
    }
}
