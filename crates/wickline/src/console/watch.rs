//! What the daemon says of itself: health, readiness, metrics. No patient data, ever.

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::IntoResponse;
use axum::routing::get;
use metrics_exporter_prometheus::PrometheusHandle;

use super::{meters, process};
use crate::daemon::Sight;
use crate::pulse;
use crate::store::ledger::Ledger;

/// What may be asked.
pub(super) fn routes(sight: &Sight, handle: &PrometheusHandle) -> Router {
    Router::new()
        .route("/healthz", get(health))
        .route("/readyz", get(ready))
        .route("/metrics", get(numbers))
        .with_state(Arc::new((sight.clone(), handle.clone())))
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
