//! Whether the queue is late: too many messages wait, or one too long. Told once, and when it is over.

use std::collections::HashSet;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::watch;
use tracing::{info, warn};

use super::event::{Event, Events};
use super::stopped;
use crate::clock;
use crate::settings::bench::{Bench, Target};
use crate::store::ledger::Ledger;
use crate::store::lists::counts::QueueCounts;

/// How often the queue is looked at.
const LOOK: Duration = Duration::from_secs(5);

/// What it takes to watch the queue.
pub struct QueueWatch {
    pub ledger: Ledger,
    pub bench: Arc<Bench>,
    pub events: Events,
    pub stop: watch::Receiver<bool>,
}

impl QueueWatch {
    /// Looks until told to stop.
    pub async fn run(self) {
        let mut stop = self.stop.clone();
        let mut late = HashSet::new();
        while !*stop.borrow() {
            self.put_right().await;
            for target in &self.bench.targets {
                // A ledger that is away is told of by those who need it.
                if let Ok(counts) = self.ledger.within(self.ledger.waiting(&target.id)).await {
                    self.judge(target, &counts, &mut late);
                }
            }
            tokio::select! {
                () = tokio::time::sleep(LOOK) => {}
                () = stopped(&mut stop) => {}
            }
        }
    }

    /// What a receiver got after it had been taken back or replaced is put right.
    async fn put_right(&self) {
        match self.ledger.within(self.ledger.messages_arrived(&self.bench)).await {
            Ok(0) => {}
            Ok(messages) => {
                info!(messages, "receivers are told what is right of what they got after all")
            }
            // A ledger that is away is told of by those who need it.
            Err(error) => tracing::debug!(%error, "not looked at"),
        }
    }

    fn judge(&self, target: &Target, counts: &QueueCounts, late: &mut HashSet<String>) {
        let receiver = target.id.clone();
        let (waiting, oldest_s) = (counts.waiting, counts.oldest_s(clock::now_us()));
        if !target.is_late(waiting, oldest_s) {
            if late.remove(&receiver) {
                info!(%receiver, "the queue is in time again");
                self.events.tell(Event::QueueInTime { receiver });
            }
        } else if late.insert(receiver.clone()) {
            warn!(%receiver, waiting, oldest_s, "the queue is late; `wickline queue` tells why");
            self.events.tell(Event::QueueLate { receiver, waiting, oldest_s });
        }
    }
}
