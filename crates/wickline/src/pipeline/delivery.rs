//! One receiver: oldest first, one in flight, until it says yes; what it said is recorded in groups.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{Notify, OwnedSemaphorePermit, Semaphore, mpsc, watch};
use tracing::{error, info, warn};
use wickline_forward::deliver::{Courier, Outcome};
use wickline_forward::schedule::Backoff;
use wickline_forward::verdict::Verdict;

use super::event::{Event, Events};
use crate::clock;
use crate::settings::bench::Target;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::ledger::queue::{Due, Settled};
use crate::store::ledger::state::State;

/// Acceptances that may be known here and not yet in the ledger: after a crash at most these are
/// sent again, byte for byte.
const UNRECORDED: usize = 32;
/// How long an answer may wait for others before all of them are recorded.
const GATHER: Duration = Duration::from_millis(5);
/// Messages read from the queue at a time.
const PAGE: i64 = 256;
/// How long a page of the queue is believed: so long may a pause or a set-aside go unnoticed.
const FRESH: Duration = Duration::from_millis(100);
/// How long an idle deliverer waits before it looks for what another process did.
const LOOK: Duration = Duration::from_secs(1);

/// What it takes to deliver to one receiver.
pub struct Delivery {
    pub ledger: Ledger,
    pub target: Arc<Target>,
    pub events: Events,
    pub wake: Arc<Notify>,
    pub stop: watch::Receiver<bool>,
}

/// What a message's turn ended with.
enum Turn {
    Next,
    /// Look at the queue anew before anything else is sent.
    Again,
}

impl Delivery {
    /// Delivers until told to stop. An error means that the process must end.
    pub async fn run(self) -> Result<(), StoreError> {
        let (records, queue) = mpsc::channel(UNRECORDED);
        let recorder = Recorder { ledger: self.ledger.clone(), receiver: self.target.id.clone() };
        let mut recording = tokio::spawn(recorder.run(queue));
        let ended = |joined: Result<_, tokio::task::JoinError>| joined.unwrap_or(Ok(()));
        tokio::select! {
            delivered = self.deliver(records) => delivered.and(ended(recording.await)),
            // Its channel is still open: it failed, and what it cannot record would be sent for ever.
            recorded = &mut recording => ended(recorded),
        }
    }

    async fn deliver(
        self,
        records: mpsc::Sender<(Settled, OwnedSemaphorePermit)>,
    ) -> Result<(), StoreError> {
        let mut courier = Courier::new(self.target.address.clone(), self.target.limits.clone());
        let mut sender = Sender {
            backoff: Backoff::new(self.target.retry_first, self.target.retry_max),
            failures: 0,
            room: Arc::new(Semaphore::new(UNRECORDED)),
            records,
            way: &self,
        };
        let mut after = 0;
        let mut stop = self.stop.clone();
        while !*stop.borrow() {
            let woken = self.wake.notified();
            let page = match self.next_page(after).await {
                Ok(page) => page,
                Err(error) if !error.is_fatal() => {
                    warn!(receiver = %self.target.id, %error, "the ledger is away: sending waits");
                    Vec::new()
                }
                Err(error) => return Err(error),
            };
            if page.is_empty() && after > 0 {
                // What is behind us may be waiting again: start over once all is recorded. What is
                // new meanwhile need not wait for that.
                tokio::select! {
                    () = woken => {}
                    () = sender.drained() => after = 0,
                }
                continue;
            }
            let idle = page.is_empty();
            let read = tokio::time::Instant::now();
            for due in page {
                // What a person did meanwhile must count: an old page is read again.
                if *stop.borrow() || read.elapsed() > FRESH {
                    break;
                }
                after = due.n;
                if let Turn::Again = sender.turn(&mut courier, due).await? {
                    sender.drained().await;
                    after = 0;
                    break;
                }
            }
            if idle {
                tokio::select! {
                    () = woken => {}
                    () = tokio::time::sleep(LOOK) => {}
                    () = super::stopped(&mut stop) => {}
                }
            }
        }
        sender.drained().await;
        Ok(())
    }

    async fn next_page(&self, after: i64) -> Result<Vec<Due>, StoreError> {
        let gate = self.ledger.gate(&self.target.id).await?;
        if gate.paused || gate.stopped {
            return Ok(Vec::new());
        }
        self.ledger.queue_page(&self.target.id, after, PAGE).await
    }
}

/// What a receiver said of one message.
struct Said {
    state: State,
    reason: Option<&'static str>,
    detail: Option<String>,
    answer: Option<Vec<u8>>,
    stop: bool,
}

impl Default for Said {
    fn default() -> Self {
        Self { state: State::Refused, reason: None, detail: None, answer: None, stop: false }
    }
}

impl Said {
    fn refused(reason: &'static str, detail: String, answer: Option<Vec<u8>>) -> Self {
        Self { reason: Some(reason), detail: Some(detail), answer, ..Self::default() }
    }
}

/// Sends one message after the other and hands what became of them to the recorder.
struct Sender<'a> {
    backoff: Backoff,
    failures: u32,
    room: Arc<Semaphore>,
    records: mpsc::Sender<(Settled, OwnedSemaphorePermit)>,
    way: &'a Delivery,
}

impl Sender<'_> {
    async fn turn(&mut self, courier: &mut Courier, due: Due) -> Result<Turn, StoreError> {
        if let Some(next) =
            due.next_attempt_at.filter(|t| self.failures == 0 && *t > clock::now_us())
        {
            // A pause that was begun before a restart is kept, as far as it is sensible.
            let pause = Duration::from_micros((next - clock::now_us()).unsigned_abs());
            self.rest(pause.min(self.way.target.retry_max)).await;
            if *self.way.stop.borrow() {
                return Ok(Turn::Again);
            }
        }
        let attempts = due.attempts + 1;
        match courier.send(&due.control_id, &due.body).await {
            Outcome::Settled { verdict: Verdict::Busy { detail }, .. } => {
                if attempts >= self.way.target.reject_tries {
                    self.settle(&due, attempts, Said::refused("receiver-reject", detail, None))
                        .await;
                    return Ok(Turn::Next);
                }
                self.failed(&due, attempts, "receiver-busy", &detail).await
            }
            Outcome::Settled { verdict, answer } => {
                self.recovered();
                Ok(self.answered(&due, attempts, verdict, answer).await)
            }
            Outcome::NotConnected { why } => {
                self.failed(&due, due.attempts, "receiver-away", &why).await
            }
            Outcome::Unanswered { why } => self.failed(&due, attempts, "unanswered", &why).await,
        }
    }

    async fn answered(
        &mut self,
        due: &Due,
        attempts: i64,
        verdict: Verdict,
        answer: Vec<u8>,
    ) -> Turn {
        let target = &self.way.target;
        match verdict {
            Verdict::Accepted => {
                let said = Said { state: State::Accepted, answer: Some(answer), ..Said::default() };
                self.settle(due, attempts, said).await;
                Turn::Next
            }
            Verdict::RefusedReject { detail } => {
                error!(receiver = %target.id, control_id = %due.control_id,
                    "header not acceptable: every later message would fail too; queue stopped");
                self.stopped(due, attempts, "receiver-reject", detail, answer).await
            }
            Verdict::RefusedError { detail } | Verdict::Busy { detail } => {
                warn!(receiver = %target.id, control_id = %due.control_id, "message refused");
                if target.stop_on_refusal {
                    return self.stopped(due, attempts, "receiver-error", detail, answer).await;
                }
                let said = Said::refused("receiver-error", detail, Some(answer));
                self.settle(due, attempts, said).await;
                Turn::Next
            }
        }
    }

    async fn stopped(
        &mut self,
        due: &Due,
        attempts: i64,
        reason: &'static str,
        detail: String,
        answer: Vec<u8>,
    ) -> Turn {
        let receiver = self.way.target.id.clone();
        self.way.events.tell(Event::ReceiverStopped { receiver, reason });
        let said = Said { stop: true, ..Said::refused(reason, detail, Some(answer)) };
        self.settle(due, attempts, said).await;
        Turn::Again
    }

    async fn settle(&mut self, due: &Due, attempts: i64, said: Said) {
        let Said { state, reason, detail, answer, stop } = said;
        let settled = Settled { n: due.n, state, reason, detail, answer, attempts, stop };
        self.way.events.tell(Event::Delivery {
            receiver: self.way.target.id.clone(),
            control_id: due.control_id.clone(),
            state: state.text(),
            attempts,
        });
        if let Ok(permit) = self.room.clone().acquire_owned().await {
            let _ = self.records.send((settled, permit)).await;
        }
    }

    /// Notes a failure, tells it once, and pauses.
    async fn failed(
        &mut self,
        due: &Due,
        attempts: i64,
        reason: &str,
        why: &str,
    ) -> Result<Turn, StoreError> {
        if self.failures == 0 {
            // A receiver's own words may quote a patient: they go to the ledger, not into a log.
            let told =
                if reason == "receiver-busy" { "it says that it cannot take any now" } else { why };
            let receiver = &self.way.target.id;
            warn!(%receiver, reason, why = told, "not delivered: trying again for ever");
            let (receiver, why) = (receiver.clone(), told.to_owned());
            self.way.events.tell(Event::ReceiverDown { receiver, why });
        }
        let seed = clock::now_us().unsigned_abs();
        let pause = Duration::from_micros(self.backoff.pause(self.failures, seed));
        self.failures = self.failures.saturating_add(1);
        if attempts == 20 && reason != "receiver-busy" {
            error!(receiver = %self.way.target.id, control_id = %due.control_id,
                "stuck: unanswered 20 times although it connects; `queue hold` lets the rest pass");
        }
        let next = clock::now_us() + i64::try_from(pause.as_micros()).unwrap_or(i64::MAX);
        let noted = self.way.ledger.queue_tried(due.n, attempts, next, reason, why).await;
        match noted {
            Err(error) if error.is_fatal() => return Err(error),
            _ => {}
        }
        self.rest(pause).await;
        Ok(Turn::Again)
    }

    fn recovered(&mut self) {
        if self.failures > 0 {
            info!(receiver = %self.way.target.id, "delivering again");
            self.way.events.tell(Event::ReceiverUp { receiver: self.way.target.id.clone() });
            self.failures = 0;
        }
    }

    async fn rest(&self, pause: Duration) {
        let mut stop = self.way.stop.clone();
        tokio::select! {
            () = tokio::time::sleep(pause) => {}
            () = super::stopped(&mut stop) => {}
        }
    }

    /// Waits until everything handed over is in the ledger.
    async fn drained(&self) {
        let all = u32::try_from(UNRECORDED).unwrap_or(u32::MAX);
        drop(self.room.acquire_many(all).await);
    }
}

/// Writes down what became of messages: up to 32, or what came within 5 ms, in one commit.
struct Recorder {
    ledger: Ledger,
    receiver: String,
}

impl Recorder {
    async fn run(
        self,
        mut queue: mpsc::Receiver<(Settled, OwnedSemaphorePermit)>,
    ) -> Result<(), StoreError> {
        while let Some(first) = queue.recv().await {
            let mut group = vec![first];
            let end = tokio::time::Instant::now() + GATHER;
            while group.len() < UNRECORDED
                && let Ok(Some(next)) = tokio::time::timeout_at(end, queue.recv()).await
            {
                group.push(next);
            }
            let (settled, permits): (Vec<_>, Vec<_>) = group.into_iter().unzip();
            loop {
                match self.ledger.queue_settle(&self.receiver, &settled).await {
                    Ok(()) => break,
                    Err(error) if !error.is_fatal() && !queue.is_closed() => {
                        warn!(receiver = %self.receiver, %error, "answers wait for the ledger");
                        tokio::time::sleep(Duration::from_millis(500)).await;
                    }
                    Err(error) => return Err(error),
                }
            }
            drop(permits);
        }
        Ok(())
    }
}
