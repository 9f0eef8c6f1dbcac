//! What is due of the care log, in words: nothing is held for it, and so nothing is wrong.

use serde_json::json;

use super::{About, Look};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::texts::{Said, say};

impl Look<'_> {
    pub(super) async fn care(&mut self, ledger: &Ledger) -> Result<(), StoreError> {
        for analyzer in &self.bench.analyzers {
            let stands = ledger.care_stands(self.bench, analyzer).await?;
            if stands.is_empty() {
                continue;
            }
            let due: Vec<&_> = stands.iter().filter(|one| one.due).collect();
            let words =
                due.iter().map(|one| Said::from(format!("{}: ", one.name)).then(&one.words));
            let text = match due.is_empty() {
                true => say!("found.nothing_due"),
                false => Said::list("; ", words),
            };
            let names: Vec<&str> = due.iter().map(|one| one.name.as_str()).collect();
            let due = json!(names);
            self.add(About::Care, &analyzer.id, false, text).facts.insert("due".into(), due);
        }
        Ok(())
    }
}
