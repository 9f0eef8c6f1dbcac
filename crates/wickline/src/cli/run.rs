//! `run`: the daemon.

use std::path::PathBuf;
use std::sync::Arc;

use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::broadcast;
use tracing::{error, info};

use super::output::Output;
use super::{Answer, Exit, Failure, bench};
use crate::console::Console;
use crate::daemon::Daemon;
use crate::pipeline::event::{Event, Events};
use crate::settings::bench::Bench;
use crate::store::StoreError;

/// Why the running daemon has to stop.
enum Ask {
    /// SIGTERM or SIGINT.
    Stop,
    /// SIGHUP, and the configuration is good: go on with it.
    Reload(Box<Bench>),
}

pub async fn run(config: Option<PathBuf>, out: &Output) -> Answer {
    log_to_stderr();
    let path = crate::settings::find(config.as_deref()).map_err(Failure::wrong)?;
    let mut signals = Signals::new(path.clone())?;
    let mut bench = Arc::new(bench(Some(path))?);
    let mut before: Option<Arc<Bench>> = None;
    loop {
        let events = Events::default();
        let telling = tokio::spawn(tell(events.watch(), out.json));
        let daemon = match started(bench.clone(), &events).await {
            Ok(daemon) => daemon,
            // What parses may still not open: then what worked a moment ago goes on.
            Err(error) if before.is_some() => {
                error!(%error, "the new configuration cannot be opened: the old one stays");
                events.tell(Event::ConfigurationRefused);
                bench = before.take().unwrap_or(bench);
                continue;
            }
            Err(error) => return Err(error.into()),
        };
        let mut asked = None;
        let ended = daemon.until_stopped(async { asked = Some(signals.next(&events).await) }).await;
        let _ = tokio::time::timeout(std::time::Duration::from_secs(1), telling).await;
        ended?;
        match asked {
            Some(Ask::Reload(new)) => before = Some(std::mem::replace(&mut bench, Arc::new(*new))),
            Some(Ask::Stop) | None => return Ok(Exit::Done),
        }
    }
}

/// A daemon that works, with its console where the configuration has one.
pub(super) async fn started(bench: Arc<Bench>, events: &Events) -> Result<Daemon, StoreError> {
    let mut daemon = Daemon::open(bench.clone(), events.clone()).await?;
    let console = Console::bind(bench.console).await?;
    daemon.start(console.as_ref().and_then(Console::address)).await?;
    if let Some(console) = console {
        let sight = daemon.sight();
        daemon.beside(console.run(sight));
    }
    Ok(daemon)
}

/// Tells systemd, and in JSON everybody, what happens.
async fn tell(mut events: broadcast::Receiver<Event>, json: bool) {
    let out = Output::new(json);
    loop {
        match events.recv().await {
            Ok(event) => {
                notify(&event);
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
/// closed or opened is not lost.
struct Signals {
    path: PathBuf,
    term: Signal,
    interrupt: Signal,
    hangup: Signal,
}

impl Signals {
    fn new(path: PathBuf) -> std::io::Result<Self> {
        let term = signal(SignalKind::terminate())?;
        let (interrupt, hangup) = (signal(SignalKind::interrupt())?, signal(SignalKind::hangup())?);
        Ok(Self { path, term, interrupt, hangup })
    }

    /// Waits for a signal that ends this daemon. A SIGHUP with a wrong configuration changes nothing.
    async fn next(&mut self, events: &Events) -> Ask {
        loop {
            tokio::select! {
                biased;
                _ = self.term.recv() => return Ask::Stop,
                _ = self.interrupt.recv() => return Ask::Stop,
                _ = self.hangup.recv() => match bench(Some(self.path.clone())) {
                    Ok(new) => {
                        info!("the configuration is good: going on with it");
                        return Ask::Reload(Box::new(new));
                    }
                    Err(failure) => {
                        error!("the new configuration is not used: {}", failure.text);
                        events.tell(Event::ConfigurationRefused);
                    }
                }
            }
        }
    }
}

/// Tells systemd, where there is one.
fn notify(event: &Event) {
    let states = match event {
        Event::Ready { .. } => {
            vec![
                sd_notify::NotifyState::Ready,
                sd_notify::NotifyState::Status("hearing and delivering"),
            ]
        }
        Event::Stopping => vec![sd_notify::NotifyState::Stopping],
        _ => return,
    };
    let _ = sd_notify::notify(&states);
}

fn log_to_stderr() {
    use tracing_subscriber::EnvFilter;
    let filter = EnvFilter::try_from_env("WICKLINE_LOG")
        .unwrap_or_else(|_| EnvFilter::new("info,sqlx=error"));
    let _ = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(false)
        .with_target(false)
        .try_init();
}
