//! Who may connect to the console, how many at once and for how long: nobody who knocks there costs a line, a store or
//! a receiver anything.

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::Request;
use axum::http::{HeaderMap, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tracing::warn;

/// Connections at once. A browser opens six, what gathers metrics one.
const MOST: usize = 64;
/// How long a request's head may take to come.
const HEAD: Duration = Duration::from_secs(5);
/// How long a connection may last in all.
const WHOLE: Duration = Duration::from_secs(30);
/// Bytes of a head at most.
const HEAD_BYTES: usize = 16 * 1024;

/// Serves for ever. Who comes when all places are taken is turned away at once, and told once until one is free.
pub(super) async fn serve(listener: TcpListener, app: Router) {
    let app = app.layer(middleware::from_fn(named));
    let places = Arc::new(Semaphore::new(MOST));
    let mut told = false;
    loop {
        let Ok((stream, peer)) = listener.accept().await else {
            // Out of descriptors, most likely: waiting is all that helps.
            tokio::time::sleep(Duration::from_secs(1)).await;
            continue;
        };
        metrics::counter!("wickline_console_connections_total").increment(1);
        let Ok(place) = places.clone().try_acquire_owned() else {
            metrics::counter!("wickline_console_turned_away_total").increment(1);
            if !std::mem::replace(&mut told, true) {
                warn!(%peer, most = MOST, "the console has no place left: turned away");
            }
            continue;
        };
        told = false;
        tokio::spawn(connection(stream, app.clone(), place));
    }
}

async fn connection(stream: TcpStream, app: Router, _place: OwnedSemaphorePermit) {
    let serving = hyper::server::conn::http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD)
        .max_buf_size(HEAD_BYTES)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(app));
    let _ = tokio::time::timeout(WHOLE, serving).await;
}

/// A page of somebody else, opened on this machine, must not reach the console by a name of its own that points here:
/// the host that a request names is an address or this machine itself.
async fn named(request: Request, next: Next) -> Response {
    if is_here(request.headers()) {
        return next.run(request).await;
    }
    let why = "the host that this request names is neither an address nor localhost\n";
    (StatusCode::MISDIRECTED_REQUEST, why).into_response()
}

fn is_here(headers: &HeaderMap) -> bool {
    let hosts: Vec<_> = headers.get_all(header::HOST).iter().collect();
    let [host] = hosts.as_slice() else { return false };
    let Ok(host) = host.to_str() else { return false };
    let name = match host.strip_prefix('[') {
        Some(six) => six.split(']').next().unwrap_or(""),
        None => host.rsplit_once(':').map_or(host, |(name, _)| name),
    };
    name.eq_ignore_ascii_case("localhost") || name.parse::<std::net::IpAddr>().is_ok()
}
