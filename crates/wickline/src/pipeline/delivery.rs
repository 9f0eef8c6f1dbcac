//! One receiver: oldest first, as many in flight as it allows (one, unless configured), until it says
//! yes; what it said is recorded in groups.

use std::collections::{HashMap, VecDeque};
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{Notify, Semaphore, mpsc, watch};
use tokio::time::Instant;
use tracing::{error, info, warn};
use wickline_forward::deliver::{Address, Courier, Outcome};
use wickline_forward::schedule::Backoff;
use wickline_forward::verdict::Verdict;

use super::event::{Event, Events};
use super::kept_lease::KeptLease;
use super::recorder::{Record, Recorder, UNRECORDED, drained};
use crate::clock;
use crate::pulse::Beat;
use crate::settings::bench::Target;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::queue::{Due, Settled, Tried};
use crate::store::state::MessageState;

/// Messages read from the queue at a time.
const PAGE: i64 = 256;
/// How long a page of the queue is believed: so long may a pause or a set-aside go unnoticed.
const FRESH: Duration = Duration::from_millis(100);
/// How long an idle deliverer waits before it looks for what another process did.
const LOOK: Duration = Duration::from_secs(1);
/// Tries without an answer, although the receiver takes connections, after which a person is told.
const STUCK: i64 = 20;

/// What it takes to deliver to one receiver.
#[derive(Clone)]
pub struct Delivery {
    pub ledger: Ledger,
    pub target: Arc<Target>,
    pub events: Events,
    pub wake: Arc<Notify>,
    pub lease: KeptLease,
    /// Each message is noted before it is sent, so that no order behind it is taken back any more.
    pub notes: bool,
    pub stop: watch::Receiver<bool>,
}

impl Delivery {
    /// Delivers until told to stop. An error means that the process must end.
    pub async fn run(self) -> Result<(), StoreError> {
        let begin = || self.clone().flow();
        super::goes_on(begin, self.stop.clone(), |tripped| {
            let (receiver, why) = (self.target.id.clone(), tripped.to_string());
            error!(%receiver, %tripped, "delivery is begun anew");
            self.events.tell(Event::ReceiverDown { receiver, why });
        })
        .await
    }

    /// Delivers as long as nothing trips it.
    async fn flow(self) -> Result<(), StoreError> {
        let (records, queue) = mpsc::channel(UNRECORDED);
        let recorder = Recorder {
            ledger: self.ledger.clone(),
            receiver: self.target.id.clone(),
            events: self.events.clone(),
            stop: self.stop.clone(),
        };
        let mut recording = tokio::spawn(recorder.run(queue));
        let ended = |joined: Result<_, tokio::task::JoinError>| {
            joined.unwrap_or_else(|panicked| Err(StoreError::of_task(&panicked)))
        };
        let (ledger, lease, id) = (self.ledger.clone(), self.lease.clone(), self.target.id.clone());
        tokio::select! {
            delivered = Flow::new(self, records).run() => {
                delivered.and(ended(recording.await))?;
                // Where the ledger is away, the doubt stays.
                let _ = ledger.within(ledger.queue_ends(&id, lease.token())).await;
                Ok(())
            }
            // Its channel is still open: it failed, and what it cannot record would be sent for ever.
            recorded = &mut recording => ended(recorded),
        }
    }
}

/// Why nothing more is sent until what is in flight has ended and the queue was looked at anew.
enum Halt {
    /// The receiver is away, silent or busy: the same bytes again after a pause.
    Pause { tried: Vec<Tried>, reason: &'static str, why: String },
    /// The queue was stopped.
    Look,
}

/// What a receiver said of one message, for the ledger.
#[derive(Default)]
struct Said {
    reason: Option<&'static str>,
    detail: Option<String>,
    answer: Option<Vec<u8>>,
    stop: bool,
}

/// The flow of messages to one receiver.
struct Flow {
    way: Delivery,
    courier: Courier,
    backoff: Backoff,
    failures: u32,
    room: Arc<Semaphore>,
    records: mpsc::Sender<Record>,
    page: VecDeque<Due>,
    page_read: Instant,
    /// The last message that was handed to the courier.
    after: i64,
    flying: HashMap<i64, (Due, Instant)>,
    /// The lease under which the queue was begun.
    begun: Option<i64>,
    /// The message for which a pause from before a restart was kept: once.
    rested: Option<i64>,
    halt: Option<Halt>,
    /// Whether the receiver is there, while nothing waits for it.
    reach: Reach,
    certificates: Certificates,
    /// Says that it turns.
    beat: Beat,
}

impl Flow {
    fn new(way: Delivery, records: mpsc::Sender<Record>) -> Self {
        let target = &way.target;
        Self {
            courier: Courier::new(target.addresses.clone(), target.limits.clone()),
            backoff: Backoff::new(target.retry_first, target.retry_max),
            // What is known of the receiver outlives a change of configuration.
            failures: u32::from(way.events.seen.is_down(&target.id)),
            room: Arc::new(Semaphore::new(UNRECORDED)),
            records,
            page: VecDeque::new(),
            page_read: Instant::now(),
            after: 0,
            flying: HashMap::new(),
            begun: None,
            rested: None,
            halt: None,
            reach: Reach { shut: true, again_at: None, made_at: Instant::now(), lost: 0 },
            certificates: Certificates::default(),
            beat: Beat::of(format!("delivering to {}", target.id)),
            way,
        }
    }

    async fn run(mut self) -> Result<(), StoreError> {
        let mut stop = self.way.stop.clone();
        while !*stop.borrow() {
            self.beat.beat();
            if self.way.lease.now().is_none() && self.flying.is_empty() {
                // Another daemon's turn: it may want the only connection that the receiver takes.
                self.courier.close();
                self.start_over().await;
                self.way.events.seen.gate(&self.way.target.id, None);
                tokio::select! {
                    () = self.beat.during(self.way.lease.held()) => {}
                    () = super::stopped(&mut stop) => break,
                }
            }
            let wake = self.way.wake.clone();
            let woken = wake.notified();
            if self.halt.is_none() {
                self.fill().await?;
                self.hand_over().await?;
            }
            if self.flying.is_empty() {
                match self.halt.take() {
                    Some(halt) => self.resolve(halt).await?,
                    None => self.idle(woken, &mut stop).await,
                }
                continue;
            }
            tokio::select! {
                outcomes = self.beat.during(self.courier.next()) => self.ended(outcomes).await,
                () = self.way.lease.lost() => {
                    // Another may deliver now: nothing that is not yet written may go out any more.
                    let given_up = self.courier.close();
                    self.ended(given_up).await;
                }
                () = super::stopped(&mut stop) => {}
            }
        }
        // What is on the wire is waited for: the house says how long.
        while !self.flying.is_empty() {
            let outcomes = self.beat.during(self.courier.next()).await;
            self.ended(outcomes).await;
        }
        self.beat.during(drained(self.room.clone())).await;
        Ok(())
    }

    /// Reads the queue where there is nothing at hand, or what is at hand may be out of date.
    async fn fill(&mut self) -> Result<(), StoreError> {
        if !self.page.is_empty() && self.page_read.elapsed() <= FRESH {
            return Ok(());
        }
        self.page.clear();
        self.page_read = Instant::now();
        let (ledger, target) = (self.way.ledger.clone(), self.way.target.clone());
        let token = self.way.lease.token();
        let (begins, notes) = (self.begun != Some(token), self.way.notes);
        let first = UNRECORDED + target.limits.window;
        let seen = self.way.events.seen.clone();
        let shut = &mut self.reach.shut;
        *shut = true;
        let page = ledger
            .within(async {
                let gate = ledger.gate(&target.id).await?;
                let closed = gate.paused || gate.stopped;
                *shut = closed || target.addresses.iter().any(is_folder);
                let stands = gate.stopped.then_some("stopped");
                seen.gate(&target.id, stands.or(gate.paused.then_some("paused")));
                if closed {
                    return Ok((false, Vec::new()));
                }
                if begins {
                    ledger.queue_begins(&target.id, first, notes).await?;
                }
                Ok((true, ledger.queue_page(&target.id, self.after, PAGE).await?))
            })
            .await;
        match page {
            Ok((open, page)) => {
                self.begun = open.then_some(token).or(self.begun);
                self.page = page.into();
                seen.ledger(&target.id, true);
            }
            Err(error) if error.is_fatal() => return Err(error),
            Err(error) => {
                warn!(receiver = %target.id, %error, "the ledger is away: sending waits");
                seen.ledger(&target.id, false);
            }
        }
        Ok(())
    }

    /// Hands messages to the courier, as many as may be in flight, while the lease is ours.
    async fn hand_over(&mut self) -> Result<(), StoreError> {
        while self.courier.can_take() && self.way.lease.now().is_some() {
            self.beat.beat();
            let Some(mut due) = self.page.pop_front() else { return Ok(()) };
            if due.built_on && due.attempts == 0 {
                if !self.flying.is_empty() {
                    // What is in flight may be what it was built in place of: that comes first.
                    self.page.push_front(due);
                    return Ok(());
                }
                if self.overtaken(&due).await? {
                    self.page.clear();
                    return Ok(());
                }
            }
            if let Some(next) = due.next_attempt_at.filter(|_| self.failures == 0)
                && next > clock::now_us()
                && self.flying.is_empty()
                && self.rested.replace(due.n) != Some(due.n)
            {
                // A pause that was begun before a restart is kept, as far as it is sensible. What people
                // did meanwhile must count: nothing of this page goes out.
                let pause = Duration::from_micros((next - clock::now_us()).unsigned_abs());
                self.rest(pause.min(self.way.target.retry_max)).await;
                self.page.clear();
                return Ok(());
            }
            if self.way.notes && due.attempts == 0 && !self.noted(&due).await? {
                self.page.clear();
                return Ok(());
            }
            self.after = due.n;
            let body = std::mem::take(&mut due.body);
            self.courier.offer(due.n, &due.control_id, body);
            self.flying.insert(due.n, (due, Instant::now()));
        }
        Ok(())
    }

    /// Notes that a message is sent now. False: it is not to be sent any more, or that cannot be noted now.
    async fn noted(&mut self, due: &Due) -> Result<bool, StoreError> {
        let ledger = &self.way.ledger;
        let noted = ledger.within(ledger.queue_flies(&self.way.target.id, due.n)).await;
        self.or_waits(noted, false)
    }

    /// Whether a message must not go out as it is, or cannot be asked about now. Asked when nothing is in
    /// flight and all is recorded.
    async fn overtaken(&mut self, due: &Due) -> Result<bool, StoreError> {
        self.beat.during(drained(self.room.clone())).await;
        let ledger = &self.way.ledger;
        let overtaken = ledger.within(ledger.queue_overtaken(&self.way.target.id, due.n)).await;
        self.or_waits(overtaken, true)
    }

    /// What the ledger answered, or what keeps a message back while it is away.
    fn or_waits(&self, said: Result<bool, StoreError>, away: bool) -> Result<bool, StoreError> {
        match said {
            Err(error) if !error.is_fatal() => {
                warn!(receiver = %self.way.target.id, %error, "the ledger is away: sending waits");
                Ok(away)
            }
            said => said,
        }
    }

    /// Waits until there may be something to do.
    async fn idle(&mut self, woken: impl Future<Output = ()>, stop: &mut watch::Receiver<bool>) {
        if !self.page.is_empty() {
            return;
        }
        if self.after > 0 {
            // What is behind us may be waiting again: start over once all is recorded. What is new
            // meanwhile need not wait for that.
            tokio::select! {
                () = woken => {}
                () = self.beat.during(drained(self.room.clone())) => self.after = 0,
            }
            return;
        }
        let reaches = self.courier.is_opening() || self.reach.is_due() && self.courier.is_closed();
        let courier = &mut self.courier;
        let reach = async {
            if reaches {
                return courier.reach().await.map_err(Some);
            }
            courier.lost().await;
            Err(None)
        };
        let reached = tokio::select! {
            () = woken => None,
            () = tokio::time::sleep(LOOK) => None,
            () = super::stopped(stop) => None,
            reached = reach => Some(reached),
        };
        if let Some(reached) = reached {
            self.reached(reached);
        }
    }

    /// What became of a connection without a message: made, not made and why, or lost.
    fn reached(&mut self, reached: Result<(), Option<String>>) {
        match reached {
            Ok(()) => {
                self.certificates.look(&self.courier, &self.way);
                self.reach.made();
                self.recovered();
                self.way.events.seen.reached(&self.way.target.id);
            }
            Err(None) => self.reach.lost(),
            Err(Some(why)) => {
                let seed = clock::now_us().unsigned_abs();
                let pause = self.backoff.pause(self.failures, seed);
                self.reach.again_at = Some(Instant::now() + Duration::from_micros(pause));
                if self.failures == 0 {
                    self.tell_down("receiver-away", &why);
                }
                self.failures = self.failures.saturating_add(1);
            }
        }
    }

    /// Takes what became of messages that were in flight.
    async fn ended(&mut self, outcomes: Vec<(i64, Outcome)>) {
        self.certificates.look(&self.courier, &self.way);
        for (n, outcome) in outcomes {
            let Some((due, sent)) = self.flying.remove(&n) else { continue };
            let attempts = due.attempts + 1;
            if matches!(outcome, Outcome::Settled { .. }) {
                let receiver = self.way.target.id.clone();
                metrics::histogram!("wickline_answer_seconds", "receiver" => receiver)
                    .record(sent.elapsed());
            }
            match outcome {
                Outcome::Settled { verdict: Verdict::Busy { detail }, .. }
                    if attempts < self.way.target.reject_tries =>
                {
                    self.pause(Tried::times(n, attempts), "receiver-busy", detail);
                }
                Outcome::Settled { verdict, answer } => {
                    self.reach.answered();
                    self.recovered();
                    self.answered(&due, attempts, verdict, answer).await;
                }
                Outcome::NotConnected { why } => {
                    let unsent = due.attempts == 0 && !due.doubted;
                    let tried = Tried { n, attempts: due.attempts, unsent };
                    self.pause(tried, "receiver-away", why);
                }
                Outcome::Unanswered { why } => {
                    if attempts == STUCK {
                        self.stuck(&due);
                    }
                    self.pause(Tried::times(n, attempts), "unanswered", why);
                }
            }
        }
    }

    fn stuck(&self, due: &Due) {
        let (receiver, control_id) = (self.way.target.id.clone(), due.control_id.clone());
        error!(%receiver, %control_id,
            "stuck: unanswered 20 times although it connects; `wickline queue hold {control_id}` lets the \
             rest pass");
        self.way.events.tell(Event::Stuck { receiver, control_id });
    }

    async fn answered(&mut self, due: &Due, attempts: i64, verdict: Verdict, answer: Vec<u8>) {
        let receiver = self.way.target.id.clone();
        let answer = Some(answer);
        match verdict {
            Verdict::Accepted => {
                let said = Said { answer, ..Said::default() };
                self.settle(due, attempts, MessageState::Accepted, said).await;
            }
            Verdict::Busy { detail } => {
                let reason = Some("receiver-reject");
                let said = Said { reason, detail: Some(detail), answer, stop: false };
                self.settle(due, attempts, MessageState::Refused, said).await;
            }
            Verdict::RefusedReject { detail } => {
                error!(%receiver, control_id = %due.control_id,
                    "header not acceptable: every later message would fail too; queue stopped");
                self.refused(due, attempts, "receiver-reject", detail, answer, true).await;
            }
            Verdict::RefusedError { detail } => {
                warn!(%receiver, control_id = %due.control_id, "message refused");
                let stop = self.way.target.stop_on_refusal;
                self.refused(due, attempts, "receiver-error", detail, answer, stop).await;
            }
        }
    }

    async fn refused(
        &mut self,
        due: &Due,
        attempts: i64,
        reason: &'static str,
        detail: String,
        answer: Option<Vec<u8>>,
        stop: bool,
    ) {
        if stop && self.halt.is_none() {
            let receiver = self.way.target.id.clone();
            self.way.events.tell(Event::ReceiverStopped { receiver, reason });
            self.halt = Some(Halt::Look);
        }
        let said = Said { reason: Some(reason), detail: Some(detail), answer, stop };
        self.settle(due, attempts, MessageState::Refused, said).await;
    }

    async fn settle(&mut self, due: &Due, attempts: i64, state: MessageState, said: Said) {
        let Said { reason, detail, answer, stop } = said;
        let control_id = Some(due.control_id.clone());
        let settled =
            Settled { n: due.n, control_id, state, reason, detail, answer, attempts, stop };
        let token = self.way.lease.token();
        if let Ok(permit) = self.beat.during(self.room.clone().acquire_owned()).await {
            let _ = self.records.send(Record { settled, token, permit }).await;
        }
    }

    /// Notes a failure; it is written down, told and waited out when nothing is in flight any more.
    fn pause(&mut self, tried: Tried, reason: &'static str, why: String) {
        match &mut self.halt {
            Some(Halt::Pause { tried: all, .. }) => all.push(tried),
            Some(Halt::Look) => {}
            None => self.halt = Some(Halt::Pause { tried: vec![tried], reason, why }),
        }
    }

    fn tell_down(&self, reason: &'static str, why: &str) {
        // A receiver's own words may quote a patient: they go to the ledger, not into a log.
        let busy = reason == "receiver-busy";
        let why = if busy { "it says that it cannot take any now" } else { why };
        let receiver = self.way.target.id.clone();
        warn!(%receiver, reason, why, "not delivered: trying again for ever");
        self.way.events.tell(Event::ReceiverDown { receiver, why: why.to_owned() });
    }

    /// What a halt asks for, now that nothing is in flight: then the queue is read from its beginning.
    async fn resolve(&mut self, halt: Halt) -> Result<(), StoreError> {
        if let Halt::Pause { tried, reason, why } = halt {
            let seed = clock::now_us().unsigned_abs();
            let pause = Duration::from_micros(self.backoff.pause(self.failures, seed));
            let first = self.failures == 0;
            self.failures = self.failures.saturating_add(1);
            let next = clock::now_us() + i64::try_from(pause.as_micros()).unwrap_or(i64::MAX);
            let (ledger, token) = (&self.way.ledger, self.way.lease.token());
            let receiver = &self.way.target.id;
            let noted = ledger.queue_tried(receiver, token, &tried, next, reason, &why);
            match ledger.within(noted).await {
                Err(error) if error.is_fatal() => return Err(error),
                _ => {}
            }
            // Told once, and when whoever looks then finds it in the queue.
            if first {
                self.tell_down(reason, &why);
            }
            self.rest(pause).await;
        }
        self.start_over().await;
        Ok(())
    }

    async fn start_over(&mut self) {
        self.beat.during(drained(self.room.clone())).await;
        self.page.clear();
        self.after = 0;
    }

    fn recovered(&mut self) {
        if self.failures > 0 {
            info!(receiver = %self.way.target.id, "delivering again");
            self.way.events.tell(Event::ReceiverUp { receiver: self.way.target.id.clone() });
            self.failures = 0;
        }
    }

    async fn rest(&mut self, pause: Duration) {
        let mut stop = self.way.stop.clone();
        tokio::select! {
            () = self.beat.during(tokio::time::sleep(pause)) => {}
            () = super::stopped(&mut stop) => {}
        }
    }
}

/// Whether a receiver is there while nothing waits for it: a connection without a message is made at the start and
/// kept, and made again where it is lost. A receiver that hangs up on each of them is left alone until there is a
/// message for it: it keeps none, and what it would be asked is nothing to it.
struct Reach {
    /// Its queue is paused or stopped, or that is not known, or it is a folder: nobody is to be connected to.
    shut: bool,
    /// After a try that failed: not before.
    again_at: Option<Instant>,
    made_at: Instant,
    /// Connections in a row that it hung up on soon.
    lost: u32,
}

impl Reach {
    /// So many are made for nothing, and so long one must have stood to be none of them. Our own choice.
    const TRIES: u32 = 2;
    const STOOD: Duration = Duration::from_secs(600);

    fn is_due(&self) -> bool {
        let rested = self.again_at.is_none_or(|at| Instant::now() >= at);
        !self.shut && rested && self.lost < Self::TRIES
    }

    fn made(&mut self) {
        (self.made_at, self.again_at) = (Instant::now(), None);
    }

    fn lost(&mut self) {
        self.lost = if self.made_at.elapsed() < Self::STOOD { self.lost + 1 } else { 0 };
    }

    fn answered(&mut self) {
        (self.made_at, self.lost) = (Instant::now(), 0);
    }
}

/// Certificates that end are told of once a day, from 30 days before.
#[derive(Default)]
struct Certificates {
    looked: Option<Instant>,
}

impl Certificates {
    const AGAIN: Duration = Duration::from_secs(24 * 3600);
    const AHEAD_DAYS: i64 = 30;

    fn look(&mut self, courier: &Courier, way: &Delivery) {
        if self.looked.is_some_and(|at| at.elapsed() < Self::AGAIN) {
            return;
        }
        let Some(theirs) = courier.peer_certificate_ends() else { return };
        self.looked = Some(Instant::now());
        let ours = way.target.addresses.iter().find_map(|a| a.certificate_ends()?.ok());
        for (whose, ends) in [("the receiver's", Some(theirs)), ("our own", ours)] {
            let Some(ends) = ends else { continue };
            let days = (ends - clock::now_us() / 1_000_000).div_euclid(86_400);
            if days < Self::AHEAD_DAYS {
                let receiver = way.target.id.clone();
                warn!(%receiver, whose, days, "a certificate ends soon: renew it");
                way.events.tell(Event::CertificateEnds { receiver, whose, days });
            }
        }
    }
}

pub(super) fn is_folder(address: &Address) -> bool {
    matches!(address, Address::Folder(_))
}
