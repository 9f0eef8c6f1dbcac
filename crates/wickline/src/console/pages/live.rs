//! What tells an open page that something changed: server-sent events without anything of a patient in them.

use std::collections::BTreeMap;
use std::convert::Infallible;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use http_body::Frame as Piece;
use tokio::sync::{mpsc, watch};

use crate::clock;
use crate::console::frame;
use crate::console::here::{Here, Site};

/// Streams at once, of the whole daemon: beyond that a page asks now and then.
const MOST: usize = 64;
/// How often the ledger is looked at, and how often at least something is said.
const LOOK: Duration = Duration::from_millis(500);
const BEAT: Duration = Duration::from_secs(5);

/// And of one session: a browser's tabs share one.
const OWN: usize = 2;

/// Who has how many, by session.
static HAVE: Mutex<BTreeMap<String, usize>> = Mutex::new(BTreeMap::new());

/// A place among those who are told; given back with the stream.
struct Place(String);

impl Place {
    /// None: all are taken, of this session or of the daemon.
    fn take(mark: &str) -> Option<Self> {
        let mut have = HAVE.lock().unwrap_or_else(PoisonError::into_inner);
        let all: usize = have.values().sum();
        let own = have.get(mark).copied().unwrap_or(0);
        if all >= MOST || own >= OWN {
            return None;
        }
        have.insert(mark.to_owned(), own + 1);
        Some(Self(mark.to_owned()))
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut have = HAVE.lock().unwrap_or_else(PoisonError::into_inner);
        match have.get_mut(&self.0) {
            Some(own) if *own > 1 => *own -= 1,
            _ => drop(have.remove(&self.0)),
        }
    }
}

/// A stream that ends when the browser goes.
struct Stream {
    pieces: mpsc::Receiver<Bytes>,
    _place: Place,
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
        if site.stir.receiver_count() == 0 && !site.memory.is_looked_at() {
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
    // Answered so, a browser does not ask again by itself (HTML, 9.2.3): its page asks for the beat.
    let Some(place) = Place::take(&here.session.mark) else {
        return StatusCode::NO_CONTENT.into_response();
    };
    here.way.stay();
    let (tell, pieces) = mpsc::channel(4);
    tokio::spawn(told(here, tell));
    let body = Body::new(Stream { pieces, _place: place });
    ([(header::CONTENT_TYPE, "text/event-stream")], body).into_response()
}

/// `GET /beat`: how often something changed, and the time. For pages without a stream, and for who stays.
pub async fn beat(here: Here) -> Response {
    here.site.memory.looks();
    let count = *here.site.stir.borrow();
    format!("{count} {}", frame::time(&here.bench, clock::now_us())).into_response()
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
