//! The last backup, as the trail has it: one that failed, or is too old. Where none was ever tried nothing is said.

use serde_json::json;

use super::{About, Look, facts};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::texts::say;

const DAY_US: i64 = 86_400_000_000;

impl Look<'_> {
    pub(super) async fn backups(&mut self, ledger: &Ledger) -> Result<(), StoreError> {
        let made_at = ledger.last_backup().await?;
        let failed = ledger.backup_failed().await?;
        let last = match made_at {
            None => say!("found.backup_none"),
            Some(at) => match (self.now - at).div_euclid(DAY_US) {
                ..1 => say!("found.backup_last", at = self.time(at)),
                days => say!("found.backup_old", at = self.time(at), n = days),
            },
        };
        let is_old = |at: i64| {
            self.bench.backup_days.is_some_and(|days| self.now - at >= days.saturating_mul(DAY_US))
        };
        let (wrong, text, outside) = match (failed, made_at) {
            (Some(act), _) => {
                let why = act.reason.unwrap_or_default();
                let (who, at) = (act.who, self.time(act.at));
                let text = say!("found.backup_failed", at = at, who = who, why = why, last = last);
                (true, text, say!("found.failed"))
            }
            (None, Some(at)) => (is_old(at), last.clone(), last),
            (None, None) => return Ok(()),
        };
        let at = made_at.map(|at| self.bench.clock.rfc3339(at));
        let found = self.add(About::Store, "backup", wrong, text);
        // Results go on meanwhile.
        found.urgent = false;
        found.outside = Some(outside);
        found.todo = wrong.then(|| say!("do.backup"));
        found.facts = facts([("made_at", json!(at))]);
        Ok(())
    }
}
