//! A source of orders at its door: who may connect, one message after the other, and an answer only once what it says
//! is kept. What comes is hostile: bounded in size, in time and in number, never shown.

use std::sync::{Arc, Mutex, PoisonError, Weak};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Notify, watch};
use tokio::task::JoinSet;
use tokio::time::{Instant, timeout};
use tracing::{info, warn};
use wickline_forward::deliver::{Secured, no_tls};
use wickline_forward::mllp::{self, frame};

use super::event::{Event, Events};
use crate::acts::ordering::Heard;
use crate::settings::bench::{Bench, Source};
use crate::store::StoreError;
use crate::store::ledger::Ledger;

/// Connections of one source at a time.
pub const CONNECTIONS: usize = 4;
/// What is told of the source while all of them are in use and another one is turned away.
const FULL: &str = "all 4 of its connections are in use and another was turned away: have its LIS close those that \
                    it does not use";
/// How long TLS may take to be agreed on, and an answer to be taken.
const SHORT: Duration = Duration::from_secs(10);
/// How long a message may take from its first byte to its last.
const WHOLE: Duration = Duration::from_secs(30);
/// How long a connection may say nothing.
const IDLE: Duration = Duration::from_secs(600);
/// How long a connection must have said nothing before it makes room for a new one.
const MAKES_ROOM: Duration = Duration::from_secs(30);
/// How long between two tries to listen.
const AGAIN: Duration = Duration::from_secs(2);
/// How often it is looked whether too many orders wait.
const COUNTED: Duration = Duration::from_secs(5);
/// How often it is told at most who was turned away.
const TOLD: Duration = Duration::from_secs(10);
/// How often orders expire, and held reports are judged by orders that others took in.
const TIDY: Duration = Duration::from_secs(20);

/// What listening to one source needs.
#[derive(Clone)]
pub struct Listening {
    pub ledger: Ledger,
    pub bench: Arc<Bench>,
    pub source: Arc<Source>,
    pub events: Events,
    /// Whoever delivers is told when a report goes because its order came.
    pub wakes: Vec<Arc<Notify>>,
    pub stop: watch::Receiver<bool>,
    pub turned: Turned,
}

/// Who was turned away, and what of that was told.
#[derive(Clone, Default)]
pub struct Turned(Arc<Mutex<Away>>);

#[derive(Default)]
struct Away {
    times: u64,
    last: Option<(std::net::SocketAddr, &'static str)>,
    /// How many there were when it was told. None: what comes next is told at once.
    told: Option<u64>,
}

impl Turned {
    fn lock(&self) -> std::sync::MutexGuard<'_, Away> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// One connection's place, as long as it is there.
#[derive(Default)]
struct Place {
    /// Since when nothing is under way. None: a message comes or is answered.
    quiet: Mutex<Option<Instant>>,
    /// Somebody else needs the place.
    leave: Notify,
}

impl Place {
    fn is_quiet(&self, since: Option<Instant>) {
        *self.quiet.lock().unwrap_or_else(PoisonError::into_inner) = since;
    }

    fn quiet(&self) -> Option<Duration> {
        self.quiet.lock().unwrap_or_else(PoisonError::into_inner).map(|since| since.elapsed())
    }
}

/// The places of one source.
#[derive(Default)]
struct Places(Vec<Weak<Place>>);

impl Places {
    fn are_taken(&mut self) -> bool {
        self.0.retain(|place| place.strong_count() > 0);
        self.0.len() >= CONNECTIONS
    }

    /// A place for a new connection, if need be that of the one that said nothing for longest. None: all are in use.
    fn take(&mut self) -> Option<Arc<Place>> {
        if self.are_taken() {
            let quiet = self.0.iter().map(|place| place.upgrade().and_then(|place| place.quiet()));
            let longest = longest_quiet(quiet)?;
            if let Some(place) = self.0.swap_remove(longest).upgrade() {
                place.leave.notify_one();
            }
        }
        let place = Arc::new(Place::default());
        self.0.push(Arc::downgrade(&place));
        Some(place)
    }
}

/// Which of them makes room.
fn longest_quiet(quiet: impl Iterator<Item = Option<Duration>>) -> Option<usize> {
    let quiet = quiet.enumerate().filter_map(|(at, quiet)| Some((quiet?, at)));
    quiet.filter(|(quiet, _)| *quiet >= MAKES_ROOM).max().map(|(_, at)| at)
}

/// Why a connection is ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum End {
    /// The source ended it, said nothing for long, or took no answer.
    Quiet,
    /// What came is no message: what it looks like.
    Strange(&'static str),
    TooLong,
    TooSlow,
    /// Nothing can be kept now.
    NotKept,
    Full,
}

impl End {
    fn words(self) -> &'static str {
        match self {
            End::Quiet => "it ended",
            End::Strange(what) => what,
            End::TooLong => "a message is longer than any that is read",
            End::TooSlow => "a message did not come to its end in time",
            End::NotKept => "what it sends cannot be kept now: it is to send that again",
            End::Full => "too many of its orders wait: nothing is taken until some are done",
        }
    }
}

impl Listening {
    /// Listens until told to stop.
    pub async fn run(self) {
        let mut stop = self.stop.clone();
        tokio::select! {
            () = self.listen() => {}
            () = super::stopped(&mut stop) => {}
        }
    }

    fn name(&self) -> &str {
        &self.source.site.name
    }

    async fn listen(&self) {
        let (socket, address) = self.bound().await;
        let tls = match self.source.tls.as_ref().map(|tls| tls.open("")).transpose() {
            Ok(tls) => tls,
            Err(why) => {
                self.down(&why);
                return std::future::pending().await;
            }
        };
        let mut places = Places::default();
        let mut connections = JoinSet::new();
        let (mut told, mut crowded) = (false, false);
        loop {
            let accepted = tokio::select! {
                accepted = socket.accept() => accepted,
                Some(_) = connections.join_next() => {
                    if crowded && !places.are_taken() {
                        crowded = false;
                        self.up(&address);
                    }
                    continue;
                }
            };
            let Ok((stream, peer)) = accepted else {
                // Out of descriptors, most likely: waiting is all that helps.
                tokio::time::sleep(Duration::from_secs(1)).await;
                continue;
            };
            let allowed = self.source.allows(peer.ip());
            let Some(place) = allowed.then(|| places.take()).flatten() else {
                let why = if allowed { FULL } else { "it may not connect: not in `allow`" };
                if allowed {
                    crowded = true;
                    self.down(FULL);
                } else {
                    self.turned_away(peer, "its address is not in `allow`");
                }
                metrics::counter!("wickline_source_turned_away_total", "source" => self.name().to_owned()).increment(1);
                if !std::mem::replace(&mut told, true) {
                    warn!(source = self.name(), %peer, why, "turned away");
                }
                continue;
            };
            if std::mem::take(&mut crowded) {
                self.up(&address);
            }
            told = false;
            connections.spawn(self.clone().connection((stream, peer), tls.clone(), place));
        }
    }

    async fn bound(&self) -> (TcpListener, String) {
        loop {
            match TcpListener::bind(self.source.listen).await {
                Ok(socket) => {
                    let address = socket.local_addr().map_or(self.source.listen, |own| own);
                    let address = address.to_string();
                    info!(source = self.name(), address, "listening for orders");
                    self.up(&address);
                    return (socket, address);
                }
                Err(error) => self.down(&format!("{}: {error}", self.source.listen)),
            }
            tokio::time::sleep(AGAIN).await;
        }
    }

    /// Somebody was turned away: whoever floods the port floods no log.
    fn turned_away(&self, from: std::net::SocketAddr, why: &'static str) {
        let mut away = self.turned.lock();
        away.times += 1;
        away.last = Some((from, why));
        if away.told.is_some() {
            return;
        }
        away.told = Some(away.times);
        drop(away);
        self.tell_turned();
        let own = self.clone();
        tokio::spawn(async move {
            loop {
                tokio::time::sleep(TOLD).await;
                let mut away = own.turned.lock();
                if away.told == Some(away.times) {
                    away.told = None;
                    return;
                }
                away.told = Some(away.times);
                drop(away);
                own.tell_turned();
            }
        });
    }

    fn tell_turned(&self) {
        let away = self.turned.lock();
        let (times, last) = (away.times, away.last);
        drop(away);
        if let Some((from, why)) = last {
            let (source, from) = (self.name().to_owned(), from.ip().to_string());
            self.events.tell(Event::SourceTurnedAway { source, from, why, times });
        }
    }

    fn up(&self, address: &str) {
        let (source, address) = (self.name().to_owned(), address.to_owned());
        self.events.tell(Event::SourceUp { source, address });
    }

    fn down(&self, why: &str) {
        let source = self.name().to_owned();
        self.events.tell(Event::SourceDown { source, why: why.to_owned() });
    }

    async fn connection(
        self,
        (stream, peer): (TcpStream, std::net::SocketAddr),
        tls: Option<Secured>,
        place: Arc<Place>,
    ) {
        let _ = stream.set_nodelay(true);
        let end = match tls {
            None => self.conversation(stream, &place).await,
            Some(tls) => match timeout(SHORT, tls.accept(stream)).await {
                Ok(Ok(stream)) => self.conversation(stream, &place).await,
                Ok(Err(error)) => End::Strange(no_tls(&error)),
                Err(_) => End::Strange("it does not speak TLS"),
            },
        };
        if let End::Strange(why) = end {
            self.turned_away(peer, why);
        }
        if end != End::Quiet {
            let source = self.name().to_owned();
            metrics::counter!("wickline_source_cut_total", "source" => source.clone()).increment(1);
            warn!(source, why = end.words(), "a connection of a source was ended");
            self.events.tell(Event::SourceCut { source, why: end.words() });
        }
    }

    async fn conversation(
        &self,
        mut stream: impl AsyncRead + AsyncWrite + Unpin,
        place: &Place,
    ) -> End {
        let mut reader = mllp::Reader::default();
        let mut bytes = Vec::with_capacity(8192);
        let mut begun = Instant::now();
        let mut looked = None;
        loop {
            let between = reader.is_between();
            if between {
                begun = Instant::now();
            }
            let longest = if between { IDLE } else { WHOLE.saturating_sub(begun.elapsed()) };
            bytes.clear();
            place.is_quiet(between.then_some(begun));
            let read = tokio::select! {
                // What has come is taken before the place is left.
                biased;
                read = timeout(longest, stream.read_buf(&mut bytes)) => read,
                () = place.leave.notified(), if between => return End::Quiet,
            };
            place.is_quiet(None);
            match read {
                Err(_) if between => return End::Quiet,
                Err(_) => return End::TooSlow,
                Ok(Ok(0) | Err(_)) => return End::Quiet,
                Ok(Ok(_)) => {}
            }
            let looks = looks_like(&bytes);
            reader.handle_input(&bytes);
            if reader.is_between() && reader.junk() > 0 {
                return End::Strange(looks);
            }
            while let Some(event) = reader.poll_event() {
                let body = match event {
                    mllp::Event::Block(body) => body,
                    mllp::Event::TooLong => return End::TooLong,
                    mllp::Event::Junk(_) => return End::Strange(looks),
                    mllp::Event::TransportAck(_) => {
                        return End::Strange(
                            "it sends acknowledgments of a transport, no messages",
                        );
                    }
                };
                if let Err(end) = self.answered(&mut stream, &body, &mut looked).await {
                    return end;
                }
            }
        }
    }

    /// Takes one message in and answers it.
    async fn answered(
        &self,
        stream: &mut (impl AsyncWrite + Unpin),
        body: &[u8],
        looked: &mut Option<Instant>,
    ) -> Result<(), End> {
        if looked.is_none_or(|at: Instant| at.elapsed() > COUNTED) {
            let open = self.ledger.within(self.ledger.orders_open(self.name())).await;
            if open.map_err(|_| End::NotKept)? >= self.source.max_open {
                return Err(End::Full);
            }
            *looked = Some(Instant::now());
        }
        let heard = self.ledger.order_heard(&self.bench, &self.source, body);
        let (heard, kept) = match self.ledger.within(heard).await {
            Ok(heard) => (heard, true),
            Err(error) => {
                warn!(source = self.name(), %error, "a message of a source cannot be kept");
                match self.source.rejects {
                    true => {
                        (crate::acts::ordering::not_kept(&self.bench, &self.source, body), false)
                    }
                    false => return Err(End::NotKept),
                }
            }
        };
        for answer in [&heard.answers.accept, &heard.answers.application].into_iter().flatten() {
            let sent = timeout(SHORT, stream.write_all(&frame(answer))).await;
            if !matches!(sent, Ok(Ok(()))) {
                return Err(End::Quiet);
            }
        }
        let nameless = heard.nameless;
        if kept {
            self.tell(heard);
        }
        // Whoever waited for an answer would wait for ever.
        if nameless { Err(End::Strange(looks_like(body))) } else { Ok(()) }
    }

    fn tell(&self, heard: Heard) {
        if heard.released > 0 {
            self.wakes.iter().for_each(|wake| wake.notify_one());
        }
        if let Some(fault) = &heard.fault {
            warn!(source = self.name(), fault, "a message of a source was refused");
        }
        self.events.tell(Event::Orders {
            source: self.name().to_owned(),
            taken: heard.taken,
            refused: heard.refused,
            again: heard.again,
            read: heard.fault.is_none(),
        });
    }
}

/// What bytes that are no message look like, for a person; never the bytes.
fn looks_like(bytes: &[u8]) -> &'static str {
    let begins = |sign: &[u8]| bytes.starts_with(sign);
    if begins(b"\x16\x03") {
        "it speaks TLS, and here nothing does"
    } else if [b"GET ".as_slice(), b"POST ", b"HEAD ", b"PUT "].into_iter().any(begins) {
        "it asks for a page of the web"
    } else if begins(b"FHS") || begins(b"BHS") {
        "it sends batches (FHS, BHS): one message a block is read"
    } else if begins(b"MSH|") {
        "it sends messages without their blocks (MLLP)"
    } else {
        "it sends what is no message"
    }
}

/// Lets orders expire, and judges what is held by orders that another daemon took in.
pub struct Tidying {
    pub ledger: Ledger,
    pub bench: Arc<Bench>,
    pub wakes: Vec<Arc<Notify>>,
    pub stop: watch::Receiver<bool>,
}

impl Tidying {
    /// Goes on until told to stop. An error means that the process must end.
    pub async fn run(mut self) -> Result<(), StoreError> {
        // What is in the log of a process before this one may have been erased by it.
        let mut left = true;
        loop {
            tokio::select! {
                () = tokio::time::sleep(TIDY) => {}
                () = super::stopped(&mut self.stop) => return Ok(()),
            }
            let work = async {
                let (expired, forgotten) = self.ledger.orders_tidied(&self.bench).await?;
                left |= forgotten;
                left = left && !self.ledger.erased_from_log().await?;
                self.ledger.orders_met_again(&self.bench).await.map(|released| (expired, released))
            };
            match self.ledger.within(work).await {
                Ok((expired, released)) => {
                    if expired > 0 {
                        info!(expired, "orders expired: their strips did not come");
                    }
                    if released > 0 {
                        self.wakes.iter().for_each(|wake| wake.notify_one());
                    }
                }
                Err(error) if error.is_fatal() => return Err(error),
                Err(error) => warn!(%error, "orders are not looked after: the ledger is away"),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_one_that_said_nothing_for_longest_makes_room_and_never_one_that_is_at_work() {
        let quiet = |seconds: &[Option<u64>]| {
            longest_quiet(seconds.iter().map(|one| one.map(Duration::from_secs)))
        };
        assert_eq!(quiet(&[Some(31), Some(90), None, Some(60)]), Some(1));
        assert_eq!(quiet(&[Some(29), None, Some(30), Some(5)]), Some(2));
        assert_eq!(quiet(&[Some(29), None, Some(0), None]), None);
    }
}
