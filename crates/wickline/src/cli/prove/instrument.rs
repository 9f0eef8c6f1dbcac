//! Which instrument a proof is of, where one took another's place: the ledger knows, and nothing else is asked there.

use super::{Gap, Proof};
use crate::acts::instruments::Instruments;
use crate::prove::facts::Fact;
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::ledger::Ledger;

/// Puts it among the facts, so that no proof of the one before passes for one of this.
pub async fn of(bench: &Bench, analyzer: &Analyzer, proof: &mut Proof) {
    match asked(bench, analyzer).await {
        Ok(all) => {
            if all.replacements().is_empty() {
                return;
            }
            let (what, place) = ("instrument".to_owned(), format!("analyzer {}", analyzer.id));
            let value = all.last().told(&bench.clock).to_string();
            proof.notes.push(format!("Of the instrument that stands at {}: {value}.", analyzer.id));
            proof.facts.add(Fact { what, place, value });
            proof.fingerprint = proof.facts.fingerprint();
        }
        // At a desk where nothing was heard yet nothing was replaced.
        Err(StoreError::Absent { .. }) => {}
        Err(error) => {
            let why = format!("which instrument stands there could not be asked: {error}");
            proof.gaps.push(Gap::new("instrument", why));
        }
    }
}

async fn asked(bench: &Bench, analyzer: &Analyzer) -> Result<Instruments, StoreError> {
    let ledger = Ledger::look(bench.ledger.clone()).await?;
    let all = ledger.instruments(analyzer).await;
    ledger.close().await?;
    all
}
