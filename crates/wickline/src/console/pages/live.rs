//! What tells an open page that something changed: server-sent events without anything of a patient in them.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use http_body::Frame as Piece;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc, watch};

use crate::clock;
use crate::console::frame;
use crate::console::here::{Here, Site};

/// Streams at once, of the whole daemon: beyond that a page asks now and then.
const MOST: usize = 64;
/// How often the ledger is looked at, and how often at least something is said.
const LOOK: Duration = Duration::from_millis(500);
const BEAT: Duration = Duration::from_secs(5);

static PLACES: std::sync::OnceLock<Arc<Semaphore>> = std::sync::OnceLock::new();

/// A stream that ends when the browser goes.
struct Stream {
    pieces: mpsc::Receiver<Bytes>,
    _place: OwnedSemaphorePermit,
}

impl http_body::Body for Stream {
    type Data = Bytes;
    type Error = Infallible;

    fn poll_frame(
        mut self: std::pin::Pin<&mut Self>,
        cx: &mut std::task::Context<'_>,
    ) -> std::task::Poll<Option<Result<Piece<Bytes>, Infallible>>> {
        self.pieces.poll_recv(cx).map(|piece| piece.map(|bytes| Ok(Piece::data(bytes))))
    }
}

/// What the pages are told: grows whenever something changed.
pub type Stir = watch::Sender<u64>;

/// Looks whether something changed, as long as somebody is told.
pub async fn look(site: Arc<Site>) {
    let mut before = String::new();
    loop {
        tokio::time::sleep(LOOK).await;
        if site.stir.receiver_count() == 0 {
            continue;
        }
        let now = state(&site).await.unwrap_or_default();
        if now != before {
            before = now;
            site.stir.send_modify(|n| *n += 1);
        }
    }
}

/// What stands at the ends of what the pages show. None: it cannot be known just now.
async fn state(site: &Site) -> Option<String> {
    let ledger = site.sight.ledger.borrow().clone()?;
    let receivers: Vec<String> = site.bench().targets.iter().map(|t| t.id.clone()).collect();
    ledger.within(ledger.stirred(&receivers)).await.ok()
}

/// `GET /events`
pub async fn events(here: Here) -> Response {
    let places = PLACES.get_or_init(|| Arc::new(Semaphore::new(MOST))).clone();
    // Answered so, a browser does not ask again by itself (HTML, 9.2.3).
    let Ok(place) = places.try_acquire_owned() else {
        return StatusCode::NO_CONTENT.into_response();
    };
    here.way.stay();
    let (tell, pieces) = mpsc::channel(4);
    tokio::spawn(told(here, tell));
    let body = Body::new(Stream { pieces, _place: place });
    ([(header::CONTENT_TYPE, "text/event-stream")], body).into_response()
}

/// Says what changed as long as somebody hears it and is signed in.
async fn told(here: Here, tell: mpsc::Sender<Bytes>) {
    let mut stir = here.site.stir.subscribe();
    stir.mark_unchanged();
    loop {
        let event = tokio::select! {
            changed = stir.changed() => match changed {
                Ok(()) => "changed",
                Err(_) => return,
            },
            () = tokio::time::sleep(BEAT) => "beat",
            () = tell.closed() => return,
        };
        if !here.is_still_there().await {
            return;
        }
        let time = frame::time(&here.bench, clock::now_us());
        let text = format!("event: {event}\ndata: {time}\n\n");
        if tell.send(Bytes::from(text)).await.is_err() {
            return;
        }
    }
}
