//! The way to each receiver: open, or what stands in it and who can take that away.

use std::collections::BTreeMap;

use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::queue::Asked;

/// Why nothing goes to a receiver now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Barrier {
    /// What is true of it, in words.
    pub words: String,
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
        let words = format!("{receiver} is not configured here: nothing goes to it");
        return Ok(Some(Barrier { words, command: None }));
    }
    let gate = ledger.gate(receiver).await?;
    if gate.paused {
        let by = ledger.paused_by(receiver).await?.map_or(String::new(), |p| {
            let why = p.reason.map_or(String::new(), |r| format!(" ({r})"));
            format!(" by {} at {}{why}", p.who, bench.clock.rfc3339(p.at))
        });
        let words = format!("{receiver} was paused{by}: nothing goes until a person lets it go on");
        return Ok(Some(Barrier { words, command: resume }));
    }
    if gate.stopped {
        let words = format!(
            "{receiver} refused a message as such, and its queue was stopped: look at that message first, \
             then let it go on"
        );
        return Ok(Some(Barrier { words, command: resume }));
    }
    let head = ledger.queue(&Asked::head(receiver), &bench.clock).await?.pop();
    let Some((head, reason)) = head.and_then(|h| h.reason.clone().map(|r| (h, r))) else {
        return Ok(None);
    };
    let what = match reason.as_str() {
        "receiver-away" => "cannot be reached",
        "unanswered" => "does not answer",
        _ => "takes none now",
    };
    let detail = head.detail.map_or(String::new(), |d| format!(" ({d})"));
    let next = head.next_attempt_at.map_or(String::new(), |at| format!("; next try at {at}"));
    let words = format!("{receiver} {what}{detail}: nothing goes until it does{next}");
    Ok(Some(Barrier { words, command: None }))
}
