//! Who sends orders, and what of them waits for a person. Without a source nothing is said.

use serde_json::json;

use super::{About, Look, count_text, facts};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::daemon_state::Kind;

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
                    (true, format!("cannot connect: {}", point.why.unwrap_or_default()))
                }
                Some(point) => (false, format!("may connect since {}", self.time(point.since))),
                None => (false, "no daemon tells whether it may connect".to_owned()),
            };
            let turned = self.point(Kind::TurnedAway, name, None).cloned();
            let turned = turned.map_or(String::new(), |away| {
                let (last, since) = (away.last_at.unwrap_or(away.since), away.since);
                let why = away.why.unwrap_or_default();
                format!("; turned away since {}: {why}, at {}", self.time(since), self.time(last))
            });
            self.add(About::Orders, name, wrong, text + &turned);
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
            0 => format!("{} wait for their strips", count_text(open)),
            _ => format!(
                "{} disputed: a specimen id is claimed for two patients, or a patient became somebody else",
                count_text(disputed)
            ),
        };
        if out > 0 {
            text += &format!("; the result of {out} is out");
        }
        let found = self.add(About::Orders, "orders", disputed > 0, text);
        found.todo = (disputed > 0).then(|| "wickline orders --standing disputed".into());
        found.facts = facts([("open", json!(open)), ("disputed", json!(disputed))]);
        Ok(())
    }

    /// Whoever is asked says nothing, not even that it refuses.
    fn unanswered(&mut self, name: &str, asked: &str, many: usize, since: i64) {
        let text = format!(
            "{asked} is asked about {many} specimen(s) that nobody ordered, the first heard {}, and does not answer",
            self.time(since)
        );
        let found = self.add(About::Orders, &format!("{name}, questions"), true, text);
        found.todo = Some(format!(
            "have {asked} reached, and ask its people whether it answers QBP^Q11: what waits is asked again by itself \
             (`wickline held`)"
        ));
        found.facts = facts([("unanswered", json!(many))]);
    }
}
