//! The daemon's supervision: what is opened in which order, who watches whom, how it all stops.

pub mod ledger_work;
mod lines;
mod reload;

use std::path::Path;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use rustix::fs::FlockOperation;
use tokio::sync::watch;
use tokio::task::{AbortHandle, JoinError, JoinSet};
use tracing::{Instrument, debug_span, error, info, warn};

use self::ledger_work::{LedgerWork, Life};
use self::lines::Lines;
use crate::address::Address;
use crate::pipeline::event::{Event, Events, Shown};
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::db::Db;
use crate::store::disk_room::{Ballast, folder_of};
use crate::store::ledger::Ledger;
use crate::store::sound::Check;
use crate::store::tape::Tape;
use crate::store::tape::writing::{Unkept, Writer};
use crate::texts::say;

/// How long what is in hand may take once we are asked to stop.
const GRACE: Duration = Duration::from_secs(8);

/// How long a start waits until every page of the stores was looked at; what is longer goes on beside
/// the work.
const LOOK: Duration = Duration::from_secs(2);

/// How often it is looked whether there is room for a ballast that is away.
const ROOM: Duration = Duration::from_secs(10);

/// What a daemon shows of itself while it runs.
#[derive(Clone)]
pub struct Sight {
    /// The one that is used now.
    pub bench: watch::Receiver<Arc<Bench>>,
    /// None while it cannot be reached.
    pub ledger: watch::Receiver<Option<Ledger>>,
    /// Whether the tape takes what is heard.
    pub tape: watch::Receiver<bool>,
    /// What happens, and how lines and receivers are by that.
    pub events: Events,
    pub stop: watch::Receiver<bool>,
}

/// Something that goes on until it is told to stop.
pub type Task = Pin<Box<dyn Future<Output = ()> + Send>>;

impl Sight {
    /// Does it until the daemon is shown no longer.
    #[must_use]
    pub fn until(&self, work: impl Future<Output = ()> + Send + 'static) -> Task {
        let mut stop = self.stop.clone();
        Box::pin(async move {
            tokio::select! {
                () = work => {}
                () = crate::pipeline::stopped(&mut stop) => {}
            }
        })
    }
}

/// The running daemon.
pub struct Daemon {
    bench: watch::Sender<Arc<Bench>>,
    /// None: on a server that cannot be reached yet.
    pub ledger: Option<Ledger>,
    pub tape: Tape,
    /// The ledger as the work has it.
    there: watch::Sender<Option<Ledger>>,
    writer: Option<Writer>,
    events: Events,
    lines: Lines,
    /// Comes back when there is room again.
    ballast: Ballast,
    /// Reading and sending: their stop switch and their task.
    work: Option<(watch::Sender<bool>, AbortHandle)>,
    life: Arc<Life>,
    /// The stop switch of what shows it.
    shown: watch::Sender<bool>,
    /// The stop switch of what lives as long as the daemon.
    stop: watch::Sender<bool>,
    /// Tasks that end only when told to, or with an error that ends the process.
    tasks: JoinSet<Result<(), StoreError>>,
    /// Looks at pages that are not yet at their end.
    checks: Vec<Check>,
    /// Held for the life of the daemon: a second daemon on the same stores is refused.
    _locks: Vec<std::fs::File>,
}

impl Daemon {
    /// Opens the stores. Nothing is heard or sent yet.
    pub async fn open(bench: Arc<Bench>, events: Events) -> Result<Self, StoreError> {
        let mut locks = vec![lock(&bench.tape, "tape")?];
        if let Address::Sqlite(path) = &bench.ledger {
            locks.push(lock(path, "ledger")?);
        }
        let checks = looked_at(&bench).await?;
        let ballast = Ballast::new(folder_of(&bench.tape), bench.ballast);
        if let Err(error) = ballast.take_on() {
            warn!(%error, "no ballast could be put in place");
        }
        let (tape, writer) =
            Tape::open(&bench.tape, bench.low_water, Some(ballast.clone())).await?;
        let ends = ledger_work::ends(&tape, &bench).await?;
        let ledger = match ledger_work::open(&bench, &tape, &ends).await {
            Ok(ledger) => Some(ledger),
            // What analyzers say must not wait for a server, nor for a person who looks for a file.
            Err(error) if ledger_work::is_waited_for(&bench.ledger, &error) => {
                warn!(%error, "the lines are heard onto the tape; reading and sending wait");
                events.tell(Event::LedgerAway { why: error.to_string() });
                events.seen.ledger("the daemon", false);
                None
            }
            Err(error) => return Err(error),
        };
        let (stop, ends) = watch::channel(false);
        Ok(Self {
            bench: watch::channel(bench).0,
            there: watch::channel(ledger.clone()).0,
            ledger,
            tape,
            writer: Some(writer),
            events,
            lines: Lines::default(),
            ballast,
            work: None,
            life: Arc::new(Life::new(ends)),
            shown: watch::channel(false).0,
            stop,
            tasks: JoinSet::new(),
            checks,
            _locks: locks,
        })
    }

    /// Starts hearing, reading and delivering, and tells that it is ready, and where its console is.
    pub async fn start(&mut self, shown: Shown) -> Result<(), StoreError> {
        if let Some(writer) = self.writer.take() {
            self.tasks.spawn(writer.run().instrument(debug_span!("tape")));
        }
        let bench = self.bench();
        for check in std::mem::take(&mut self.checks) {
            let (mut stop, seen) = (self.stop.subscribe(), self.events.seen.clone());
            let store = if check.path() == bench.tape { "tape" } else { "ledger" };
            let tell = move |percent: Option<u64>| {
                seen.checked(
                    store,
                    percent
                        .map(|percent| say!("point.so_far", n = percent.to_string()).to_string()),
                );
            };
            self.tasks.spawn(async move {
                check.to_the_end(crate::pipeline::stopped(&mut stop), tell).await
            });
        }
        self.lines.set(&bench, &self.tape, &self.events, &mut self.tasks).await?;
        self.begin_work().await?;
        self.watch_tape();
        self.watch_ballast();
        self.ready(shown);
        Ok(())
    }

    /// The configuration that is used now.
    #[must_use]
    pub fn bench(&self) -> Arc<Bench> {
        self.bench.borrow().clone()
    }

    /// Begins to read and to send by the present configuration.
    async fn begin_work(&mut self) -> Result<(), StoreError> {
        let (bench, (stop, stopped)) = (self.bench(), watch::channel(false));
        let work = LedgerWork {
            between: self.lines.between(&bench),
            ends: ledger_work::ends(&self.tape, &bench).await?,
            bench,
            tape: self.tape.clone(),
            events: self.events.clone(),
            life: self.life.clone(),
            stop: stopped,
        };
        let task = self.tasks.spawn(work.run(self.there.clone()));
        self.work = Some((stop, task));
        Ok(())
    }

    fn ready(&mut self, shown: Shown) {
        let bench = self.bench();
        let receivers = bench.targets.iter().map(|t| t.id.clone()).collect();
        let (version, lines) = (env!("CARGO_PKG_VERSION"), self.lines.bound(&bench));
        self.events.tell(Event::Ready { version, lines, receivers, shown });
        info!(analyzers = bench.analyzers.len(), receivers = bench.targets.len(), "ready");
    }

    /// What those may see who show the daemon, from now on in place of who showed it before.
    #[must_use]
    pub fn sight(&mut self) -> Sight {
        self.shown.send_replace(true);
        let (shown, stop) = watch::channel(false);
        self.shown = shown;
        let (bench, ledger) = (self.bench.subscribe(), self.there.subscribe());
        Sight { bench, ledger, tape: self.tape.healthy(), events: self.events.clone(), stop }
    }

    /// Watches over one more task, which ends when its [`Sight`] says so.
    pub fn beside(&mut self, task: impl Future<Output = ()> + Send + 'static) {
        self.tasks.spawn(async move {
            task.await;
            Ok(())
        });
    }

    /// Tells when the tape stops and begins to take what is heard.
    fn watch_tape(&mut self) {
        let (mut tape, events) = (self.tape.healthy(), self.events.clone());
        let mut stop = self.stop.subscribe();
        self.tasks.spawn(async move {
            loop {
                tokio::select! {
                    changed = tape.changed() => if changed.is_err() { return Ok(()) },
                    () = crate::pipeline::stopped(&mut stop) => return Ok(()),
                }
                let takes = *tape.borrow_and_update();
                events.tell(if takes { Event::TapeBack } else { Event::TapeAway });
            }
        });
    }

    /// Puts the ballast back when there is room again and the tape takes what is heard.
    fn watch_ballast(&mut self) {
        let (ballast, low_water) = (self.ballast.clone(), self.bench().low_water);
        let (tape, mut stop) = (self.tape.healthy(), self.stop.subscribe());
        self.tasks.spawn(async move {
            let mut failed = false;
            loop {
                tokio::select! {
                    () = tokio::time::sleep(ROOM) => {}
                    () = crate::pipeline::stopped(&mut stop) => return Ok(()),
                }
                if !*tape.borrow() {
                    continue;
                }
                let ballast = ballast.clone();
                let back = tokio::task::spawn_blocking(move || ballast.come_back(low_water)).await;
                match back {
                    Ok(Ok(true)) => {
                        info!("there is room on the disk again: the ballast is back in its place");
                        failed = false;
                    }
                    Ok(Err(error)) if !std::mem::replace(&mut failed, true) => {
                        warn!(%error, "the ballast could not be put back: trying again");
                    }
                    _ => {}
                }
            }
        });
    }

    /// Runs until `stop` resolves, then finishes what is in hand. An error: the store is not safe.
    pub async fn until_stopped(mut self, stop: impl Future<Output = ()>) -> Result<(), StoreError> {
        let ended = self.until(stop).await;
        self.stop(ended).await
    }

    /// Watches over everything until something else is to be done. An error: the store is not safe, and the
    /// daemon has to stop.
    pub async fn until<T>(&mut self, something: impl Future<Output = T>) -> Result<T, StoreError> {
        tokio::pin!(something);
        loop {
            tokio::select! {
                asked = &mut something => return Ok(asked),
                Some(done) = self.tasks.join_next() => judged(done)?,
            }
        }
    }

    /// Finishes what is in hand, unless it ended badly already.
    pub async fn stop(self, mut ended: Result<(), StoreError>) -> Result<(), StoreError> {
        if let Err(error) = &ended {
            error!(%error, "the store is not safe: ending");
        }
        info!("stopping: finishing what is in hand");
        self.stop.send_replace(true);
        self.shown.send_replace(true);
        self.lines.stop();
        if let Some((stop, _)) = &self.work {
            stop.send_replace(true);
        }
        let Daemon { mut tasks, tape, ledger, events, _locks, .. } = self;
        let (file, unkept) = (tape.db(), tape.unkept());
        drop(tape);
        let finish = async {
            while let Some(done) = tasks.join_next().await {
                if let (Ok(Err(error)), true) = (done, ended.is_ok()) {
                    ended = Err(error);
                }
            }
        };
        if tokio::time::timeout(GRACE, finish).await.is_err() {
            info!("something in hand took too long; what is on the tape or in the ledger is safe");
        }
        drop(tasks);
        let lost = lost(&unkept.borrow());
        let ended = ended.and(lost);
        let ended = if ended.is_ok() { closed(&file, ledger).await } else { ended };
        events.tell(Event::Stopping);
        ended
    }
}

/// Looks whether the stores' files are whole, before anything is read from them or written.
async fn looked_at(bench: &Bench) -> Result<Vec<Check>, StoreError> {
    let mut begun = vec![Check::begin(&bench.tape).await?];
    if let Address::Sqlite(path) = &bench.ledger {
        begun.push(Check::begin(path).await?);
    }
    let end = tokio::time::Instant::now() + LOOK;
    let mut go_on = Vec::new();
    for check in begun {
        go_on.extend(check.until(end).await?);
    }
    Ok(go_on)
}

/// What became of a task. One that was given up left everything as a crash would have.
fn judged(done: Result<Result<(), StoreError>, JoinError>) -> Result<(), StoreError> {
    match done {
        Ok(ended) => ended,
        Err(given_up) if given_up.is_cancelled() => Ok(()),
        Err(panicked) => Err(StoreError::of_task(&panicked)),
    }
}

/// An error: something was heard and never came onto the tape.
fn lost(unkept: &Unkept) -> Result<(), StoreError> {
    let lines: Vec<String> = unkept
        .iter()
        .filter(|(_, bytes)| **bytes > 0)
        .map(|(line, bytes)| format!("{bytes} bytes of {line}"))
        .collect();
    if lines.is_empty() {
        return Ok(());
    }
    let why = format!(
        "it could not be written to the end, and what was heard meanwhile is lost: {}. Have what was \
         printed since then sent again from the analyzer's memory",
        lines.join(", ")
    );
    Err(StoreError::Unsafe { what: "the tape".into(), why })
}

/// Leaves whole files. What has no room for that stays in the log beside the file, where it is safe.
async fn closed(tape: &Db, ledger: Option<Ledger>) -> Result<(), StoreError> {
    let ledger = ledger.filter(|ledger| !ledger.is_shared());
    let close = async {
        tape.close().await?;
        match &ledger {
            Some(ledger) => ledger.close().await,
            None => Ok(()),
        }
    };
    match tokio::time::timeout(GRACE, close).await {
        Ok(Err(error)) if error.is_fatal() => Err(error),
        Ok(Err(error)) => {
            warn!(%error, "a log stays beside its store");
            Ok(())
        }
        Ok(Ok(())) => Ok(()),
        Err(_) => {
            warn!("a store took too long to close: a log stays beside it");
            Ok(())
        }
    }
}

/// Whether a daemon holds the lock of a store, by the kernel's list of locks (proc_locks(5)): to try the lock
/// would be to take it for a moment, and a daemon that starts just then would give up. None: not to be seen.
#[must_use]
pub fn is_locked(path: &Path) -> Option<bool> {
    use std::os::unix::fs::MetadataExt;
    let file = std::fs::metadata(path.with_extension("lock")).ok()?;
    let (major, minor) = (rustix::fs::major(file.dev()), rustix::fs::minor(file.dev()));
    let at = format!("{major:02x}:{minor:02x}:{}", file.ino());
    let has = |locks: String| {
        locks.lines().any(|line| {
            let mut words = line.split_ascii_whitespace();
            line.contains("FLOCK ") && words.any(|word| word == at)
        })
    };
    match std::fs::read_to_string("/proc/locks") {
        Ok(locks) => Some(has(locks)),
        // The unit hides the list from the service (ProcSubset=pid), and not what it holds itself
        // (proc_pid_fdinfo(5)).
        Err(_) => {
            let own = std::fs::read_dir("/proc/self/fdinfo").ok()?.flatten();
            let mut own = own.filter_map(|file| std::fs::read_to_string(file.path()).ok());
            own.any(has).then_some(true)
        }
    }
}

/// The same of a ledger. None: it is on a server, where leases tell.
#[must_use]
pub fn is_locked_for(ledger: &Address) -> Option<bool> {
    match ledger {
        Address::Sqlite(path) => is_locked(path),
        Address::Postgres(_) => None,
    }
}

/// One daemon for one tape, and for one ledger that is a file: the second is told so. Several benches
/// share a ledger on Postgres. Stores that were put back by half belong to nobody until that is done.
pub(crate) fn lock(path: &Path, what: &str) -> Result<std::fs::File, StoreError> {
    let file = lock_anyhow(path, what)?;
    let shown = || path.with_extension("lock").display().to_string();
    let begun = std::fs::read_to_string(path.with_extension("lock"));
    let begun = begun.map_err(|e| StoreError::Open { what: shown(), why: e.to_string() })?;
    match begun.trim() {
        "" => Ok(file),
        again => {
            let why =
                format!("a restore began here and did not come to its end; do it again: `{again}`");
            Err(StoreError::Unsafe { what: path.display().to_string(), why })
        }
    }
}

/// The lock alone, for who puts stores back: what is written into it is the command that ends what it began.
pub(crate) fn lock_anyhow(path: &Path, what: &str) -> Result<std::fs::File, StoreError> {
    let path = path.with_extension("lock");
    crate::store::db::create_private(&path)?;
    let shown = path.display().to_string();
    let file = std::fs::OpenOptions::new()
        .append(true)
        .open(&path)
        .map_err(|e| StoreError::Open { what: shown.clone(), why: e.to_string() })?;
    rustix::fs::flock(&file, FlockOperation::NonBlockingLockExclusive).map_err(|_| {
        let why = format!("another daemon already runs on this {what}; stop it first");
        StoreError::Unsafe { what: shown, why }
    })?;
    Ok(file)
}
