//! Writing down what became of messages: up to 32 of them, or what came within 5 ms, in one commit. Whoever is told of
//! it then finds it in the ledger.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc, watch};
use tracing::{Instrument, debug_span, warn};

use super::event::{Event, Events};
use crate::pulse::Beat;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::queue::Settled;

/// Acceptances that may be known here and not yet in the ledger: after a crash at most these, and what
/// is in flight, are sent again, byte for byte.
pub const UNRECORDED: usize = 32;
/// How long an answer may wait for others before all of them are recorded.
const GATHER: Duration = Duration::from_millis(5);

/// Waits until everything handed over is in the ledger.
pub async fn drained(room: Arc<Semaphore>) {
    let all = u32::try_from(UNRECORDED).unwrap_or(u32::MAX);
    drop(room.acquire_many(all).await);
}

/// What became of one message, and the room it takes until it is in the ledger.
pub struct Record {
    pub settled: Settled,
    /// Of the lease under which it was sent.
    pub token: i64,
    pub permit: OwnedSemaphorePermit,
}

/// The recorder of one receiver.
pub struct Recorder {
    pub ledger: Ledger,
    pub receiver: String,
    pub events: Events,
    pub stop: watch::Receiver<bool>,
}

impl Recorder {
    /// Records until nobody can send any more.
    pub async fn run(self, mut queue: mpsc::Receiver<Record>) -> Result<(), StoreError> {
        let beat = Beat::of(format!("recording what {} says", self.receiver));
        while let Some(first) = beat.during(queue.recv()).await {
            let token = first.token;
            let (mut settled, mut permits) = (vec![first.settled], vec![first.permit]);
            let end = tokio::time::Instant::now() + GATHER;
            while settled.len() < UNRECORDED
                && let Ok(Some(next)) = tokio::time::timeout_at(end, queue.recv()).await
            {
                settled.push(next.settled);
                permits.push(next.permit);
            }
            let step = debug_span!("record", answers = settled.len());
            self.write(token, &settled, &beat).instrument(step).await?;
            settled.into_iter().for_each(|one| self.tell(one));
        }
        Ok(())
    }

    fn tell(&self, settled: Settled) {
        self.events.tell(Event::Delivery {
            receiver: self.receiver.clone(),
            control_id: settled.control_id.unwrap_or_default(),
            state: settled.state.text(),
            attempts: settled.attempts,
        });
    }

    /// Tries until the ledger has them. Told to stop while it is away, they are sent again next time.
    async fn write(&self, token: i64, settled: &[Settled], beat: &Beat) -> Result<(), StoreError> {
        let mut stop = self.stop.clone();
        loop {
            beat.beat();
            let done = self.ledger.queue_settle(&self.receiver, token, settled);
            match self.ledger.within(done).await {
                Ok(()) => return Ok(()),
                Err(error) if error.is_fatal() || *stop.borrow() => return Err(error),
                Err(error) => {
                    warn!(receiver = %self.receiver, %error, "answers wait for the ledger");
                    tokio::select! {
                        () = tokio::time::sleep(Duration::from_millis(500)) => {}
                        () = super::stopped(&mut stop) => {}
                    }
                }
            }
        }
    }
}
