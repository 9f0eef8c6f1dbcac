//! Carries messages to one receiver: connects when needed, keeps the connection, and keeps as many in
//! flight as it may.
//!
//! After anything but an answer the connection is closed, so that a late answer can never meet another
//! message. Receivers may hang up on a connection that idles, many after each answer. When that crosses
//! messages on their way, with no byte of an answer to them, the same bytes go once more at once.
//!
//! It is a future that may be dropped: all state is in the courier, so that a caller can wait for other things as well
//! and come back. Order is kept: outcomes may come in any order where a window is open, but messages go out as they
//! were offered, and after a failure none of them goes before the caller has offered it again.

use std::collections::VecDeque;
use std::future::{Future, poll_fn};
use std::path::Path;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use std::time::{Duration, Instant};

use tokio::task::JoinHandle;
use tokio::time::{Sleep, sleep_until};

use super::files::{self, Filed};
use super::wire::{self, Way, Wire};
use super::{Address, Limits, Outcome};
use crate::Tick;
use crate::exchange::{Bounds, Event, Exchange};
use crate::verdict::Verdict;

/// Looks at an idle connection before its next use.
const IDLE_READS: usize = 16;

/// One message without an outcome.
struct Parcel {
    key: i64,
    control_id: Arc<str>,
    body: Vec<u8>,
    /// The open connection has it.
    handed: bool,
    /// Some of it went out, on whatever connection.
    sent: bool,
    /// It went once more because the receiver hung up.
    again: bool,
}

type Opening = Pin<Box<dyn Future<Output = Result<(Way, String), String>> + Send>>;

enum Link {
    Closed,
    Opening(Opening),
    Open(Box<Line>),
    Filing(JoinHandle<Vec<(i64, Outcome)>>),
}

/// Carries messages to one receiver.
pub struct Courier {
    /// In this order at every new connection.
    addresses: Vec<Address>,
    limits: Limits,
    parcels: VecDeque<Parcel>,
    outcomes: Vec<(i64, Outcome)>,
    link: Link,
    /// Where the link leads.
    shown: Option<String>,
    /// Why the last connection closed, while its messages wait to go once more.
    hung_up: Option<String>,
    started: Instant,
}

impl Courier {
    /// Sends to the first of the addresses that can be connected to.
    ///
    /// Nothing is connected before the first message is offered, or [`Courier::reach`] is called.
    #[must_use]
    pub fn new(addresses: Vec<Address>, limits: Limits) -> Self {
        Self {
            addresses,
            limits,
            parcels: VecDeque::new(),
            outcomes: Vec::new(),
            link: Link::Closed,
            shown: None,
            hung_up: None,
            started: Instant::now(),
        }
    }

    /// The address that the open connection was made to.
    ///
    /// None: no connection is open.
    #[must_use]
    pub fn connected_to(&self) -> Option<String> {
        matches!(self.link, Link::Open(_) | Link::Filing(_)).then(|| self.shown.clone())?
    }

    /// When the certificate that the receiver showed on the open connection ends, in Unix seconds.
    ///
    /// None: no connection is open, or it is not under TLS.
    #[must_use]
    pub fn peer_certificate_ends(&self) -> Option<i64> {
        match &self.link {
            Link::Open(line) => line.wire.ends,
            _ => None,
        }
    }

    /// True when another message may be offered.
    ///
    /// As many as the window allows, a folder no less than a connection.
    #[must_use]
    pub fn can_take(&self) -> bool {
        self.parcels.len() < self.limits.most()
    }

    /// Messages offered that have no outcome yet.
    #[must_use]
    pub fn in_flight(&self) -> usize {
        self.parcels.len()
    }

    /// Takes a message; [`Courier::next`] sends it. `key` comes back with its outcome.
    ///
    /// Call it only when [`Courier::can_take`] says so. `control_id` is the one in the message's
    /// MSH-10: answers are known by it.
    pub fn offer(&mut self, key: i64, control_id: &str, message: Vec<u8>) {
        let control_id = control_id.into();
        let parcel =
            Parcel { key, control_id, body: message, handed: false, sent: false, again: false };
        self.parcels.push_back(parcel);
    }

    /// Sends what was offered and waits until something offered has an outcome; tells all there are.
    /// After [`Outcome::Unanswered`] and [`Outcome::NotConnected`] everything in flight has one.
    ///
    /// May be dropped while waiting: nothing is lost, the next call goes on. Without a message in
    /// flight it waits for ever, and notices if the receiver hangs up.
    pub async fn next(&mut self) -> Vec<(i64, Outcome)> {
        poll_fn(|cx| self.poll_next(cx)).await
    }

    /// No connection is open, and none is being made.
    #[must_use]
    pub fn is_closed(&self) -> bool {
        matches!(self.link, Link::Closed)
    }

    /// A connection is being made.
    #[must_use]
    pub fn is_opening(&self) -> bool {
        matches!(self.link, Link::Opening(_))
    }

    /// Makes a connection before there is a message, and keeps it. A folder is none.
    ///
    /// May be dropped while waiting: the next message goes on with it.
    pub async fn reach(&mut self) -> Result<(), String> {
        poll_fn(|cx| {
            loop {
                match &mut self.link {
                    Link::Open(_) | Link::Filing(_) => return Poll::Ready(Ok(())),
                    Link::Closed => {
                        let opening = wire::first_open(self.addresses.clone(), self.limits.clone());
                        self.link = Link::Opening(Box::pin(opening));
                    }
                    Link::Opening(opening) => {
                        let opened = ready!(opening.as_mut().poll(cx));
                        self.link = Link::Closed;
                        match opened {
                            Err(why) => return Poll::Ready(Err(why)),
                            Ok((Way::Folder(_), _)) => return Poll::Ready(Ok(())),
                            Ok(wire) => self.opened(Ok(wire)),
                        }
                    }
                }
            }
        })
        .await
    }

    /// Waits until the receiver hangs up on a connection on which nothing is in flight; for ever where none is open.
    /// May be dropped while waiting.
    pub async fn lost(&mut self) {
        let started = self.started;
        poll_fn(|cx| {
            let Link::Open(line) = &mut self.link else { return Poll::Pending };
            if !line.exchange.is_idle() || !line.is_gone(cx, started) {
                return Poll::Pending;
            }
            self.link = Link::Closed;
            Poll::Ready(())
        })
        .await;
    }

    /// Gives everything up and drops the connection.
    ///
    /// Each message in flight comes back as unanswered, or as not connected where no byte of it went
    /// out.
    pub fn close(&mut self) -> Vec<(i64, Outcome)> {
        self.give_up("given up before the answer came");
        std::mem::take(&mut self.outcomes)
    }

    fn poll_next(&mut self, cx: &mut Context<'_>) -> Poll<Vec<(i64, Outcome)>> {
        loop {
            if !self.outcomes.is_empty() {
                return Poll::Ready(std::mem::take(&mut self.outcomes));
            }
            match &mut self.link {
                Link::Closed if self.parcels.is_empty() => return Poll::Pending,
                Link::Closed => {
                    let opening = wire::first_open(self.addresses.clone(), self.limits.clone());
                    self.link = Link::Opening(Box::pin(opening));
                }
                Link::Opening(opening) => {
                    let opened = ready!(opening.as_mut().poll(cx));
                    self.opened(opened);
                }
                Link::Filing(filing) => {
                    // A folder is not kept: another address may be there again.
                    let filed = ready!(Pin::new(filing).poll(cx));
                    self.link = Link::Closed;
                    match filed {
                        Ok(filed) => self.filed(filed),
                        Err(error) => self.give_up(&error.to_string()),
                    }
                }
                Link::Open(_) => ready!(self.poll_line(cx)),
            }
        }
    }

    fn opened(&mut self, opened: Result<(Way, String), String>) {
        self.link = Link::Closed;
        let (way, shown) = match opened {
            Ok(opened) => opened,
            Err(why) => {
                // What was sent before may have arrived.
                let why = match self.hung_up.take() {
                    Some(before) => format!("{before}; then {why}"),
                    None => why,
                };
                return self.give_up(&why);
            }
        };
        self.shown = Some(shown);
        self.hung_up = None;
        match way {
            Way::Wire(wire) => self.link = Link::Open(Box::new(Line::new(*wire, self.bounds()))),
            Way::Folder(folder) => {
                let all: Vec<_> = self
                    .parcels
                    .iter_mut()
                    .map(|p| {
                        p.sent = true;
                        (p.key, p.control_id.clone(), p.body.clone())
                    })
                    .collect();
                let filing = tokio::task::spawn_blocking(move || file(&folder, all));
                self.link = Link::Filing(filing);
            }
        }
    }

    /// What was offered meanwhile must not pass what could not be written.
    fn filed(&mut self, filed: Vec<(i64, Outcome)>) {
        let fault = match filed.last() {
            Some((_, Outcome::NotConnected { why })) => Some(why.clone()),
            _ => None,
        };
        filed.into_iter().for_each(|(key, outcome)| self.settle(key, outcome));
        if let Some(why) = fault {
            self.give_up(&why);
        }
    }

    fn bounds(&self) -> Bounds {
        Bounds {
            window: self.limits.most(),
            ack_timeout: Tick::try_from(self.limits.ack_timeout.as_micros()).unwrap_or(Tick::MAX),
            answer_cap: self.limits.answer_cap,
            application: self.limits.application,
            release: self.limits.release,
        }
    }

    /// Ready when there are outcomes or the connection is closed.
    fn poll_line(&mut self, cx: &mut Context<'_>) -> Poll<()> {
        let Link::Open(line) = &mut self.link else { return Poll::Ready(()) };
        if line.exchange.is_idle() && line.is_gone(cx, self.started) {
            self.link = Link::Closed;
            return Poll::Ready(());
        }
        if line.broken.is_none() {
            let now = tick(self.started);
            for parcel in self.parcels.iter_mut().filter(|p| !p.handed) {
                if !line.exchange.can_take() {
                    break;
                }
                line.exchange.offer(now, parcel.key, &parcel.control_id, &parcel.body);
                parcel.handed = true;
            }
        }
        if let Some(why) = ready!(line.poll_exchange(cx, self.started)) {
            self.closed(&why);
            return Poll::Ready(());
        }
        while let Some(event) = self.event() {
            self.told(event);
        }
        if matches!(&self.link, Link::Open(line) if line.exchange.is_over()) {
            self.give_up("the connection was given up");
        }
        Poll::Ready(())
    }

    fn event(&mut self) -> Option<Event> {
        match &mut self.link {
            Link::Open(line) => line.exchange.poll_event(),
            _ => None,
        }
    }

    fn told(&mut self, event: Event) {
        match event {
            Event::Settled { key, verdict, answer } => {
                self.settle(key, Outcome::Settled { verdict, answer });
            }
            Event::Unanswered { key, begun, why } => {
                let sent = begun || self.parcels.iter().any(|p| p.key == key && p.sent);
                self.settle(key, unsettled(sent, why));
            }
            Event::Noise { what } => {
                let receiver = self.shown.as_deref().unwrap_or_default();
                tracing::debug!(receiver, what, "passed over");
            }
        }
    }

    fn settle(&mut self, key: i64, outcome: Outcome) {
        if let Some(place) = self.parcels.iter().position(|p| p.key == key) {
            self.parcels.remove(place);
            self.outcomes.push((key, outcome));
        }
    }

    /// The receiver hung up.
    fn closed(&mut self, why: &str) {
        let again = match &self.link {
            Link::Open(line) => line.exchange.is_kept_and_silent(),
            _ => false,
        } && self.parcels.iter().all(|p| !p.again);
        if !again {
            return self.give_up(why);
        }
        self.end_line(why, |courier, event| match event {
            Event::Unanswered { key, begun, .. } => {
                let parcel = courier.parcels.iter_mut().find(|p| p.key == key);
                if let Some(parcel) = parcel.filter(|_| begun) {
                    (parcel.sent, parcel.again) = (true, true);
                }
            }
            event => courier.told(event),
        });
        self.parcels.iter_mut().for_each(|p| p.handed = false);
        self.hung_up = Some(why.to_owned());
    }

    /// Nothing keeps waiting: everything offered gets its outcome.
    fn give_up(&mut self, why: &str) {
        self.end_line(why, Self::told);
        self.hung_up = None;
        for parcel in std::mem::take(&mut self.parcels) {
            self.outcomes.push((parcel.key, unsettled(parcel.sent, why.to_owned())));
        }
    }

    fn end_line(&mut self, why: &str, mut told: impl FnMut(&mut Self, Event)) {
        let Link::Open(mut line) = std::mem::replace(&mut self.link, Link::Closed) else { return };
        line.exchange.handle_closed(why);
        while let Some(event) = line.exchange.poll_event() {
            told(self, event);
        }
    }
}

fn unsettled(sent: bool, why: String) -> Outcome {
    if sent { Outcome::Unanswered { why } } else { Outcome::NotConnected { why } }
}

fn tick(started: Instant) -> Tick {
    Tick::try_from(started.elapsed().as_micros()).unwrap_or(Tick::MAX)
}

/// One connection and what is in flight on it.
struct Line {
    wire: Wire,
    exchange: Exchange,
    /// Why nothing more can be written, while what the receiver had said is still read.
    broken: Option<String>,
    timer: Option<Pin<Box<Sleep>>>,
    /// When the timer rings: never later than it must, often earlier.
    rings: Tick,
}

impl Line {
    fn new(wire: Wire, bounds: Bounds) -> Self {
        let exchange = Exchange::new(bounds);
        Self { wire, exchange, broken: None, timer: None, rings: Tick::MAX }
    }

    /// A peer may close an idle connection at any time: noticed here, that is no failure.
    fn is_gone(&mut self, cx: &mut Context<'_>, started: Instant) -> bool {
        if self.broken.is_some() {
            return true;
        }
        // A peer that talks without end keeps nothing waiting.
        for _ in 0..IDLE_READS {
            match self.wire.poll_read(cx) {
                Poll::Pending => break,
                Poll::Ready(Ok(bytes)) if !bytes.is_empty() => {
                    self.exchange.handle_input(tick(started), bytes);
                }
                Poll::Ready(_) => return true,
            }
        }
        while self.exchange.poll_event().is_some() {}
        self.exchange.is_over()
    }

    /// Writes and reads as far as it goes. Ready: with why the connection is closed, or without, when
    /// something may have happened.
    fn poll_exchange(&mut self, cx: &mut Context<'_>, started: Instant) -> Poll<Option<String>> {
        loop {
            self.write(cx);
            match self.wire.poll_read(cx) {
                Poll::Ready(Ok(bytes)) if !bytes.is_empty() => {
                    self.exchange.handle_input(tick(started), bytes);
                    // An answer may have to be confirmed at once.
                    self.write(cx);
                    if self.exchange.has_event() {
                        return Poll::Ready(None);
                    }
                }
                Poll::Ready(Ok(_)) => {
                    let why = self.broken.take();
                    let why = why.unwrap_or_else(|| "the receiver closed the connection".into());
                    return Poll::Ready(Some(why));
                }
                Poll::Ready(Err(error)) => {
                    let why = self.broken.take();
                    return Poll::Ready(Some(why.unwrap_or_else(|| self.wire.in_words(&error))));
                }
                Poll::Pending => break,
            }
        }
        self.poll_timer(cx, started).map(|()| None)
    }

    /// Ready when something's time was up.
    fn poll_timer(&mut self, cx: &mut Context<'_>, started: Instant) -> Poll<()> {
        loop {
            let Some(deadline) = self.exchange.poll_timeout() else { return Poll::Pending };
            let after = Duration::from_micros(u64::try_from(deadline).unwrap_or(0));
            let Some(at) = started.checked_add(after) else { return Poll::Pending };
            let timer = self.timer.get_or_insert_with(|| Box::pin(sleep_until(at.into())));
            if self.rings > deadline || timer.is_elapsed() {
                timer.as_mut().reset(at.into());
                self.rings = deadline;
            }
            ready!(timer.as_mut().poll(cx));
            self.exchange.handle_timeout(tick(started));
            if self.exchange.has_event() {
                return Poll::Ready(());
            }
        }
    }

    fn write(&mut self, cx: &mut Context<'_>) {
        while self.broken.is_none() && !self.exchange.unsent().is_empty() {
            match self.wire.poll_write(cx, self.exchange.unsent()) {
                Poll::Ready(Ok(0)) => self.broken = Some("while sending: nothing is taken".into()),
                Poll::Ready(Ok(count)) => self.exchange.handle_sent(count),
                Poll::Ready(Err(error)) => self.broken = Some(self.failed(&error)),
                Poll::Pending => break,
            }
        }
        if self.broken.is_none()
            && let Poll::Ready(Err(error)) = self.wire.poll_flush(cx)
        {
            self.broken = Some(self.failed(&error));
        }
    }

    fn failed(&self, error: &std::io::Error) -> String {
        format!("while sending: {}", self.wire.in_words(error))
    }
}

/// Writes messages into a folder in their order; after one that cannot be written, none.
fn file(folder: &Path, all: Vec<(i64, Arc<str>, Vec<u8>)>) -> Vec<(i64, Outcome)> {
    let mut fault = None;
    let mut one = |control_id: &str, message: &[u8]| {
        let settled = |verdict| Outcome::Settled { verdict, answer: Vec::new() };
        if fault.is_none() {
            match files::write(folder, control_id, message) {
                Ok(Filed::Written) => return settled(Verdict::Accepted),
                Ok(Filed::Taken) => {
                    let there = format!("{}/{control_id}.hl7", folder.display());
                    let detail =
                        format!("{there} is there and says something else; it was not touched");
                    return settled(Verdict::RefusedError { detail });
                }
                Err(error) => fault = Some(format!("{}: {error}", folder.display())),
            }
        }
        Outcome::NotConnected { why: fault.clone().unwrap_or_default() }
    };
    all.into_iter().map(|(key, id, body)| (key, one(&id, &body))).collect()
}
