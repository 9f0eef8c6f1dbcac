//! `run`: the daemon.

use std::path::PathBuf;

use super::output::Output;
use super::{Answer, Exit, Failure, bench};
use crate::house::House;
use crate::pipeline::event::{Event, Events};

pub async fn run(config: Option<PathBuf>, out: &Output) -> Answer {
    log_to_stderr();
    let path = crate::settings::find(config.as_deref()).map_err(Failure::wrong)?;
    let bench = bench(Some(path))?;
    let events = Events::default();
    let mut watch = events.watch();
    let mut house = House::open(bench, events).await?;
    let json = out.json;
    let printing = tokio::spawn(async move {
        let out = Output::new(json);
        loop {
            match watch.recv().await {
                Ok(event) => {
                    notify(&event);
                    if json {
                        let _ = out.document(&event);
                    }
                    if matches!(event, Event::Stopping) {
                        return;
                    }
                }
                Err(tokio::sync::broadcast::error::RecvError::Lagged(_)) => {}
                Err(tokio::sync::broadcast::error::RecvError::Closed) => return,
            }
        }
    });
    house.start().await?;
    let ended = house.until_stopped(signals()).await;
    let _ = tokio::time::timeout(std::time::Duration::from_secs(1), printing).await;
    ended.map(|()| Exit::Done).map_err(Failure::from)
}

/// Resolves at SIGTERM or SIGINT.
async fn signals() {
    use tokio::signal::unix::{SignalKind, signal};
    let (Ok(mut term), Ok(mut interrupt)) =
        (signal(SignalKind::terminate()), signal(SignalKind::interrupt()))
    else {
        return std::future::pending().await;
    };
    tokio::select! {
        _ = term.recv() => {}
        _ = interrupt.recv() => {}
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
