//! What the daemon says of itself over HTTP: health, readiness, metrics. No patient data, ever.

mod door;
mod meters;
mod process;

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::IntoResponse;
use axum::routing::get;
use metrics_exporter_prometheus::{PrometheusBuilder, PrometheusHandle};
use tracing::info;

use self::door::Door;
use crate::daemon::{Sight, Task};
use crate::pipeline::event::Shown;
use crate::pulse;
use crate::settings::bench::{Bench, Served};
use crate::store::StoreError;
use crate::store::ledger::Ledger;

/// What is served, each on an address of its own.
pub struct Console {
    doors: Vec<(&'static str, Door)>,
    handle: PrometheusHandle,
}

/// The one recorder of this process: a daemon that reads its configuration again goes on counting.
fn recorder() -> PrometheusHandle {
    static HANDLE: std::sync::OnceLock<PrometheusHandle> = std::sync::OnceLock::new();
    let made = HANDLE.get_or_init(|| {
        let recorder = meters::buckets(PrometheusBuilder::new()).build_recorder();
        let handle = recorder.handle();
        // Somebody else's recorder, in a program that has this library in it, stays.
        let _ = metrics::set_global_recorder(recorder);
        meters::describe();
        process::describe();
        handle
    });
    made.clone()
}

/// What this bench has served, by the table of its configuration.
fn wanted(bench: &Bench) -> impl Iterator<Item = (&'static str, &Served)> {
    let served = [("console", &bench.console), ("watch", &bench.watch)];
    served.into_iter().filter_map(|(name, served)| Some((name, served.as_ref()?)))
}

impl Console {
    /// Binds what the configuration names; where an address stays what it was, the socket stays open.
    pub async fn bind(bench: &Bench, old: Option<&Self>) -> Result<Self, StoreError> {
        let mut doors = Vec::new();
        for (name, served) in wanted(bench) {
            // Port 0 is another one for each.
            let same = |(other, door): &&(&str, Door)| {
                door.listen == served.listen && (*other == name || door.listen.port() != 0)
            };
            let kept = old.and_then(|old| old.doors.iter().find(same));
            let door = Door::open(served, kept.map(|(_, door)| door)).await.map_err(|why| {
                StoreError::Open { what: format!("{name}.listen {}", served.listen), why }
            })?;
            doors.push((name, door));
        }
        Ok(Self { doors, handle: recorder() })
    }

    /// Closes what stands in the way of another configuration: an address can move to others of this machine and keep
    /// its port. True: something was closed.
    pub async fn makes_way(&mut self, bench: &Bench) -> bool {
        let new: Vec<SocketAddr> = wanted(bench).map(|(_, served)| served.listen).collect();
        let bars = |door: &Door| {
            let port = door.listen.port();
            !new.contains(&door.listen) && port != 0 && new.iter().any(|a| a.port() == port)
        };
        let (bar, stay): (Vec<_>, Vec<_>) =
            std::mem::take(&mut self.doors).into_iter().partition(|(_, door)| bars(door));
        self.doors = stay;
        let any = !bar.is_empty();
        for (_, door) in bar {
            door.close().await;
        }
        any
    }

    /// Where it listens.
    #[must_use]
    pub fn shown(&self) -> Shown {
        let of = |wanted: &str| {
            self.doors.iter().find(|(name, _)| *name == wanted).and_then(|(_, door)| door.address())
        };
        Shown { console: of("console"), watch: of("watch") }
    }

    /// What serves until told to stop.
    #[must_use]
    pub fn tasks(&self, sight: &Sight) -> Vec<Task> {
        let app = Router::new()
            .route("/healthz", get(health))
            .route("/readyz", get(ready))
            .route("/metrics", get(numbers))
            .with_state(Arc::new((sight.clone(), self.handle.clone())));
        let mut tasks: Vec<Task> = Vec::new();
        for (name, door) in &self.doors {
            info!(address = door.address(), name, "served");
            tasks.push(sight.until(door.serve(name, app.clone())));
        }
        // Where nobody can ask as well: what is measured is kept all the same.
        tasks.push(sight.until(upkeep(self.handle.clone())));
        tasks
    }
}

/// Sorts what was measured into its steps now and then, also when nobody asks: until then every single
/// figure is kept.
async fn upkeep(handle: PrometheusHandle) {
    loop {
        tokio::time::sleep(Duration::from_secs(10)).await;
        handle.run_upkeep();
    }
}

/// A loop that did not turn for so long hangs: our unit would end it a little later (25 s).
const HANGING: Duration = Duration::from_secs(20);

type Shared = State<Arc<(Sight, PrometheusHandle)>>;

/// The process lives. A full disk is no reason to start it anew.
async fn health() -> impl IntoResponse {
    answer(true, "")
}

/// The tape takes what is heard, the ledger can be worked with, and no line or receiver is down for long.
async fn ready(State(shared): Shared) -> impl IntoResponse {
    let sight = &shared.0;
    if !*sight.tape.borrow() {
        return answer(false, "the tape takes nothing: analyzers are answered with no");
    }
    let ledger = sight.ledger.borrow().clone();
    let why = match ledger {
        Some(ledger) => lacking(&ledger).await,
        None => Some(sight.events.seen.ledger_away().unwrap_or_default()),
    };
    if let Some(why) = why {
        return answer(false, &format!("the ledger is away: lines go on to the tape\n{why}"));
    }
    let longest = sight.bench.borrow().down_longest;
    let down = longest.map(|longest| sight.events.seen.down_for(longest)).unwrap_or_default();
    answer(down.is_empty(), &down.join("\n"))
}

/// Why the ledger cannot be worked with. None: it can.
async fn lacking(ledger: &Ledger) -> Option<String> {
    let asked = async { ledger.receivers().await.map(drop).and(ledger.denied().await) };
    match ledger.within(asked).await {
        Ok(None) => None,
        Ok(Some(tables)) => Some(format!("its role may not write any more: {tables}")),
        Err(error) => Some(error.to_string()),
    }
}

fn answer(good: bool, why: &str) -> (StatusCode, String) {
    if good {
        (StatusCode::OK, "ok\n".into())
    } else {
        (StatusCode::SERVICE_UNAVAILABLE, format!("{why}\n"))
    }
}

async fn numbers(State(shared): Shared) -> impl IntoResponse {
    let (sight, handle) = shared.as_ref();
    let (bench, ledger) = (sight.bench.borrow().clone(), sight.ledger.borrow().clone());
    metrics::gauge!("wickline_ledger_up").set(u8::from(ledger.is_some()));
    metrics::gauge!("wickline_tape_up").set(u8::from(*sight.tape.borrow()));
    if let Some(ledger) = ledger {
        for target in &bench.targets {
            meters::queue(&ledger, target).await;
        }
        for analyzer in &bench.analyzers {
            meters::controls(&ledger, &bench, analyzer).await;
        }
        meters::held(&ledger).await;
    }
    let wrong = meters::wrong(&crate::alarm::looked(sight).await);
    meters::exist(&bench, &sight.events.seen.points());
    metrics::gauge!("wickline_hanging_loops").set(pulse::hanging(HANGING).len() as f64);
    process::read(&bench);
    handle.run_upkeep();
    let page = meters::of_bench(&handle.render(), &bench) + &wrong;
    ([(header::CONTENT_TYPE, "text/plain; version=0.0.4")], page)
}
