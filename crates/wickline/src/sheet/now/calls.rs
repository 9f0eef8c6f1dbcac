//! Urgent results that no receiver has, and of which nobody was told yet.

use serde_json::json;

use super::{About, Look};
use crate::sheet::calls;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::texts::say;

impl Look<'_> {
    pub(super) async fn calls(&mut self, ledger: &Ledger) -> Result<(), StoreError> {
        let due = calls::due(ledger, self.bench).await?;
        let text = match due.len() {
            0 => return Ok(()),
            1 => say!("found.call_one"),
            n => say!("found.call_several", n = n.to_string()),
        };
        let found = self.add(About::Calls, "urgent", true, text);
        found.urgent = true;
        found.todo = Some("wickline queue calls".into());
        found.facts.insert("due".into(), json!(due.len()));
        Ok(())
    }
}
