//! The way to each receiver: open, or what stands in it and who can take that away.

use std::collections::BTreeMap;

use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::queue::Asked;
use crate::texts::{Said, say};

/// Why nothing goes to a receiver now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Barrier {
    /// What is true of it, in words.
    pub words: Said,
    /// What lets it go on. None: time, or whoever looks after the receiver.
    pub command: Option<String>,
}

/// The barriers, by receiver. One without is on its way.
pub type Barriers = BTreeMap<String, Barrier>;

/// What stands in the way of these receivers.
pub async fn barriers(
    ledger: &Ledger,
    bench: &Bench,
    receivers: impl Iterator<Item = &str>,
) -> Result<Barriers, StoreError> {
    let mut found = Barriers::new();
    for receiver in receivers {
        if let Some(barrier) = barrier(ledger, bench, receiver).await? {
            found.insert(receiver.to_owned(), barrier);
        }
    }
    Ok(found)
}

async fn barrier(
    ledger: &Ledger,
    bench: &Bench,
    receiver: &str,
) -> Result<Option<Barrier>, StoreError> {
    let resume = Some(format!("wickline queue resume {receiver}"));
    if !bench.targets.iter().any(|t| t.id == receiver) {
        let words = say!("barred.not_configured", receiver = receiver);
        return Ok(Some(Barrier { words, command: None }));
    }
    let gate = ledger.gate(receiver).await?;
    if gate.paused {
        let words = match ledger.paused_by(receiver).await? {
            None => say!("barred.paused", receiver = receiver),
            Some(p) => {
                let why = p.reason.map_or(String::new(), |r| format!(" ({r})"));
                let at = bench.clock.rfc3339(p.at);
                say!("barred.paused_by", receiver = receiver, who = p.who, at = at, why = why)
            }
        };
        return Ok(Some(Barrier { words, command: resume }));
    }
    if gate.stopped {
        let words = say!("barred.stopped", receiver = receiver);
        return Ok(Some(Barrier { words, command: resume }));
    }
    let head = ledger.queue(&Asked::head(receiver), &bench.clock).await?.pop();
    let Some((head, reason)) = head.and_then(|h| h.reason.clone().map(|r| (h, r))) else {
        return Ok(None);
    };
    let what = match reason.as_str() {
        "receiver-away" => say!("barred.away"),
        "unanswered" => say!("barred.unanswered"),
        _ => say!("barred.takes_none"),
    };
    let detail = head.detail.map_or(String::new(), |d| format!(" ({d})"));
    let what = what.then(detail);
    let words = match head.next_attempt_at {
        None => say!("barred.until", receiver = receiver, what = what),
        Some(at) => say!("barred.until_next", receiver = receiver, what = what, at = at),
    };
    Ok(Some(Barrier { words, command: None }))
}
