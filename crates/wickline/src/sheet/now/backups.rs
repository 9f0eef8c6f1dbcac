//! The last backup, as the trail has it: one that failed, or is too old. Where none was ever tried nothing is said.

use serde_json::json;

use super::{About, Look, facts};
use crate::store::StoreError;
use crate::store::ledger::Ledger;

const DAY_US: i64 = 86_400_000_000;
const TODO: &str = "mend what it names, where it failed; the next good one lifts this, whoever makes it: \
                    `systemctl start wickline-backup.service`; how the nightly ones go `systemctl status \
                    wickline-backup.timer wickline-backup.service` tells";

impl Look<'_> {
    pub(super) async fn backups(&mut self, ledger: &Ledger) -> Result<(), StoreError> {
        let made_at = ledger.last_backup().await?;
        let failed = ledger.backup_failed().await?;
        let last = match made_at {
            None => "none was made before".to_owned(),
            Some(at) => match (self.now - at).div_euclid(DAY_US) {
                ..1 => format!("the last one is of {}", self.time(at)),
                days => format!("the last one is of {}, {days} day(s) old", self.time(at)),
            },
        };
        let is_old = |at: i64| {
            self.bench.backup_days.is_some_and(|days| self.now - at >= days.saturating_mul(DAY_US))
        };
        let (wrong, text, outside) = match (failed, made_at) {
            (Some(act), _) => {
                let why = act.reason.unwrap_or_default();
                let (who, at) = (act.who, self.time(act.at));
                (
                    true,
                    format!("the one of {at} by {who} failed: {why}; {last}"),
                    "failed".to_owned(),
                )
            }
            (None, Some(at)) => (is_old(at), last.clone(), last),
            (None, None) => return Ok(()),
        };
        let at = made_at.map(|at| self.bench.clock.rfc3339(at));
        let found = self.add(About::Store, "backup", wrong, text);
        // Results go on meanwhile.
        found.urgent = false;
        found.outside = Some(outside);
        found.todo = wrong.then(|| TODO.into());
        found.facts = facts([("made_at", json!(at))]);
        Ok(())
    }
}
