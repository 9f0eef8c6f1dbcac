//! What was read from a stretch of tape, to be compared with another reading of it.

use super::again::{Seen, texts};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::stretch::Key;
use crate::store::state::State;

impl Ledger {
    /// The reports that begin between two offsets of a line's tape, in order.
    pub async fn seen_between(
        &self,
        tape: &str,
        analyzer: &str,
        from: i64,
        to: i64,
    ) -> Result<Vec<(Key, Seen)>, StoreError> {
        let found = self.between(tape, analyzer, from, to).await?;
        let seen = found.into_iter().map(|one| {
            // What people did with it since is not what was read.
            let held = !one.reasons.is_empty();
            let state = if held { State::Held.text() } else { one.state.text() };
            let seen = Seen {
                state: state.to_owned(),
                reasons: one.reasons,
                class: one.class.code().to_owned(),
                number: one.number,
                specimen: one.specimen,
                readings: texts(&one.readings),
            };
            (one.key, seen)
        });
        Ok(seen.collect())
    }
}
