//! Who was turned away from lines on a day, in words for the sheet: what they sent was not read.

use crate::clock::SiteClock;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::line_refusal::{Kept, Refusals};
use crate::texts::{Said, say};

/// A sentence for each line and reason.
pub(super) async fn told(
    ledger: &Ledger,
    clock: &SiteClock,
    date: &str,
    analyzer: Option<&str>,
) -> Result<Vec<Said>, StoreError> {
    let all = ledger.refusals(date).await?;
    let ours = all.iter().filter(|one| analyzer.is_none_or(|id| id == one.analyzer));
    Ok(ours.map(|one| say!("noted.unread", what = words(one, clock))).collect())
}

/// On which line, how often, when, and of whom the last.
fn words(kept: &Kept, clock: &SiteClock) -> Said {
    let Kept { analyzer, why, refusals } = kept;
    let Refusals { many, first_at, last_at, from } = refusals;
    let time = |at: i64| clock.rfc3339(at).get(11..16).unwrap_or_default().to_owned();
    match many {
        1 => {
            let at = time(*last_at);
            say!("noted.turned_one", id = analyzer, at = at, from = from, why = why)
        }
        _ => say!(
            "noted.turned_away",
            id = analyzer,
            n = many,
            first = time(*first_at),
            last = time(*last_at),
            from = from,
            why = why
        ),
    }
}
