//! `run`: the daemon.

mod limits;
mod systemd;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::broadcast;
use tracing::{error, info, warn};

use super::output::Output;
use super::{Answer, Exit, Failure, faults};
use crate::alarm;
use crate::console::Console;
use crate::daemon::Daemon;
use crate::pipeline::event::{Event, Events};
use crate::pipeline::seen::Seen;
use crate::settings;
use crate::settings::bench::Bench;
use crate::store::StoreError;

/// What a signal asks for.
enum Ask {
    /// SIGTERM or SIGINT.
    Stop,
    /// SIGHUP: the configuration is to be read again.
    Reload,
}

pub async fn run(config: Option<PathBuf>, out: &Output) -> Answer {
    super::journal::begin();
    let path = settings::find(config.as_deref()).map_err(Failure::wrong)?;
    let mut signals = Signals::new()?;
    limits::told_if_root();
    let bench = Arc::new(configured(&path)?);
    let events = Events::default();
    let telling = tokio::spawn(tell(events.seen.clone(), events.watch(), out.json));
    tokio::spawn(systemd::watchdog());
    let (mut daemon, mut console) = started(bench, &events).await?;
    let ended = obeys((&mut daemon, &mut console), &path, &mut signals, &events).await;
    systemd::stopping();
    let ended = daemon.stop(ended).await;
    let _ = tokio::time::timeout(std::time::Duration::from_secs(1), telling).await;
    ended?;
    Ok(Exit::Done)
}

/// The configuration as it is now. A file that cannot be read at one moment is no wrong one: who starts this
/// again later may find it.
fn configured(path: &Path) -> Result<Bench, Failure> {
    let unread = |found| Failure { exit: Exit::Unreachable, ..faults(found) };
    let bytes = settings::read(path).map_err(unread)?;
    let loaded = settings::from_bytes(path, bytes).map_err(faults)?;
    let bench = Bench::build(&loaded).map_err(faults)?;
    for caution in &bench.cautions {
        warn!(about = caution.about, "{}", caution.text);
    }
    limits::raised(&bench);
    Ok(bench)
}

/// A daemon that works, with its console as the configuration has it.
pub(super) async fn started(
    bench: Arc<Bench>,
    events: &Events,
) -> Result<(Daemon, Console), StoreError> {
    let mut daemon = Daemon::open(bench.clone(), events.clone()).await?;
    let console = Console::bind(&bench, None).await?;
    daemon.start(console.shown()).await?;
    show(&mut daemon, &console);
    Ok((daemon, console))
}

/// Shows the daemon on this console and to whom its alarms go, and no longer on another.
fn show(daemon: &mut Daemon, console: &Console) {
    let sight = daemon.sight();
    for task in console.tasks(&sight).into_iter().chain(alarm::tasks(&sight)) {
        daemon.beside(task);
    }
}

/// Does what signals ask for until one of them ends it. An error: the store is not safe.
async fn obeys(
    (daemon, console): (&mut Daemon, &mut Console),
    path: &Path,
    signals: &mut Signals,
    events: &Events,
) -> Result<(), StoreError> {
    loop {
        match daemon.until(signals.next()).await? {
            Ask::Stop => return Ok(()),
            Ask::Reload => {
                events.tell(Event::Reloading);
                let renewed = tokio::select! {
                    biased;
                    // What is half renewed can be stopped as well.
                    () = signals.stop() => return Ok(()),
                    renewed = renewed(daemon, console, path) => renewed?,
                };
                if let Err(why) = renewed {
                    events.tell(Event::ConfigurationRefused { why });
                }
            }
        }
    }
}

/// Reads the configuration again and goes on with it, or says why not.
async fn renewed(
    daemon: &mut Daemon,
    console: &mut Console,
    path: &Path,
) -> Result<Result<(), String>, StoreError> {
    let new = match configured(path) {
        Ok(new) => Arc::new(new),
        Err(failure) => {
            error!("the new configuration is not used: {}", failure.text);
            return Ok(Err("the configuration is wrong; the log says where".into()));
        }
    };
    let old = daemon.bench();
    let made_way = console.makes_way(&new).await;
    let renewed = match Console::bind(&new, Some(console)).await {
        Ok(next) => {
            let renewed = daemon.renew(new, next.shown()).await?;
            if renewed.is_ok() {
                show(daemon, &next);
                *console = next;
            }
            renewed
        }
        Err(error) => Err(error.to_string()),
    };
    match &renewed {
        Ok(()) => info!("going on with the configuration as it is now"),
        Err(why) => error!(why, "the new configuration cannot be used: the old one stays"),
    }
    if renewed.is_err() && made_way {
        match Console::bind(&old, Some(console)).await {
            Ok(again) => {
                show(daemon, &again);
                *console = again;
            }
            Err(error) => error!(%error, "the console is not served until the next reload"),
        }
    }
    Ok(renewed)
}

/// How long it is not told that a daemon is ready, until its ledger was told of it.
const NOTED: Duration = Duration::from_secs(3);

/// Tells systemd, and in JSON everybody, what happens and how everything is.
async fn tell(seen: Seen, mut happens: broadcast::Receiver<Event>, json: bool) {
    let (out, mut status) = (Output::new(json), systemd::Status::default());
    let mut changes = seen.changes();
    loop {
        let event = tokio::select! {
            biased;
            event = happens.recv() => event,
            () = changes.next() => {
                status.is(seen.line());
                continue;
            }
        };
        match event {
            Ok(event) => {
                if matches!(event, Event::Ready { .. }) {
                    // Who is told that it is ready, and looks, finds it in the ledger, and not that it was stopped. A
                    // ledger that is away is not waited for.
                    let _ = tokio::time::timeout(NOTED, seen.noted()).await;
                }
                status.told(&event, seen.line());
                if json {
                    let _ = out.document(&event);
                }
                if matches!(event, Event::Stopping) {
                    return;
                }
            }
            Err(broadcast::error::RecvError::Lagged(_)) => {}
            Err(broadcast::error::RecvError::Closed) => return,
        }
    }
}

/// The signals, listened to from the first moment to the last: one that comes while a daemon is being
/// opened or renewed is not lost.
struct Signals {
    term: Signal,
    interrupt: Signal,
    hangup: Signal,
}

impl Signals {
    fn new() -> std::io::Result<Self> {
        let term = signal(SignalKind::terminate())?;
        let (interrupt, hangup) = (signal(SignalKind::interrupt())?, signal(SignalKind::hangup())?);
        Ok(Self { term, interrupt, hangup })
    }

    async fn next(&mut self) -> Ask {
        tokio::select! {
            biased;
            _ = self.term.recv() => Ask::Stop,
            _ = self.interrupt.recv() => Ask::Stop,
            _ = self.hangup.recv() => Ask::Reload,
        }
    }

    async fn stop(&mut self) {
        tokio::select! {
            _ = self.term.recv() => {}
            _ = self.interrupt.recv() => {}
        }
    }
}
