//! The last purge, where it failed: a timer that does it looks at no screen.

use super::{About, Look};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::texts::say;

impl Look<'_> {
    pub(super) async fn purges(&mut self, ledger: &Ledger) -> Result<(), StoreError> {
        let Some(failed) = ledger.last_purge_failed().await? else { return Ok(()) };
        let (who, at) = (failed.who, self.time(failed.at));
        let why = failed.reason.unwrap_or_default();
        let found = self.add(
            About::Store,
            "purge",
            true,
            say!("found.purge_failed", at = at, who = who, why = why),
        );
        // Results go on meanwhile.
        found.urgent = false;
        found.outside = Some(say!("found.failed"));
        found.todo = Some(say!("do.purge"));
        Ok(())
    }
}
