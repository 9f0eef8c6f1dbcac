//! The queue as programs see it: for each receiver what waits, since when, how fast it moves or why not.

use serde::Serialize;
use serde_json::{Value, json};

use crate::clock;
use crate::daemon;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::queue::{Asked, QueueItem};
use crate::store::lists::reports::totals;
use crate::store::rows::queue::lease_name;

/// One receiver's queue, as people and programs see it.
#[derive(Debug, Serialize)]
pub struct Board {
    pub id: String,
    pub configured: bool,
    pub paused: bool,
    /// Why the daemon paused it. None: a person did, or the configuration.
    pub paused_for: Option<String>,
    pub stopped: bool,
    pub late: bool,
    pub waiting: i64,
    pub kept_back: i64,
    pub refused: i64,
    pub set_aside: i64,
    pub oldest_at: Option<String>,
    pub oldest_s: i64,
    pub answered_last_minute: i64,
    /// Seconds until nothing waits, at the rate of the last minute.
    pub empty_in_s: Option<i64>,
    pub accepted_today: i64,
    pub first_control_id: Option<String>,
    pub last_control_id: Option<String>,
    /// Which daemon delivers, where several share the ledger.
    pub deliverer: Option<String>,
    /// No daemon works on this ledger, as far as that can be seen from here.
    pub no_daemon: bool,
    /// Why nothing moves, in the words of the queue's head.
    pub reason: Option<String>,
    pub detail: Option<String>,
    pub next_attempt_at: Option<String>,
}

/// Every receiver's: of those that are configured, and of those for which something is left.
pub async fn boards(ledger: &Ledger, bench: &Bench) -> Result<Vec<Board>, StoreError> {
    let clock = &bench.clock;
    let now = clock::now_us();
    let leases = ledger.leases().await?;
    let no_daemon = daemon::is_locked_for(&bench.ledger) == Some(false);
    let mut ids: Vec<String> = bench.targets.iter().map(|t| t.id.clone()).collect();
    for id in ledger.receivers().await? {
        let counts = ledger.waiting(&id).await?;
        if !ids.contains(&id) && counts.waiting + counts.kept_back + counts.refused > 0 {
            ids.push(id);
        }
    }
    let mut boards = Vec::new();
    for id in ids {
        let counts = ledger.waiting(&id).await?;
        let gate = ledger.gate(&id).await?;
        let rate = ledger.answered_lately(&id).await?;
        let today = ledger.accepted_on(&id, &clock.day(now), clock).await?;
        let head = ledger.queue(&Asked::head(&id), clock).await?.pop();
        let target = bench.targets.iter().find(|t| t.id == id);
        boards.push(Board {
            configured: target.is_some(),
            paused: gate.paused,
            paused_for: gate.detail.clone().filter(|_| gate.paused && !gate.stopped),
            stopped: gate.stopped,
            late: target.is_some_and(|t| t.is_late(counts.waiting, counts.oldest_s(now))),
            waiting: counts.waiting,
            kept_back: counts.kept_back,
            refused: counts.refused,
            set_aside: counts.set_aside,
            oldest_at: counts.oldest_at.map(|at| clock.rfc3339(at)),
            oldest_s: counts.oldest_s(now),
            answered_last_minute: rate,
            no_daemon,
            empty_in_s: (rate > 0 && !gate.paused && !gate.stopped && !no_daemon)
                .then(|| (counts.waiting * 60 + rate - 1) / rate),
            accepted_today: today.accepted,
            first_control_id: today.first_control_id,
            last_control_id: today.last_control_id,
            deliverer: leases
                .iter()
                .find(|(name, _)| *name == lease_name(&id))
                .map(|l| l.1.clone()),
            reason: head.as_ref().and_then(|h| h.reason.clone()),
            detail: gate.detail.or_else(|| head.as_ref().and_then(|h| h.detail.clone())),
            next_attempt_at: head.and_then(|h| h.next_attempt_at),
            id,
        });
    }
    Ok(boards)
}

/// The boards, and a page of messages.
pub async fn document(
    ledger: &Ledger,
    boards: &[Board],
    items: &[QueueItem],
) -> Result<Value, StoreError> {
    let sum = |of: fn(&Board) -> i64| boards.iter().map(of).sum::<i64>();
    let mut sums = totals(std::iter::empty());
    let open = [
        ("waiting", sum(|b| b.waiting + b.kept_back)),
        ("refused", sum(|b| b.refused)),
        ("set-aside", sum(|b| b.set_aside)),
    ];
    let ever = ledger.messages_ever().await?;
    let accepted = ever - open.iter().map(|(_, n)| n).sum::<i64>();
    for (state, count) in open.into_iter().chain([("accepted", accepted)]) {
        sums.insert(state, u64::try_from(count).unwrap_or(0));
    }
    Ok(json!({"items": items, "totals": sums, "receivers": boards}))
}
