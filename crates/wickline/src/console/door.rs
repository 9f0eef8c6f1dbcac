//! Who may connect to what is served, how many at once and for how long: nobody who knocks there costs a line, a store
//! or a receiver anything.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use axum::extract::Request;
use axum::http::{HeaderMap, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::{Extension, Router};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};
use tracing::warn;
use wickline_forward::deliver::Secured;

use crate::settings::bench::{PLACES, Served};

/// How long a request's head may take to come.
const HEAD: Duration = Duration::from_secs(5);
/// How long a connection may last in all: what was asked by then is still answered, within the rest.
const WHOLE: Duration = Duration::from_secs(30);
const REST: Duration = Duration::from_secs(5);
/// The same for one on which somebody who signed in is told what changes.
const STAYS: Duration = Duration::from_secs(3600);
/// Bytes of a head at most.
const HEAD_BYTES: usize = 16 * 1024;

/// An address that is listened on, and whom it opens to. All that is served passes here.
pub(super) struct Door {
    /// As it is configured.
    pub listen: SocketAddr,
    socket: Arc<TcpListener>,
    places: Arc<Semaphore>,
    guard: Guard,
    /// Told to stop; whoever serves has the other end.
    stop: watch::Sender<bool>,
}

/// How a request came in.
#[derive(Clone)]
pub(super) struct Way {
    /// Closed by TLS, here or before it gets here.
    pub closed: bool,
    /// Who asks; behind a proxy whom that names.
    pub peer: IpAddr,
    stays: Arc<AtomicBool>,
}

impl Way {
    /// The connection may last longer than others.
    pub fn stay(&self) {
        self.stays.store(true, Ordering::Relaxed);
    }
}

/// Who may come in, and how.
#[derive(Clone)]
struct Guard {
    tls: Option<Secured>,
    only: Option<IpAddr>,
    /// The names that it goes by. Empty: as the way is closed.
    hosts: Arc<[String]>,
}

impl Guard {
    /// Whether the way is closed by TLS, here or before it gets here: then whoever asks has made sure of our name.
    fn is_named_by_tls(&self) -> bool {
        self.tls.is_some() || self.only.is_some()
    }
}

impl Door {
    /// Listens; on the socket of a door that has this address already, if there is one. The files of TLS are read anew.
    pub async fn open(served: &Served, kept: Option<&Self>) -> Result<Self, String> {
        let tls = served.tls.as_ref().map(|tls| tls.open("http/1.1")).transpose()?;
        let (socket, places) = match kept {
            Some(kept) => (kept.socket.clone(), kept.places.clone()),
            None => {
                let socket = TcpListener::bind(served.listen).await.map_err(|e| e.to_string())?;
                let most = usize::try_from(PLACES).unwrap_or(Semaphore::MAX_PERMITS);
                (Arc::new(socket), Arc::new(Semaphore::new(most)))
            }
        };
        let guard = Guard { tls, only: served.only, hosts: served.hosts.clone().into() };
        Ok(Self { listen: served.listen, socket, places, guard, stop: watch::channel(false).0 })
    }

    pub fn address(&self) -> Option<String> {
        self.socket.local_addr().ok().map(|address| address.to_string())
    }

    /// Listens no longer.
    pub async fn close(self) {
        drop(self.socket);
        self.stop.send_replace(true);
        self.stop.closed().await;
    }

    /// Serves until it is closed.
    pub fn serve(&self, name: &'static str, app: Router) -> impl Future<Output = ()> + use<> {
        let mut stop = self.stop.subscribe();
        let serving =
            serve(self.socket.clone(), self.places.clone(), self.guard.clone(), name, app);
        async move {
            tokio::select! {
                () = serving => {}
                () = crate::pipeline::stopped(&mut stop) => {}
            }
        }
    }
}

/// Serves for ever. Who comes when all places are taken, or may not come, is turned away at once, and told once until
/// somebody comes in.
async fn serve(
    socket: Arc<TcpListener>,
    places: Arc<Semaphore>,
    guard: Guard,
    name: &'static str,
    app: Router,
) {
    let closed = guard.is_named_by_tls();
    let proxied = guard.only.is_some();
    let hosts = guard.hosts.clone();
    let app = app.layer(middleware::from_fn(move |request, next| {
        named(closed, proxied, hosts.clone(), request, next)
    }));
    let mut told = false;
    loop {
        let Ok((stream, peer)) = socket.accept().await else {
            // Out of descriptors, most likely: waiting is all that helps.
            tokio::time::sleep(Duration::from_secs(1)).await;
            continue;
        };
        metrics::counter!("wickline_console_connections_total").increment(1);
        let mut turn_away = |why: &str| {
            metrics::counter!("wickline_console_turned_away_total").increment(1);
            if !std::mem::replace(&mut told, true) {
                warn!(name, %peer, why, "turned away");
            }
        };
        if guard.only.is_some_and(|only| peer.ip().to_canonical() != only) {
            turn_away("it is not console.proxy");
            continue;
        }
        let Ok(place) = places.clone().try_acquire_owned() else {
            turn_away("all places are taken");
            continue;
        };
        told = false;
        let stays = Arc::new(AtomicBool::new(false));
        let way = Way { closed, peer: peer.ip().to_canonical(), stays };
        tokio::spawn(connection(stream, guard.tls.clone(), app.clone(), way, place));
    }
}

async fn connection(
    stream: TcpStream,
    tls: Option<Secured>,
    app: Router,
    way: Way,
    _place: OwnedSemaphorePermit,
) {
    let stays = way.stays.clone();
    let app = app.layer(Extension(way));
    let whole = async {
        let Some(tls) = tls else { return http(stream, app, &stays).await };
        if let Ok(Ok(stream)) = tokio::time::timeout(HEAD, tls.accept(stream)).await {
            http(stream, app, &stays).await;
        }
    };
    let _ = tokio::time::timeout(STAYS, whole).await;
}

async fn http(
    stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
    app: Router,
    stays: &AtomicBool,
) {
    let serving = hyper::server::conn::http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD)
        .max_buf_size(HEAD_BYTES)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(app));
    let mut serving = std::pin::pin!(serving);
    if tokio::time::timeout(WHOLE - REST, serving.as_mut()).await.is_ok() {
        return;
    }
    if stays.load(Ordering::Relaxed) {
        let _ = serving.await;
        return;
    }
    serving.as_mut().graceful_shutdown();
    let _ = tokio::time::timeout(REST, serving).await;
}

/// A page of somebody else, opened on this machine, must not reach us by a name of its own that points here: the host
/// that a request names is an address, this machine itself or a name that is configured. Where TLS closes the way and
/// none is configured the certificate says who we are.
async fn named(
    closed: bool,
    proxied: bool,
    hosts: Arc<[String]>,
    mut request: Request,
    next: Next,
) -> Response {
    if is_ours(request.headers(), closed, &hosts) {
        let from = proxied.then(|| forwarded(request.headers())).flatten();
        if let (Some(from), Some(way)) = (from, request.extensions_mut().get_mut::<Way>()) {
            way.peer = from;
        }
        return next.run(request).await;
    }
    let why = "the host that this request names is neither an address nor localhost nor one of console.hosts\n";
    (StatusCode::MISDIRECTED_REQUEST, why).into_response()
}

/// Whom the proxy names as the one who asked it: the last address, for those before it are what it was told.
fn forwarded(headers: &HeaderMap) -> Option<IpAddr> {
    let last = headers.get_all("x-forwarded-for").iter().next_back()?.to_str().ok()?;
    last.rsplit(',').next()?.trim().parse::<IpAddr>().ok().map(|ip| ip.to_canonical())
}

fn is_ours(headers: &HeaderMap, closed: bool, known: &[String]) -> bool {
    let hosts: Vec<_> = headers.get_all(header::HOST).iter().collect();
    let [host] = hosts.as_slice() else { return false };
    let Ok(host) = host.to_str() else { return false };
    let name = match host.strip_prefix('[') {
        Some(six) => six.split(']').next().unwrap_or(""),
        None => host.rsplit_once(':').map_or(host, |(name, _)| name),
    };
    let plain = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'.');
    if closed && known.is_empty() && !name.is_empty() && name.bytes().all(plain) {
        return true;
    }
    if known.iter().any(|one| one.eq_ignore_ascii_case(name)) {
        return true;
    }
    name.eq_ignore_ascii_case("localhost") || name.parse::<std::net::IpAddr>().is_ok()
}
