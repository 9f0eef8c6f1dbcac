//! Whether the queue is late: too many messages wait, or one too long. And whether an analyzer is silent in its working
//! hours. Each is told once, and when it is over.

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
        let (mut late, mut silent) = (HashSet::new(), HashSet::new());
        for analyzer in &self.bench.analyzers {
            // Whoever watched before under another configuration may have left it otherwise.
            metrics::gauge!("wickline_line_silent", "analyzer" => analyzer.id.clone()).set(0);
        }
        while !*stop.borrow() {
            self.put_right().await;
            for target in &self.bench.targets {
                // A ledger that is away is told of by those who need it.
                if let Ok(counts) = self.ledger.within(self.ledger.waiting(&target.id)).await {
                    self.judge(target, &counts, &mut late);
                }
            }
            for analyzer in &self.bench.analyzers {
                if let Some(hours) = &analyzer.hours
                    && let Ok(from) =
                        self.ledger.within(self.ledger.silence_from(&analyzer.id)).await
                {
                    let now = clock::now_us();
                    let since = hours.silent_since(&self.bench.clock, now, from);
                    let minutes = since.map(|since| (now - since) / 60_000_000);
                    self.hears(&analyzer.id, minutes, &mut silent);
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

    /// Whether an analyzer is silent for so many minutes, or is not.
    fn hears(&self, analyzer: &str, minutes: Option<i64>, silent: &mut HashSet<String>) {
        let analyzer = analyzer.to_owned();
        match minutes {
            None => {
                if silent.remove(&analyzer) {
                    info!(%analyzer, "it is not missed any more");
                    self.events.tell(Event::LineSpeaks { analyzer });
                }
            }
            Some(minutes) => {
                if silent.insert(analyzer.clone()) {
                    warn!(%analyzer, minutes, "no report in its working hours: is it on, and is its cable in?");
                    self.events.tell(Event::LineSilent { analyzer, minutes });
                }
            }
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
