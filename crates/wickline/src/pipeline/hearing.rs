//! One line: keep it open, put every byte on the tape, answer the analyzer once it is there.

use std::collections::VecDeque;
use std::io;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::watch;
use tracing::{error, info, warn};
use wickline_listen::dialect::LinkKind;
use wickline_listen::ear::Ending;
use wickline_listen::line::{Got, Knock, LineSpec, Listener, Port, Takeover};
use wickline_listen::link;
use wickline_listen::printed::Assembler;
use wickline_normalize::Place;

use super::between::{Answer, Between, became};
use super::event::{Event, Events};
use super::tee::Tee;
use super::troubles::Troubles;
use crate::clock;
use crate::store::tape::Kind;
use crate::store::tape::writing::{Handed, LineTape, Ticket};
use crate::texts::say;
use crate::tripped::guarded_while;

/// What it takes to hear one analyzer.
pub struct Hearing {
    pub analyzer: String,
    pub spec: LineSpec,
    pub link: LinkKind,
    pub tape: LineTape,
    pub healthy: watch::Receiver<bool>,
    pub events: Events,
    /// Told when a framed message or session ends; what is to be said on the line comes from there.
    pub between: Arc<Between>,
    pub stop: watch::Receiver<bool>,
    /// Already bound, where the analyzer connects to us.
    pub listener: Option<Listener>,
    pub troubles: Troubles,
    /// Who gets a copy, which may change while the line is open.
    pub tee: watch::Receiver<Option<Tee>>,
}

/// Why a port is not heard any more.
enum End {
    Down(String),
    /// Another connection is heard in its place.
    Taken,
    Stopped,
}

/// What is under way on a line, as far as it has to be known while it is heard.
struct Under {
    link: Option<link::Dialogue>,
    /// Of what is printed.
    print: Option<Assembler>,
    /// When a byte last came.
    last: i64,
    /// Since when a report is under way.
    since: Option<i64>,
    /// When a report last ended, or a frame of one, where nobody was told yet.
    whole: Option<i64>,
}

impl Under {
    fn new(kind: &LinkKind) -> Self {
        match kind {
            LinkKind::Lis01 => Self::of(Some(link::Dialogue::host()), None),
            LinkKind::Printed(rules) => Self::of(None, Some(Assembler::new(rules.clone()))),
        }
    }

    fn of(link: Option<link::Dialogue>, print: Option<Assembler>) -> Self {
        Self { link, print, last: 0, since: None, whole: None }
    }

    /// Hears what was handed to the tape. True: a print came to its end with it.
    fn hears(&mut self, handed: &Handed, bytes: &[u8], flaws: &[usize]) -> bool {
        let Handed { tick, start, .. } = *handed;
        // What ended by silence ended before this.
        self.look(tick);
        if let Some(print) = &mut self.print {
            print.handle_input(tick, bytes, start, flaws);
        }
        if let Some(link) = &mut self.link {
            link.handle_input(tick, bytes, start, flaws);
        }
        self.last = tick;
        self.look(tick)
    }

    /// A report, or a frame of one, came to its end: what is under way begins to count anew.
    fn ended(&mut self, at: i64) {
        (self.whole, self.since) = (Some(at), None);
    }

    /// Whether a session or a report has begun and not ended: by its dialect's times, and by whole lines. True: a
    /// print ended.
    fn look(&mut self, now: i64) -> bool {
        let mut begun = self.link.as_ref().is_some_and(link::Dialogue::is_open);
        let mut whole = false;
        if let Some(print) = &mut self.print {
            print.handle_timeout(now);
            while let Some(ended) = print.poll_transmission() {
                whole |= ended.ending == Ending::Complete;
            }
            begun = print.is_begun();
        }
        if whole {
            self.ended(self.last);
        }
        self.since = begun.then(|| self.since.unwrap_or(now));
        whole
    }

    /// For how long a report is under way, and how long ago one ended that nobody was told of.
    fn stands(&mut self, now: i64) -> (Option<Duration>, Option<Duration>) {
        if let Some(link) = &mut self.link {
            link.handle_timeout(now);
        }
        self.look(now);
        let ago = |then: i64| Duration::from_micros(u64::try_from(now - then).unwrap_or(0));
        (self.since.map(ago), self.whole.take().map(ago))
    }
}

impl Hearing {
    /// Hears until told to stop. A line that vanishes is opened again by its name, for ever.
    pub async fn run(mut self) {
        let mut pause = Duration::from_millis(250);
        // Why it is down, as it was last told: a reason that stays is told once, however often it is tried.
        let (mut told, mut taken) = (None, false);
        self.tape.begin().await;
        self.listener = self.listener.take().map(|listener| self.tells_refusals(listener));
        while !*self.stop.borrow() {
            match self.open().await {
                Ok(None) => break,
                Ok(Some(mut port)) => {
                    info!(analyzer = %self.analyzer, "line open");
                    self.tape.event(Kind::Opened).await;
                    if !std::mem::take(&mut taken) {
                        self.tell_up();
                    }
                    pause = Duration::from_millis(250);
                    self.troubles.begin();
                    let mut under = Under::new(&self.link);
                    let end = match guarded_while(self.serve(&mut port, &mut under)).await {
                        Ok(end) => end,
                        Err(tripped) => {
                            error!(analyzer = %self.analyzer, %tripped, "the line is heard anew");
                            // What was heard is kept; what was not acknowledged comes again.
                            under = Under::new(&self.link);
                            self.rest(pause).await;
                            End::Down(tripped.to_string())
                        }
                    };
                    self.tell_unsaid(&mut under);
                    self.tell_troubles(&port);
                    drop(port);
                    self.tape.event(Kind::Closed).await;
                    match end {
                        End::Stopped => break,
                        End::Taken => taken = true,
                        End::Down(why) => {
                            self.tell_down(&why);
                            told = Some(why);
                        }
                    }
                }
                Err(error) => {
                    let why = error.to_string();
                    if told.as_ref() != Some(&why) {
                        self.tell_down(&why);
                        told = Some(why);
                    }
                    self.rest(pause).await;
                    pause = (pause * 2).min(Duration::from_secs(5));
                }
            }
        }
        if self.listener.as_ref().is_some_and(Listener::is_taken_again_and_again) {
            self.tell_settled();
        }
    }

    /// Opens the port, or waits for the analyzer to connect. None: told to stop meanwhile.
    async fn open(&mut self) -> io::Result<Option<Port>> {
        let mut stop = self.stop.clone();
        loop {
            let opening = async {
                match &mut self.listener {
                    Some(listener) => listener.next().await,
                    None => Port::open(&self.spec).await.map(Some),
                }
            };
            let opened = tokio::select! {
                port = opening => port?,
                () = super::stopped(&mut stop) => return Ok(None),
            };
            match opened {
                Some(port) => return Ok(Some(port)),
                None => self.tell_settled(),
            }
        }
    }

    /// Reads until the line closes, another connection takes over or we stop.
    async fn serve(&mut self, port: &mut Port, under: &mut Under) -> End {
        let between = Arc::clone(&self.between);
        let mut stop = self.stop.clone();
        let (mut bytes, mut flaws) = (Vec::new(), Vec::new());
        let mut kept = Kept::default();
        loop {
            bytes.clear();
            flaws.clear();
            let deadline = under.link.as_ref().and_then(link::Dialogue::poll_timeout);
            self.tell_troubles(port);
            let more = self.troubles.due();
            tokio::select! {
                got = port.read(&mut bytes, &mut flaws) => match got {
                    Ok(Got::Bytes | Got::Break) => {
                        self.keep(&bytes, &flaws, under, &mut kept).await;
                    }
                    Ok(Got::Closed) => {
                        return End::Down(say!("point.far_end").to_string());
                    }
                    Err(error) => return End::Down(error.to_string()),
                },
                () = tokio::time::sleep_until(clock::instant_at(deadline.unwrap_or(0))),
                    if deadline.is_some() =>
                {
                    if let Some(link) = &mut under.link {
                        link.handle_timeout(clock::tick_us());
                    }
                }
                () = between.offered.notified() => says(&between, under),
                () = tokio::time::sleep_until(clock::instant_at(more.unwrap_or(0))), if more.is_some() => {}
                knock = knock(self.listener.as_mut()) => {
                    if self.is_taken(knock, under.stands(clock::tick_us())) {
                        return End::Taken;
                    }
                }
                () = super::stopped(&mut stop) => return End::Stopped,
            }
            if let Some(link) = &mut under.link {
                let answered = answer(link, &mut kept, &between, port).await;
                self.tell_said(link);
                match answered {
                    Ok(true) => under.ended(clock::tick_us()),
                    Ok(false) => {}
                    Err(error) => return End::Down(error.to_string()),
                }
            }
        }
    }

    /// Whether somebody who knocks is heard from now on; what happens too often is told.
    fn is_taken(
        &mut self,
        knock: Knock,
        (open, ended): (Option<Duration>, Option<Duration>),
    ) -> bool {
        let Some(listener) = &mut self.listener else { return false };
        if let Some(ago) = ended {
            listener.heard(ago);
        }
        let analyzer = self.analyzer.clone();
        let caller = match knock {
            Knock::Caller(caller) => caller,
            Knock::Quiet => {
                self.tell_settled();
                return false;
            }
        };
        let Some(taken) = listener.seat(caller, open) else { return false };
        let Takeover { from, by, many, told } = taken;
        let from = from.map_or_else(|| "another".to_owned(), |from| from.to_string());
        let by = by.to_string();
        match (many, told) {
            (true, _) => {
                warn!(%analyzer, %from, %by, "taken over again and again: do two devices connect to this line?");
            }
            (false, true) => info!(%analyzer, %from, %by, "taken over once more"),
            _ => {
                warn!(%analyzer, %from, %by, "a connection that reports nothing was taken over by a new one")
            }
        }
        self.events.tell(Event::LineTakenOver { analyzer, from, by, many });
        true
    }

    async fn keep(&mut self, bytes: &[u8], flaws: &[usize], under: &mut Under, kept: &mut Kept) {
        if bytes.is_empty() {
            return;
        }
        self.meter(bytes.len(), flaws.len());
        if let Some(tee) = self.tee.borrow().as_ref() {
            tee.copy(bytes);
        }
        let handed = self.tape.bytes(bytes, flaws).await;
        if let Some(link) = &mut under.link {
            link.set_ready(*self.healthy.borrow());
        }
        if under.hears(&handed, bytes, flaws) {
            self.tape.ended().await;
        }
        if under.link.is_some() {
            let place = Place { from: handed.start, to: handed.start + bytes.len() as u64 };
            kept.add(place, handed.ticket).await;
        }
    }

    /// What became of answers is left for the ledger, and told.
    fn tell_said(&self, link: &mut link::Dialogue) {
        while let Some((to, said)) = link.poll_said() {
            let (outcome, why) = became(said);
            match why {
                None => info!(analyzer = %self.analyzer, "the analyzer's question was answered"),
                Some(why) => {
                    warn!(analyzer = %self.analyzer, why, "the analyzer's question was not answered");
                }
            }
            self.between.tell(to, said);
            let (analyzer, outcome) = (self.analyzer.clone(), outcome.code());
            self.events.tell(Event::LineAnswered { analyzer, outcome, why });
        }
    }

    /// The line is heard no more: nothing more is said on it.
    fn tell_unsaid(&self, under: &mut Under) {
        says(&self.between, under);
        if let Some(link) = &mut under.link {
            link.drop_answers("the line was closed");
            self.tell_said(link);
        }
    }

    fn tell_troubles(&mut self, port: &Port) {
        let Some(now) = port.troubles() else { return };
        if let Some((more, all)) = self.troubles.look(now, clock::tick_us()) {
            let analyzer = self.analyzer.clone();
            warn!(%analyzer, %more, "trouble on the line");
            self.events.tell(Event::LineTroubles { analyzer, more, all });
        }
    }

    fn meter(&self, bytes: usize, flaws: usize) {
        let count = |n| u64::try_from(n).unwrap_or(0);
        metrics::counter!("wickline_heard_bytes_total", "analyzer" => self.analyzer.clone())
            .increment(count(bytes));
        if flaws > 0 {
            metrics::counter!("wickline_flawed_bytes_total", "analyzer" => self.analyzer.clone())
                .increment(count(flaws));
        }
    }

    async fn rest(&mut self, pause: Duration) {
        let mut stop = self.stop.clone();
        tokio::select! {
            () = tokio::time::sleep(pause) => {}
            () = super::stopped(&mut stop) => {}
        }
    }

    /// The listener, which tells who was turned away.
    fn tells_refusals(&self, listener: Listener) -> Listener {
        let (analyzer, events) = (self.analyzer.clone(), self.events.clone());
        listener.telling(move |from, why, loud| {
            let (analyzer, from) = (analyzer.clone(), from.ip().to_string());
            events.seen.turned_away(&analyzer, why, from.clone());
            if loud {
                events.tell(Event::LineRefused { analyzer, from, why });
            }
        })
    }

    fn tell_up(&self) {
        let (analyzer, line) = (self.analyzer.clone(), self.spec.to_string());
        self.events.tell(Event::LineUp { analyzer, line });
    }

    /// Nobody takes the line over any more.
    fn tell_settled(&self) {
        info!(analyzer = %self.analyzer, "no new connection takes this line over any more");
        self.events.tell(Event::LineSettled { analyzer: self.analyzer.clone() });
    }

    fn tell_down(&self, why: &str) {
        warn!(analyzer = %self.analyzer, why, "line down: trying again");
        let (analyzer, why) = (self.analyzer.clone(), why.to_owned());
        self.events.tell(Event::LineDown { analyzer, why });
    }
}

/// Takes up what is to be said.
fn says(between: &Between, under: &mut Under) {
    while let Some(answer) = between.answer() {
        let Some(link) = &mut under.link else { continue };
        match answer {
            Answer::Say { to, records, until } => link.answer(clock::tick_us(), to, records, until),
            Answer::Nothing => link.drop_answers("the analyzer took its question back"),
        }
    }
}

/// Waits for who knocks where analyzers connect to us.
async fn knock(listener: Option<&mut Listener>) -> Knock {
    match listener {
        Some(listener) => listener.knock().await,
        None => std::future::pending().await,
    }
}

/// Which bytes of a framed line are on the tape, as far as it is not yet certain.
#[derive(Default)]
struct Kept {
    tickets: VecDeque<(Place, Ticket)>,
    lost: Vec<Place>,
}

impl Kept {
    /// Tickets that may wait to be redeemed: bytes outside frames are never asked after.
    const OPEN: usize = 256;

    async fn add(&mut self, place: Place, ticket: Ticket) {
        self.tickets.push_back((place, ticket));
        if self.tickets.len() > Self::OPEN {
            self.redeem().await;
        }
    }

    async fn redeem(&mut self) {
        for (place, ticket) in self.tickets.drain(..) {
            if !ticket.await.unwrap_or(false) {
                self.lost.push(place);
            }
        }
    }

    /// Waits until it is certain, and says whether every byte of `place` is on the tape.
    async fn holds(&mut self, place: Place) -> bool {
        self.redeem().await;
        let whole = !self.lost.iter().any(|lost| lost.from < place.to && place.from < lost.to);
        self.lost.retain(|lost| lost.to > place.to);
        whole
    }
}

/// Lets the link answer. A frame's yes waits until the tape has the whole frame. True: a frame was taken.
async fn answer(
    link: &mut link::Dialogue,
    kept: &mut Kept,
    between: &Between,
    port: &mut Port,
) -> io::Result<bool> {
    let (mut out, mut taken) = (Vec::new(), false);
    loop {
        while let Some(event) = link.poll_event() {
            match event {
                link::Event::Keep { place } => {
                    let stored = kept.holds(place).await;
                    link.confirm(clock::tick_us(), stored);
                    taken |= stored;
                }
                link::Event::Record { bytes, .. } if matches!(bytes.first(), Some(b'L' | b'l')) => {
                    between.ended.notify_one();
                }
                link::Event::SessionClosed { .. } => between.ended.notify_one(),
                _ => {}
            }
        }
        out.clear();
        if !link.poll_transmit(&mut out) {
            return Ok(taken);
        }
        port.write_all(&out).await?;
    }
}

#[cfg(test)]
#[path = "hearing_tests.rs"]
mod tests;
