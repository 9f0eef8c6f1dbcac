//! The last purge, where it failed: a timer that does it looks at no screen.

use super::{About, Look};
use crate::store::StoreError;
use crate::store::ledger::Ledger;

const TODO: &str = "mend what it names; the next good one lifts this: `systemctl start wickline-purge.service`, or \
                    `wickline purge`, which shows what would go";

impl Look<'_> {
    pub(super) async fn purges(&mut self, ledger: &Ledger) -> Result<(), StoreError> {
        let Some(failed) = ledger.last_purge_failed().await? else { return Ok(()) };
        let (who, at) = (failed.who, self.time(failed.at));
        let why = failed.reason.unwrap_or_default();
        let found = self.add(
            About::Store,
            "purge",
            true,
            format!("the one of {at} by {who} failed, so more is kept than is allowed: {why}"),
        );
        // Results go on meanwhile.
        found.urgent = false;
        found.outside = Some("failed".to_owned());
        found.todo = Some(TODO.into());
        Ok(())
    }
}
