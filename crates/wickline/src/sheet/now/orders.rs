//! Who sends orders, and what of them waits for a person. Without a source nothing is said.

use serde_json::json;

use super::{About, Look, count_text, facts};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::daemon_state::Kind;
use crate::texts::{Said, say};

/// How long after its strip was heard a question may be without an answer.
const PATIENCE_US: i64 = 120_000_000;

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
                    (true, say!("found.cannot_connect", why = point.why.unwrap_or_default()))
                }
                Some(point) => (false, say!("found.may_connect", at = self.time(point.since))),
                None => (false, say!("found.connect_untold")),
            };
            let turned = self.point(Kind::TurnedAway, name, None).cloned();
            let turned = turned.map(|away| {
                let (last, since) = (away.last_at.unwrap_or(away.since), away.since);
                let (at, last) = (self.time(since), self.time(last));
                say!(
                    "found.source_turned",
                    at = at,
                    why = Said::kept(&away.why.unwrap_or_default()),
                    last = last
                )
            });
            let text = Said::list("; ", std::iter::once(text).chain(turned));
            self.add(About::Orders, name, wrong, text);
            let unanswered = ledger.unanswered(self.bench, source, self.now - PATIENCE_US).await?;
            if let Some((many, since)) = unanswered {
                self.unanswered(name, source.ask.as_deref().unwrap_or_default(), many, since);
            }
        }
        let counts = ledger.order_counts().await?;
        let of = |standing: &str| {
            counts.iter().find(|(own, _)| own == standing).map_or(0, |(_, many)| *many)
        };
        let (open, out) = (of("open") + of("on-hold"), of("disputed-out"));
        // A closed one bars another patient's order, whose people may not look at what they were answered.
        let disputed = of("disputed") + of("disputed-closed") + out;
        let mut text = match disputed {
            0 => say!("found.orders_wait", n = count_text(open)),
            _ => say!("found.disputed", n = count_text(disputed)),
        };
        if out > 0 {
            text = text.then("; ").then(say!("found.result_out", n = out));
        }
        let found = self.add(About::Orders, "orders", disputed > 0, text);
        found.todo = (disputed > 0).then(|| "wickline orders --standing disputed".into());
        found.facts = facts([("open", json!(open)), ("disputed", json!(disputed))]);
        Ok(())
    }

    /// Whoever is asked says nothing, not even that it refuses.
    fn unanswered(&mut self, name: &str, asked: &str, many: usize, since: i64) {
        let text = say!("found.unanswered", asked = asked, n = many, at = self.time(since));
        let found = self.add(About::Orders, &format!("{name}, questions"), true, text);
        found.todo = Some(say!("do.questions", asked = asked));
        found.facts = facts([("unanswered", json!(many))]);
    }
}
