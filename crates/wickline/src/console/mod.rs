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
use tokio::net::TcpListener;
use tracing::info;

use crate::daemon::Sight;
use crate::store::StoreError;
use crate::store::ledger::Ledger;

/// The console, listening.
pub struct Console {
    listener: TcpListener,
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

impl Console {
    /// Binds the address. None: it is turned off.
    pub async fn bind(address: Option<SocketAddr>) -> Result<Option<Self>, StoreError> {
        let Some(address) = address else { return Ok(None) };
        let listener = TcpListener::bind(address).await.map_err(|e| StoreError::Open {
            what: format!("console.listen {address}"),
            why: e.to_string(),
        })?;
        Ok(Some(Self { listener, handle: recorder() }))
    }

    /// Where it listens.
    #[must_use]
    pub fn address(&self) -> Option<String> {
        self.listener.local_addr().ok().map(|a| a.to_string())
    }

    /// Serves until told to stop.
    pub async fn run(self, sight: Sight) {
        let mut stop = sight.stop.clone();
        let app = Router::new()
            .route("/healthz", get(health))
            .route("/readyz", get(ready))
            .route("/metrics", get(numbers))
            .with_state(Arc::new((sight, self.handle.clone())));
        info!(address = self.listener.local_addr().ok().map(|a| a.to_string()), "console");
        let handle = self.handle.clone();
        tokio::select! {
            () = door::serve(self.listener, app) => {}
            () = upkeep(handle) => {}
            () = crate::pipeline::stopped(&mut stop) => {}
        }
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
        None => Some(sight.seen.ledger_away().unwrap_or_default()),
    };
    if let Some(why) = why {
        return answer(false, &format!("the ledger is away: lines go on to the tape\n{why}"));
    }
    let longest = sight.bench.borrow().down_longest;
    let down = longest.map(|longest| sight.seen.down_for(longest)).unwrap_or_default();
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
    process::read(&bench);
    handle.run_upkeep();
    let page = meters::of_bench(&handle.render(), &bench);
    ([(header::CONTENT_TYPE, "text/plain; version=0.0.4")], page)
}
