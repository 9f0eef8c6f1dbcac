//! `run`: the daemon.

use std::path::PathBuf;

use tokio::sync::broadcast;
use tracing::{error, info};

use super::output::Output;
use super::{Answer, Exit, Failure, bench};
use crate::house::House;
use crate::pipeline::event::{Event, Events};
use crate::settings::bench::Bench;

/// Why the running house has to stop.
enum Ask {
    /// SIGTERM or SIGINT.
    Stop,
    /// SIGHUP, and the configuration is good: go on with it.
    Reload(Box<Bench>),
}

pub async fn run(config: Option<PathBuf>, out: &Output) -> Answer {
    log_to_stderr();
    let path = crate::settings::find(config.as_deref()).map_err(Failure::wrong)?;
    let mut bench = bench(Some(path.clone()))?;
    loop {
        let events = Events::default();
        let telling = tokio::spawn(tell(events.watch(), out.json));
        let mut house = House::open(bench, events.clone()).await?;
        house.start().await?;
        let mut asked = None;
        let asking = async { asked = Some(signals(&path, &events).await) };
        let ended = house.until_stopped(asking).await;
        let _ = tokio::time::timeout(std::time::Duration::from_secs(1), telling).await;
        ended?;
        match asked {
            Some(Ask::Reload(new)) => bench = *new,
            Some(Ask::Stop) | None => return Ok(Exit::Done),
        }
    }
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

/// Waits for a signal that ends this house. A SIGHUP with a wrong configuration changes nothing.
async fn signals(path: &std::path::Path, events: &Events) -> Ask {
    use tokio::signal::unix::{SignalKind, signal};
    let (Ok(mut term), Ok(mut interrupt), Ok(mut hangup)) = (
        signal(SignalKind::terminate()),
        signal(SignalKind::interrupt()),
        signal(SignalKind::hangup()),
    ) else {
        return std::future::pending().await;
    };
    loop {
        tokio::select! {
            _ = term.recv() => return Ask::Stop,
            _ = interrupt.recv() => return Ask::Stop,
            _ = hangup.recv() => match bench(Some(path.to_owned())) {
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
        .unwrap_or_else(|_| EnvFilter::new("info,sqlx=warn"));
    let _ = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(false)
        .with_target(false)
        .try_init();
}
