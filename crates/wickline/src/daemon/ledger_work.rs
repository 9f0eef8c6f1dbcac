//! The half of the daemon that needs the ledger: reading and delivering. Where the ledger is on a server
//! that cannot be reached, the lines are heard onto the tape and this half begins when it is back.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use tokio::sync::{Notify, watch};
use tokio::task::JoinSet;
use tracing::{Instrument, debug_span, info, warn};
use wickline_listen::dialect::LinkKind;

use crate::address::Address;
use crate::clock;
use crate::pipeline::asking::Asking;
use crate::pipeline::between::Between;
use crate::pipeline::delivery::Delivery;
use crate::pipeline::event::{Event, Events};
use crate::pipeline::kept_lease::KeptLease;
use crate::pipeline::noting::{self, Noting};
use crate::pipeline::queue_watch::QueueWatch;
use crate::pipeline::reading::Reading;
use crate::pipeline::seen::Teller;
use crate::pipeline::source::{Listening, Tidying, Turned};
use crate::pipeline::stopped;
use crate::pulse::Beat;
use crate::settings::bench::{Bench, Target};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::queue::lease_name;
use crate::store::seen::Seen;
use crate::store::tape::Tape;
use crate::store::trail::Act;
use crate::store::trail::Actor;

/// How long between two tries to reach a ledger that is away at the start.
const AGAIN: Duration = Duration::from_secs(2);

/// What reading and delivering need.
pub struct LedgerWork {
    pub bench: Arc<Bench>,
    pub tape: Tape,
    pub events: Events,
    /// Told when a framed message of an analyzer ends, in the order of the bench's analyzers.
    pub between: Vec<Arc<Between>>,
    pub ends: Ends,
    pub life: Arc<Life>,
    pub stop: watch::Receiver<bool>,
}

pub use crate::acts::set_back::Ends;

/// What outlives each configuration.
pub struct Life {
    /// When the daemon began to work.
    since: i64,
    /// Its start is in the trail.
    noted: AtomicBool,
    /// The daemon stops, and not only this work.
    ends: watch::Receiver<bool>,
}

impl Life {
    #[must_use]
    pub fn new(ends: watch::Receiver<bool>) -> Self {
        Self { since: clock::now_us(), noted: AtomicBool::new(false), ends }
    }
}

/// Where the tape of each analyzer ends now.
pub async fn ends(tape: &Tape, bench: &Bench) -> Result<Ends, StoreError> {
    let mut ends = Ends::default();
    for analyzer in &bench.analyzers {
        ends.insert(analyzer.id.clone(), tape.end(&analyzer.id).await?);
    }
    Ok(ends)
}

/// Opens the ledger, looks whether it goes with the tape, and brings it up to what the configuration
/// says now.
pub async fn open(bench: &Bench, tape: &Tape, ends: &Ends) -> Result<Ledger, StoreError> {
    not_gone(&bench.ledger, tape).await?;
    let ledger = Ledger::open(bench.ledger.clone()).await?;
    let ready = async {
        not_short(&ledger, bench, tape, ends).await?;
        ledger.compared(bench, tape, ends).await?;
        prepare(&ledger, bench).await
    };
    ledger.within(ready).await?;
    Ok(ledger)
}

/// An error: the ledger's file is gone, and the tape was read into it. A new one in its place would be in the way of
/// the old one, and of a person who can still find it.
async fn not_gone(ledger: &Address, tape: &Tape) -> Result<(), StoreError> {
    let Address::Sqlite(path) = ledger else { return Ok(()) };
    if path.exists() {
        return Ok(());
    }
    let Some(Seen { report: reports, lines, .. }) = tape.ledger_seen().await? else {
        return Ok(());
    };
    // What is noted is up to 2 s old: where anything was heard, it may have been read.
    let mut heard = reports > 0;
    for line in lines.keys() {
        heard |= tape.end(line).await?.1 > 0;
    }
    if !heard {
        return Ok(());
    }
    Err(StoreError::Gone { what: path.display().to_string(), reports })
}

/// What a look at a ledger says where nothing stands: before anything was heard that is right, and where the tape
/// remembers one it is gone.
pub async fn or_gone<T>(bench: &Bench, looked: Result<T, StoreError>) -> Result<T, StoreError> {
    if matches!(looked, Err(StoreError::Absent { .. }))
        && let Ok(tape) = Tape::look(&bench.tape).await
    {
        let gone = not_gone(&bench.ledger, &tape).await;
        tape.db().close().await?;
        gone?;
    }
    looked
}

/// Brings a ledger that goes with the tape up to what the configuration says now.
pub async fn prepare(ledger: &Ledger, bench: &Bench) -> Result<(), StoreError> {
    for target in &bench.targets {
        ledger.receiver_known(&target.id, target.paused).await?;
    }
    let built = ledger.reports_undelivered(bench).await?;
    if built > 0 {
        info!(built, "messages built for reports that had no receiver before");
    }
    let known: Vec<&str> = bench.targets.iter().map(|t| t.id.as_str()).collect();
    for (receiver, count) in ledger.queue_orphans(&known).await? {
        warn!(receiver, count, "messages wait for a receiver that is not configured here");
    }
    Ok(())
}

/// A tape that lost what was read from it would give its places out again.
pub async fn not_short(
    ledger: &Ledger,
    bench: &Bench,
    tape: &Tape,
    ends: &Ends,
) -> Result<(), StoreError> {
    for (analyzer, (entry, offset)) in ends {
        let (read, place) = ledger.read_to(&tape.id, analyzer).await?;
        if read > *entry || u64::try_from(place).is_ok_and(|place| place > *offset) {
            let why = format!(
                "it is shorter than what was read from it for {analyzer} (entry {entry} of {read}, \
                 byte {offset} of {place}): an old copy, or a disk that lost what it had said was \
                 written. Move it aside and start: a new tape begins, the old one can be replayed"
            );
            return Err(StoreError::Unsafe { what: bench.tape.display().to_string(), why });
        }
    }
    Ok(())
}

impl LedgerWork {
    /// Works until told to stop. An error means that the process must end.
    pub async fn run(self, there: watch::Sender<Option<Ledger>>) -> Result<(), StoreError> {
        let opened = there.borrow().clone();
        let ledger = match opened {
            Some(ledger) => ledger,
            None => match self.wait_for_ledger().await? {
                Some(ledger) => ledger,
                None => return Ok(()),
            },
        };
        there.send_replace(Some(ledger.clone()));
        if !self.configured(&ledger).await? {
            return Ok(());
        }
        self.events.seen.ledger_is_there();
        if !self.life.noted.swap(true, Ordering::Relaxed) {
            self.trail(&ledger, "start").await?;
        }
        let (bench, tape, stop) = (self.bench.clone(), self.tape.clone(), self.stop.clone());
        let noting = Noting::begin(bench, tape, ledger.clone(), stop).await?;
        let mut tasks = JoinSet::new();
        let wakes: Vec<Arc<Notify>> = self.bench.targets.iter().map(|_| Arc::default()).collect();
        self.read(&ledger, &wakes, &mut tasks);
        self.orders(&ledger, &wakes, &mut tasks);
        self.deliver(&ledger, wakes, &mut tasks);
        let queue_watch = QueueWatch {
            ledger: ledger.clone(),
            bench: self.bench.clone(),
            events: self.events.clone(),
            stop: self.stop.clone(),
        };
        tasks.spawn(async move {
            queue_watch.run().await;
            Ok(())
        });
        let (seen, me, stop) = (self.events.seen.clone(), self.me(), self.stop.clone());
        let (since, ends) = (self.life.since, self.life.ends.clone());
        let clock = self.bench.clock.clone();
        let teller = Teller { ledger: ledger.clone(), clock, seen, me, since, stop, ends };
        tasks.spawn(async move {
            teller.run().await;
            Ok(())
        });
        tasks.spawn(noting.run());
        let mut ended = Ok(());
        while let Some(done) = tasks.join_next().await {
            match done {
                Ok(Ok(())) => {}
                // Dropping the rest stops it: the process is going to end.
                Ok(Err(error)) if !*self.stop.borrow() => return Err(error),
                Ok(Err(error)) => ended = Err(error),
                Err(panicked) => return Err(StoreError::of_task(&panicked)),
            }
        }
        // What was in hand is safe by now, so a ledger that is full or away is no reason to end badly:
        // a start without a stop before it says the same. A failed sync is.
        if *self.life.ends.borrow() {
            ended = ended.and(self.trail(&ledger, "stop").await);
        }
        ended?;
        noting::at_rest(&self.tape, &ledger).await
    }

    /// Tries until the ledger can be opened. None: told to stop before.
    async fn wait_for_ledger(&self) -> Result<Option<Ledger>, StoreError> {
        let mut stop = self.stop.clone();
        // Half of its files may be there already: whoever puts them back stops the service before.
        if not_gone(&self.bench.ledger, &self.tape).await.is_err() {
            stopped(&mut stop).await;
            return Ok(None);
        }
        loop {
            tokio::select! {
                () = tokio::time::sleep(AGAIN) => {}
                () = stopped(&mut stop) => return Ok(None),
            }
            match open(&self.bench, &self.tape, &self.ends).await {
                Ok(ledger) => {
                    info!("the ledger is there: reading begins where it ended");
                    self.events.tell(Event::LedgerBack);
                    return Ok(Some(ledger));
                }
                Err(error) if is_away(&error) => {}
                Err(error) => return Err(error),
            }
        }
    }

    fn read(
        &self,
        ledger: &Ledger,
        wakes: &[Arc<Notify>],
        tasks: &mut JoinSet<Result<(), StoreError>>,
    ) {
        for (analyzer, between) in self.bench.analyzers.iter().zip(&self.between) {
            let framed = analyzer.dialect.link() == LinkKind::Lis01;
            let reading = Reading {
                tape: self.tape.clone(),
                ledger: ledger.clone(),
                bench: self.bench.clone(),
                analyzer: analyzer.clone(),
                events: self.events.clone(),
                wakes: wakes.to_vec(),
                between: framed.then(|| between.clone()),
                said: Default::default(),
                lease: self.lease(ledger, format!("analyzer {}", analyzer.id), tasks),
                away: false,
                owed: true,
                beat: Beat::of(format!("reading what {} said", analyzer.id)),
                stop: self.stop.clone(),
            };
            let step = debug_span!("reading", analyzer = %analyzer.id);
            tasks.spawn(reading.run().instrument(step));
        }
    }

    /// Listens to those who send orders, where there are any.
    fn orders(
        &self,
        ledger: &Ledger,
        wakes: &[Arc<Notify>],
        tasks: &mut JoinSet<Result<(), StoreError>>,
    ) {
        for source in &self.bench.sources {
            let listening = Listening {
                ledger: ledger.clone(),
                bench: self.bench.clone(),
                source: source.clone(),
                events: self.events.clone(),
                wakes: wakes.to_vec(),
                stop: self.stop.clone(),
                turned: Turned::default(),
            };
            let step = debug_span!("orders", source = %source.site.name);
            tasks.spawn(
                async move {
                    listening.run().await;
                    Ok(())
                }
                .instrument(step),
            );
        }
        for source in &self.bench.sources {
            let asked = |target: &&Arc<Target>| source.ask.as_deref() == Some(&target.id);
            let Some(target) = self.bench.targets.iter().find(asked) else { continue };
            let asking = Asking {
                ledger: ledger.clone(),
                bench: self.bench.clone(),
                source: source.clone(),
                target: target.clone(),
                events: self.events.clone(),
                stop: self.stop.clone(),
            };
            let step = debug_span!("asking", source = %source.site.name);
            tasks.spawn(asking.run().instrument(step));
        }
        if self.bench.has_orders() {
            let (ledger, bench) = (ledger.clone(), self.bench.clone());
            let tidying = Tidying { ledger, bench, wakes: wakes.to_vec(), stop: self.stop.clone() };
            tasks.spawn(tidying.run());
        }
    }

    fn deliver(
        &self,
        ledger: &Ledger,
        wakes: Vec<Arc<Notify>>,
        tasks: &mut JoinSet<Result<(), StoreError>>,
    ) {
        for (target, wake) in self.bench.targets.iter().zip(wakes) {
            let delivery = Delivery {
                ledger: ledger.clone(),
                target: target.clone(),
                events: self.events.clone(),
                wake,
                lease: self.lease(ledger, lease_name(&target.id), tasks),
                notes: self.bench.has_orders(),
                stop: self.stop.clone(),
            };
            let step = debug_span!("delivering", receiver = %target.id);
            tasks.spawn(delivery.run().instrument(step));
        }
    }

    fn lease(
        &self,
        ledger: &Ledger,
        name: String,
        tasks: &mut JoinSet<Result<(), StoreError>>,
    ) -> KeptLease {
        let me = self.me();
        let stop = self.stop.clone();
        let (lease, keeper) = KeptLease::begin(ledger.clone(), name, &me, self.bench.lease, stop);
        tasks.spawn(async move {
            keeper.run().await;
            Ok(())
        });
        lease
    }

    fn me(&self) -> String {
        bench_name(&self.tape.id)
    }

    /// Notes the configuration that is used from now on, and tells what was noticed of the ledger before; nothing is
    /// read or sent with a configuration that the trail does not know. False: told to stop before.
    async fn configured(&self, ledger: &Ledger) -> Result<bool, StoreError> {
        let (me, mut stop) = (self.me(), self.stop.clone());
        let mut told = false;
        loop {
            let noted = async {
                let changed = ledger.configuration_used(&me, &self.bench.effective).await?;
                ledger.jumps_looked_at(&self.bench).await?;
                ledger.notices().await.map(|notices| (changed, notices))
            };
            match ledger.within(noted).await {
                Ok((changed, notices)) => {
                    if changed {
                        info!("the configuration changed: noted in the trail");
                    }
                    for notice in notices {
                        let kind = notice.kind.code();
                        let why = notice.words(&self.bench.clock).to_string();
                        self.events.tell(Event::Notice { kind, why });
                    }
                    return Ok(true);
                }
                Err(error) if is_away(&error) => {
                    if !std::mem::replace(&mut told, true) {
                        warn!(%error, "reading and sending wait until the configuration is noted");
                        self.events.seen.ledger("the trail", false);
                    }
                }
                Err(error) if error.is_fatal() => return Err(error),
                // A trail that cannot be added to is for people; patients' results go on.
                Err(error) => {
                    warn!(%error, "the configuration is not noted; see `wickline trail verify`");
                    return Ok(true);
                }
            }
            tokio::select! {
                () = tokio::time::sleep(AGAIN) => {}
                () = stopped(&mut stop) => return Ok(false),
            }
        }
    }

    /// Notes a start or a stop. An error: the store is not safe.
    async fn trail(&self, ledger: &Ledger, verb: &'static str) -> Result<(), StoreError> {
        let object = format!("daemon {} on {}", env!("CARGO_PKG_VERSION"), self.me());
        let act = Act { verb, object, ..Act::default() };
        match ledger.within(ledger.note(&Actor::daemon(), act)).await {
            Err(error) if error.is_fatal() => Err(error),
            Err(error) => {
                warn!(%error, verb, "not noted in the trail");
                Ok(())
            }
            Ok(()) => Ok(()),
        }
    }
}

/// A daemon, for the others on the same ledger: its machine and its tape, of which it is the only
/// writer. So it finds its own leases again after a restart.
#[must_use]
pub fn bench_name(tape: &str) -> String {
    let uname = rustix::system::uname();
    format!("{}/{tape}", uname.nodename().to_string_lossy())
}

/// True when the daemon works on without the ledger: lines are heard onto the tape.
#[must_use]
pub fn is_waited_for(ledger: &Address, error: &StoreError) -> bool {
    matches!(error, StoreError::Gone { .. }) || (ledger.is_shared() && is_away(error))
}

/// True when the ledger may be there later without anybody's help.
#[must_use]
pub fn is_away(error: &StoreError) -> bool {
    error.is_passing() || matches!(error, StoreError::Open { .. })
}
