//! Who sends orders, and what of them waits for a person. Without a source nothing is said.

use serde_json::json;

use super::{About, Look, count_text, facts};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::daemon_state::Kind;

impl Look<'_> {
    pub(super) async fn orders(&mut self, ledger: &Ledger) -> Result<(), StoreError> {
        if !self.bench.has_orders() {
            return Ok(());
        }
        for source in &self.bench.sources {
            let name = source.site.name.as_str();
            let point = self.point(Kind::Source, name, None).cloned();
            let (wrong, text) = match point {
                Some(point) if !point.up => {
                    (true, format!("cannot connect: {}", point.why.unwrap_or_default()))
                }
                Some(point) => (false, format!("may connect since {}", self.time(point.since))),
                None => (false, "no daemon tells whether it may connect".to_owned()),
            };
            self.add(About::Orders, name, wrong, text);
        }
        let counts = ledger.order_counts().await?;
        let of = |standing: &str| {
            counts.iter().find(|(own, _)| own == standing).map_or(0, |(_, many)| *many)
        };
        let (open, disputed) = (of("open") + of("on-hold"), of("disputed"));
        let text = match disputed {
            0 => format!("{} wait for their strips", count_text(open)),
            _ => format!(
                "{} disputed: a specimen id is claimed for two patients",
                count_text(disputed)
            ),
        };
        let found = self.add(About::Orders, "orders", disputed > 0, text);
        found.todo = (disputed > 0).then(|| "wickline orders --standing disputed".into());
        found.facts = facts([("open", json!(open)), ("disputed", json!(disputed))]);
        Ok(())
    }
}
