//! What the daemon sees of its lines, its receivers and its tape, and since when: told to the ledger
//! every 15 s, and at once when it changes, for `wickline status`.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::sync::{Notify, watch};
use tracing::warn;

use super::delivery::is_folder;
use super::event::Event;
use super::stopped;
use crate::clock::{self, SiteClock};
use crate::settings::bench::Bench;
use crate::store::ledger::Ledger;
use crate::store::rows::daemon_state::{Kind, Point, Points};
use crate::store::rows::line_refusal::{self, Pending, Refusals};
use crate::texts::say;

/// How often it is told.
const EVERY: Duration = Duration::from_secs(15);
/// Changes are told together.
const TOGETHER: Duration = Duration::from_millis(500);

/// Why a line is not open that nobody tried to open.
pub const NOT_YET: &str = "not open yet";

/// Beside a receiver of which nothing is known yet: neither good nor bad.
pub const NOT_TRIED: &str = "not tried yet";

/// Beside a receiver that a connection was made to, and that answered nothing yet since the start.
pub const REACHED: &str = "reached, and not tried yet";

/// Refusals on a line go on as long as no more than this lies between two, in microseconds. Our own choice.
pub const GO_ON_US: i64 = 300_000_000;

/// How everything is, kept as it happens.
#[derive(Clone, Debug, Default)]
pub struct Seen {
    points: Arc<Mutex<Points>>,
    /// Why the ledger cannot be worked with: the one thing that it cannot be told itself.
    away: Arc<Mutex<Option<String>>>,
    changed: Arc<Notify>,
    /// Who was turned away from lines, as far as the ledger does not know it yet.
    refusals: Arc<Mutex<Pending>>,
    aside: Arc<watch::Sender<Aside>>,
    /// Whether the ledger was told how everything is.
    noted: Arc<watch::Sender<bool>>,
}

/// What this process knows beside, for its own state line.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Aside {
    /// Who needs the ledger and cannot reach it.
    waits: BTreeSet<String>,
    /// Receivers whose queue is `paused` or `stopped`.
    gates: BTreeMap<String, &'static str>,
    /// Grows when anything else changes.
    turn: u64,
}

impl Seen {
    /// Resolves once the ledger was told how everything is: whoever asks it then hears of this daemon.
    pub async fn noted(&self) {
        // The sender is ours.
        let _ = self.noted.subscribe().wait_for(|noted| *noted).await;
    }

    /// Everything that there is to see, as long as nothing was heard of it: lines are not open yet, and of
    /// receivers nothing bad is known. What is known already stays; what is not configured any more goes.
    pub fn begin(&self, bench: &Bench) {
        let now = clock::now_us();
        let up = Point { up: true, since: now, why: None, last_at: None };
        let why = Some(NOT_YET.to_owned());
        let closed = Point { up: false, since: now, why, last_at: None };
        let mut points = self.lock();
        points.retain(|(kind, id), _| match kind {
            Kind::Line | Kind::Rivals | Kind::Refused | Kind::Troubles | Kind::Noise => {
                bench.analyzer(id).is_some()
            }
            Kind::Tee => bench.analyzer(id).is_some_and(|a| a.tee.is_some()),
            Kind::Receiver => bench.targets.iter().any(|t| t.id == *id),
            Kind::Certificate => {
                bench.targets.iter().any(|t| id.split_once(',').is_some_and(|(of, _)| of == t.id))
            }
            Kind::Alarm => bench.alarms.iter().any(|a| a.id == *id),
            Kind::Source | Kind::TurnedAway => bench.sources.iter().any(|s| s.site.name == *id),
            Kind::Configuration | Kind::Daemon | Kind::Tape | Kind::Check => true,
        });
        for analyzer in &bench.analyzers {
            points.entry((Kind::Line, analyzer.id.clone())).or_insert_with(|| closed.clone());
        }
        for target in &bench.targets {
            // A folder is not connected to: nothing is to be known of it before something is written there.
            let connects = !target.addresses.iter().any(is_folder);
            let why = connects.then(|| NOT_TRIED.to_owned());
            let untried = || Point { why, ..up.clone() };
            points.entry((Kind::Receiver, target.id.clone())).or_insert_with(untried);
        }
        points.entry((Kind::Tape, String::new())).or_insert(up);
        drop(points);
        self.beside(|aside| {
            aside.gates.retain(|id, _| bench.targets.iter().any(|t| t.id == *id));
            aside.turn += 1;
        });
    }

    /// Whether somebody who needs the ledger can reach it.
    pub fn ledger(&self, who: &str, there: bool) {
        self.beside(|aside| match there {
            true => drop(aside.waits.remove(who)),
            false => drop(aside.waits.insert(who.to_owned())),
        });
    }

    /// Everybody begins anew with a ledger that is there.
    pub fn ledger_is_there(&self) {
        self.beside(|aside| aside.waits.clear());
    }

    /// How the queue of a receiver stands: `paused`, `stopped`, or open.
    pub fn gate(&self, receiver: &str, stands: Option<&'static str>) {
        self.beside(|aside| match stands {
            Some(stands) => drop(aside.gates.insert(receiver.to_owned(), stands)),
            None => drop(aside.gates.remove(receiver)),
        });
    }

    fn beside(&self, change: impl FnOnce(&mut Aside)) {
        self.aside.send_if_modified(|aside| {
            let was = aside.clone();
            change(aside);
            *aside != was
        });
    }

    /// Tells when the line that [`Seen::line`] gives may be another.
    #[must_use]
    pub fn changes(&self) -> Changes {
        Changes(self.aside.subscribe())
    }

    /// How everything is now, in one line.
    #[must_use]
    pub fn line(&self) -> String {
        let aside = self.aside.borrow().clone();
        let mut wrong = Vec::new();
        for ((kind, id), point) in self.points().iter().filter(|(_, point)| !point.up) {
            match kind {
                Kind::Configuration => {
                    let why = point.why.as_deref().unwrap_or_default();
                    wrong.push(format!("the old configuration stays: {why}"));
                }
                Kind::Line if point.why.as_deref() == Some(NOT_YET) => {
                    wrong.push(format!("line {id} {NOT_YET}"));
                }
                Kind::Line | Kind::Receiver => wrong.push(format!("{} {id} down", kind.text())),
                Kind::Rivals => wrong.push(format!("two devices take line {id} from each other")),
                Kind::Tee => wrong.push(format!("the copy of line {id} waits")),
                Kind::Alarm => wrong.push(format!("alarm {id} cannot be delivered")),
                Kind::Source => wrong.push(format!("source {id} cannot connect")),
                Kind::Tape => wrong.push("the tape takes nothing".into()),
                Kind::Daemon
                | Kind::Certificate
                | Kind::Troubles
                | Kind::Noise
                | Kind::Refused
                | Kind::TurnedAway
                | Kind::Check => {}
            }
        }
        if !aside.waits.is_empty() {
            wrong.push("the ledger is away".into());
        }
        wrong.extend(aside.gates.iter().map(|(id, stands)| format!("receiver {id} {stands}")));
        if wrong.is_empty() { "hearing and delivering".into() } else { wrong.join("; ") }
    }

    /// Whether the last that was heard of a receiver is that it takes nothing.
    #[must_use]
    pub fn is_down(&self, receiver: &str) -> bool {
        let key = (Kind::Receiver, receiver.to_owned());
        self.lock().get(&key).is_some_and(|point| !point.up)
    }

    /// A connection to a receiver was made, on which nothing was said yet.
    pub fn reached(&self, receiver: &str) {
        let key = (Kind::Receiver, receiver.to_owned());
        let mut points = self.lock();
        let untried = points.get_mut(&key).filter(|p| p.why.as_deref() == Some(NOT_TRIED));
        let Some(point) = untried else { return };
        point.why = Some(REACHED.to_owned());
        drop(points);
        self.changed.notify_one();
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Points> {
        self.points.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Everything as it is now.
    #[must_use]
    pub fn points(&self) -> Points {
        self.lock().clone()
    }

    /// Why the ledger cannot be worked with, as it was last told.
    #[must_use]
    pub fn ledger_away(&self) -> Option<String> {
        self.away.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Something that comes again and again: since when it does, and when it last came.
    fn goes_on(&self, kind: Kind, id: &str, what: String) {
        let now = clock::now_us();
        let mut points = self.lock();
        let point = points.entry((kind, id.to_owned()));
        let point = point.or_insert_with(|| Point { up: true, since: now, ..Point::default() });
        (point.why, point.last_at) = (Some(what), Some(now));
        drop(points);
        self.changed.notify_one();
    }

    /// Takes note of what happens again and again.
    fn comes_again(&self, event: &Event) {
        match event {
            Event::LineTroubles { analyzer, all, .. } => {
                self.goes_on(Kind::Troubles, analyzer, all.to_string());
            }
            Event::LineNoise { analyzer, all, .. } => {
                self.goes_on(Kind::Noise, analyzer, all.to_string());
            }
            Event::SourceTurnedAway { source, from, why, times } => {
                let what = say!("point.times", n = times, from = from, what = why);
                self.goes_on(Kind::TurnedAway, source, what.to_string());
            }
            _ => {}
        }
    }

    /// Takes note of what happened.
    pub fn told(&self, event: &Event) {
        let now = clock::now_us();
        let set = |kind, id: &str, up: bool, why: Option<&str>| {
            let mut points = self.lock();
            let point = points.entry((kind, id.to_owned())).or_default();
            let turned = point.up != up || point.since == 0;
            if turned {
                (point.up, point.since) = (up, now);
            }
            let changed = turned || point.why.as_deref() != why;
            point.why = why.map(str::to_owned);
            drop(points);
            if changed {
                self.changed.notify_one();
                self.beside(|aside| aside.turn += 1);
            }
        };
        match event {
            Event::Ready { .. } => self.over(Kind::Configuration, ""),
            Event::ConfigurationRefused { why } => set(Kind::Configuration, "", false, Some(why)),
            Event::LineUp { analyzer, .. } => set(Kind::Line, analyzer, true, None),
            Event::LineDown { analyzer, why } => set(Kind::Line, analyzer, false, Some(why)),
            Event::LineTakenOver { analyzer, from, by, many } => {
                let how = say!("point.took_over", by = by.to_string(), from = from.to_string());
                self.taken_over(analyzer, &how.to_string(), *many);
            }
            Event::LineRefused { analyzer, from, why } => {
                self.refused(analyzer, format!("{from}: {why}"));
            }
            // Nobody takes it over any more, or it is heard no more.
            Event::LineSettled { analyzer } => self.over(Kind::Rivals, analyzer),
            Event::LineTroubles { .. }
            | Event::LineNoise { .. }
            | Event::SourceTurnedAway { .. } => {
                self.comes_again(event);
            }
            Event::Tee { analyzer, to, up, why, lost, .. } => {
                let why = why.as_deref().map_or(String::new(), |why| format!(": {why}"));
                let lost = if *lost > 0 { format!("; {lost} bytes lost") } else { String::new() };
                set(Kind::Tee, analyzer, *up, Some(&format!("{to}{why}{lost}")));
            }
            Event::Alarm { alarm, up, why } => set(Kind::Alarm, alarm, *up, why.as_deref()),
            Event::SourceUp { source, .. } => set(Kind::Source, source, true, None),
            Event::SourceDown { source, why } => set(Kind::Source, source, false, Some(why)),
            // Whatever it answered, it was reached.
            Event::Delivery { receiver, .. } => {
                let key = (Kind::Receiver, receiver.clone());
                if let Some(point) = self.lock().get_mut(&key).filter(|point| point.up) {
                    point.why = None;
                }
            }
            Event::ReceiverUp { receiver } => set(Kind::Receiver, receiver, true, None),
            Event::ReceiverDown { receiver, why } => {
                set(Kind::Receiver, receiver, false, Some(why));
            }
            Event::TapeAway => {
                set(Kind::Tape, "", false, Some("it takes nothing: its disk is full or fails"));
            }
            Event::LedgerAway { .. } | Event::LedgerBack => {
                let mut away = self.away.lock().unwrap_or_else(PoisonError::into_inner);
                *away = match event {
                    Event::LedgerAway { why } => Some(why.clone()),
                    _ => None,
                };
            }
            Event::TapeBack => set(Kind::Tape, "", true, None),
            Event::Report { analyzer, .. } => {
                let mut points = self.lock();
                points.entry((Kind::Line, analyzer.clone())).or_default().last_at = Some(now);
            }
            Event::CertificateEnds { receiver, whose, days } => {
                let ends = Some(now.saturating_add(days.saturating_mul(86_400_000_000)));
                let point = Point { up: *days >= 0, since: now, why: None, last_at: ends };
                let id = format!("{receiver}, {whose}");
                self.lock().insert((Kind::Certificate, id), point);
            }
            _ => {}
        }
    }

    /// A line is heard on another connection than before; `many`: too often.
    fn taken_over(&self, analyzer: &str, how: &str, many: bool) {
        let now = clock::now_us();
        let mut points = self.lock();
        let line = points.entry((Kind::Line, analyzer.to_owned())).or_default();
        (line.up, line.since, line.why) = (true, now, Some(how.to_owned()));
        if many {
            let rivals = points.entry((Kind::Rivals, analyzer.to_owned()));
            let rivals = rivals.or_insert_with(|| Point { since: now, ..Point::default() });
            rivals.why = Some(how.to_owned());
        }
        drop(points);
        self.changed.notify_one();
        self.beside(|aside| aside.turn += 1);
    }

    /// Somebody was turned away from a line.
    fn refused(&self, analyzer: &str, how: String) {
        let now = clock::now_us();
        let mut points = self.lock();
        let point = points.entry((Kind::Refused, analyzer.to_owned())).or_default();
        let goes_on = point.last_at.is_some_and(|last| now.saturating_sub(last) <= GO_ON_US);
        let since = if goes_on { point.since } else { now };
        *point = Point { up: false, since, why: Some(how), last_at: Some(now) };
        drop(points);
        self.changed.notify_one();
        self.beside(|aside| aside.turn += 1);
    }

    /// Somebody was turned away from a line: counted for the sheet of the day.
    pub fn turned_away(&self, analyzer: &str, why: &'static str, from: String) {
        let now = clock::now_us();
        let one = Refusals { many: 1, first_at: now, last_at: now, from };
        line_refusal::add(&mut self.pending(), analyzer, why, one);
    }

    fn pending(&self) -> std::sync::MutexGuard<'_, Pending> {
        self.refusals.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// How far the pages of a store were looked at, in words; None: to their end.
    pub fn checked(&self, store: &str, how: Option<String>) {
        let key = (Kind::Check, store.to_owned());
        let mut points = self.lock();
        match how {
            None => drop(points.remove(&key)),
            Some(how) => {
                let since = points.get(&key).map_or_else(clock::now_us, |point| point.since);
                points.insert(key, Point { up: true, since, why: Some(how), last_at: None });
            }
        }
        drop(points);
        self.changed.notify_one();
    }

    /// There is no more to say of it.
    fn over(&self, kind: Kind, id: &str) {
        let was = self.lock().remove(&(kind, id.to_owned()));
        if was.is_some() {
            self.changed.notify_one();
            self.beside(|aside| aside.turn += 1);
        }
    }

    /// What is down for longer than this, in words for who asks whether all is ready.
    #[must_use]
    pub fn down_for(&self, longest: Duration) -> Vec<String> {
        let longest = i64::try_from(longest.as_micros()).unwrap_or(i64::MAX);
        let now = clock::now_us();
        let points = self.lock();
        let down = points.iter().filter(|((kind, _), point)| {
            let counts = matches!(kind, Kind::Line | Kind::Receiver);
            counts && !point.up && now.saturating_sub(point.since) >= longest
        });
        let words = |((kind, id), point): (&(Kind, String), &Point)| {
            let seconds = now.saturating_sub(point.since) / 1_000_000;
            format!("{} {id} is down for {seconds} s", kind.text())
        };
        down.map(words).collect()
    }
}

/// Waits for what changes how everything is.
pub struct Changes(watch::Receiver<Aside>);

impl Changes {
    /// Resolves at the next change, or at one that came since the last.
    pub async fn next(&mut self) {
        if self.0.changed().await.is_err() {
            std::future::pending().await
        }
    }
}

/// Tells the ledger how everything is.
pub struct Teller {
    pub ledger: Ledger,
    pub clock: SiteClock,
    pub seen: Seen,
    /// The daemon's name for the others on the same ledger, and since when it works.
    pub me: String,
    pub since: i64,
    pub stop: watch::Receiver<bool>,
    /// The daemon stops, and does not only go on with another configuration.
    pub ends: watch::Receiver<bool>,
}

impl Teller {
    /// Tells until told to stop, and then that the daemon stopped, if it does.
    pub async fn run(self) {
        let (mut stop, since) = (self.stop.clone(), self.since);
        let mut away = false;
        while !*stop.borrow() {
            let own = Point { up: true, since, why: None, last_at: None };
            self.tell(own, &mut away).await;
            let changed = async {
                self.seen.changed.notified().await;
                tokio::time::sleep(TOGETHER).await;
            };
            tokio::select! {
                () = tokio::time::sleep(EVERY) => {}
                () = changed => {}
                () = stopped(&mut stop) => {}
            }
        }
        if !*self.ends.borrow() {
            return;
        }
        let (since, why) = (clock::now_us(), Some("it was stopped".to_owned()));
        self.tell(Point { up: false, since, why, last_at: None }, &mut away).await;
    }

    /// Adds to the days' counts what the ledger does not know yet. What it could not take waits for the next time.
    async fn tell_refusals(&self) {
        let all = std::mem::take(&mut *self.seen.pending());
        if all.is_empty() {
            return;
        }
        if self.ledger.within(self.ledger.refusals_add(&all, &self.clock)).await.is_err() {
            let mut pending = self.seen.pending();
            for ((analyzer, why), more) in all {
                line_refusal::add(&mut pending, &analyzer, why, more);
            }
        }
    }

    async fn tell(&self, own: Point, away: &mut bool) {
        self.tell_refusals().await;
        let mut points = self.seen.points();
        let stopped = !own.up;
        points.insert((Kind::Daemon, self.me.clone()), own);
        if stopped {
            points.retain(|(kind, _), _| matches!(kind, Kind::Daemon | Kind::Line));
        }
        let told = self.ledger.daemon_told(&self.me, &points, clock::now_us());
        match self.ledger.within(told).await {
            Ok(()) => {
                *away = false;
                self.seen.noted.send_replace(true);
            }
            // Who looks sees by the time that it is not heard.
            Err(error) if !std::mem::replace(away, true) => {
                warn!(%error, "how lines and receivers are is not noted in the ledger");
            }
            Err(_) => {}
        }
    }
}
