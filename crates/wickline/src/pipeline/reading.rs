//! From tape to ledger: what is on the tape becomes reports, whether it came now or last night.
//!
//! There is one way of reading. After a start it begins where the ledger says that nothing before
//! is needed, and goes on as bytes arrive; reports that the ledger knows already are passed over.

mod line_queries;

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{Notify, watch};
use tracing::{Instrument, debug_span, error, info, warn};
use wickline_listen::ear::Ear;
use wickline_listen::link::Said;
use wickline_listen::printed::Noise;
use wickline_normalize::report::RawLine;
use wickline_normalize::{Hold, Place, Private, Reason, Report};

use super::between::Between;
use super::event::{Event, Events};
use super::kept_lease::KeptLease;
use crate::acts::intake::{Gap, HeardReport, Taken};
use crate::acts::line_query::HeardQuestion;
use crate::clock;
use crate::pulse::Beat;
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::position::Span;
use crate::store::tape::ticks::TapeClock;
use crate::store::tape::{Committed, Entry, Kind, Tape};
use crate::tripped::{Tripped, guarded, guarded_while};

/// Tape entries read at a time.
const PAGE: i64 = 256;
/// How long a frame may stand on the tape unread.
const LATE: Duration = Duration::from_millis(50);
/// Reports in one transaction at most.
const GROUP: usize = 128;
/// Failures of a group, on a ledger that takes other writes, before it is parted.
const TRIES: usize = 3;
/// Entries without any report after which the position is noted all the same.
const STRIDE: i64 = 512;

/// How long until it is tried again to let go what was held for controls.
const AGAIN: Duration = Duration::from_secs(5);

/// How long until it is asked again whether what was heard could be written meanwhile.
const UNKEPT: Duration = Duration::from_millis(500);

/// Longer than any silence that ends a report, in microseconds.
const SILENCE: i64 = 3_600_000_000;

/// What it takes to read one analyzer's tape.
pub struct Reading {
    pub tape: Tape,
    pub ledger: Ledger,
    pub bench: Arc<Bench>,
    pub analyzer: Arc<Analyzer>,
    pub events: Events,
    /// One for each receiver's deliverer.
    pub wakes: Vec<Arc<Notify>>,
    /// Shared with who hears the line. None: nobody does.
    pub between: Option<Arc<Between>>,
    /// What became of answers, as far as the ledger does not know it.
    pub said: VecDeque<(u64, Said)>,
    /// Two daemons must not read two analyzers of one name into one ledger.
    pub lease: KeptLease,
    /// The ledger could not be reached the last time; false at first.
    pub away: bool,
    /// Controls may have passed, and nobody has looked yet whom that lets go; true at first.
    pub owed: bool,
    /// Says that it turns.
    pub beat: Beat,
    pub stop: watch::Receiver<bool>,
}

/// How far reading has come.
struct Cursor {
    ear: Ear,
    last: i64,
    safe: i64,
    noted: i64,
    clock: TapeClock,
    found: Vec<HeardReport>,
    asked: Vec<HeardQuestion>,
    /// All that was no print, and whether some of it came since the place was noted.
    noise: Noise,
    noisy: bool,
    /// The line was not heard at some time since the last report.
    unheard: bool,
}

impl Cursor {
    fn has_something(&self) -> bool {
        !self.found.is_empty() || !self.asked.is_empty() || self.noisy
    }
}

impl Reading {
    /// Reads until told to stop. An error means that the process must end.
    pub async fn run(mut self) -> Result<(), StoreError> {
        let mut stop = self.stop.clone();
        tokio::select! {
            () = self.beat.during(self.lease.held()) => {}
            () = super::stopped(&mut stop) => return Ok(()),
        }
        let Some(start) = self.start().await? else { return Ok(()) };
        let mut cursor = self.cursor(start);
        let mut commits = self.tape.commits(&self.analyzer.id);
        while !*self.stop.borrow() {
            self.beat.beat();
            self.release().await?;
            self.note_said().await?;
            let ends = commits.borrow_and_update().ends;
            let Some(entries) = self.heard_after(cursor.last, PAGE).await? else { continue };
            for entry in &entries {
                self.hear(&mut cursor, entry);
            }
            if cursor.has_something() || cursor.safe - cursor.noted > STRIDE {
                self.take_in(&mut cursor).await?;
            }
            if entries.is_empty() {
                self.wait(&mut cursor, (&mut commits, ends)).await?;
            }
        }
        Ok(())
    }

    fn cursor(&self, start: i64) -> Cursor {
        Cursor {
            ear: Ear::new(self.analyzer.dialect.as_ref()),
            last: start,
            safe: start,
            noted: start,
            clock: TapeClock::default(),
            found: Vec::new(),
            asked: Vec::new(),
            noise: Noise::default(),
            noisy: false,
            unheard: false,
        }
    }

    /// Reads the whole tape from its beginning, as if silence followed its end.
    pub async fn to_the_end(mut self) -> Result<(), StoreError> {
        let mut cursor = self.cursor(0);
        loop {
            let entries = self.tape.after(&self.analyzer.id, cursor.last, PAGE).await?;
            for entry in &entries {
                self.hear(&mut cursor, entry);
            }
            if entries.is_empty() {
                let at = cursor.clock.last_at();
                let silence = cursor.clock.last().saturating_add(SILENCE);
                cursor.ear.handle_timeout(silence);
                cursor.ear.handle_closed(silence);
                self.collect(&mut cursor, at);
            }
            if cursor.has_something() {
                self.take_in(&mut cursor).await?;
                self.release().await?;
            }
            if entries.is_empty() {
                return Ok(());
            }
        }
    }

    /// Where reading begins. None: told to stop before the ledger could say.
    async fn start(&mut self) -> Result<Option<i64>, StoreError> {
        while !*self.stop.borrow() {
            self.beat.beat();
            let position = self.ledger.position(&self.tape.id, &self.analyzer.id);
            match self.ledger.within(position).await {
                Err(error) if !error.is_fatal() => self.ledger_away(&error).await,
                other => {
                    self.ledger_back();
                    return other.map(Some);
                }
            }
        }
        Ok(None)
    }

    fn hear(&self, cursor: &mut Cursor, entry: &Entry) {
        let now = cursor.clock.at(entry);
        let ear = &mut cursor.ear;
        let heard = guarded(|| match entry.kind {
            Kind::Bytes => ear.handle_input(now, &entry.data, entry.start, &entry.flaws),
            Kind::Opened | Kind::Closed => ear.handle_closed(now),
            Kind::Gap => ear.handle_gap(now),
        });
        if let Err(tripped) = heard {
            self.deafened(cursor, entry, &tripped);
        }
        cursor.last = entry.n;
        self.collect(cursor, entry.at);
        // Behind what such an event ends: that was heard before it.
        cursor.unheard |= entry.kind != Kind::Bytes;
    }

    /// What was heard here trips whoever cuts it into reports: it is held as it is, and what follows is heard anew.
    fn deafened(&self, cursor: &mut Cursor, entry: &Entry, tripped: &Tripped) {
        error!(analyzer = %self.analyzer.id, %tripped, "what was heard could not be cut into reports: it is held");
        cursor.ear = Ear::new(self.analyzer.dialect.as_ref());
        let to = entry.start.saturating_add(entry.data.len() as u64);
        let place = Place { from: entry.start, to };
        let text = Private::new(String::from_utf8_lossy(&entry.data));
        let doubt = Hold::new(Reason::Unreadable, tripped.to_string());
        let report = Report {
            place,
            lines: vec![RawLine { place, text }],
            doubts: vec![doubt],
            ..Report::default()
        };
        let unheard = std::mem::take(&mut cursor.unheard);
        cursor.found.push(HeardReport { report, part: 0, heard_at: entry.at, unheard });
    }

    fn collect(&self, cursor: &mut Cursor, at: i64) {
        while let Some(transmission) = cursor.ear.poll_transmission() {
            let reports = self.analyzer.dialect.read(&transmission);
            for (part, report) in reports.into_iter().enumerate() {
                let unheard = std::mem::take(&mut cursor.unheard);
                cursor.found.push(HeardReport { report, part, heard_at: at, unheard });
            }
            cursor.asked.extend(self.asked(&transmission, at));
        }
        if cursor.ear.is_idle() {
            cursor.safe = cursor.last;
        }
        self.tell_noise(cursor);
    }

    /// Noise is no report: the analyzer was not heard by it, and nobody has to settle it.
    fn tell_noise(&self, cursor: &mut Cursor) {
        let more = cursor.ear.take_noise();
        if more.is_none() {
            return;
        }
        cursor.noise.add(more);
        cursor.noisy = true;
        let analyzer = self.analyzer.id.clone();
        info!(%analyzer, bytes = more.bytes, "noise on the line: kept on the tape, and no report");
        self.events.tell(Event::LineNoise { analyzer, more, all: cursor.noise });
    }

    /// What stands on the tape behind an entry. None: it cannot be read at present, and that was waited for.
    async fn heard_after(&mut self, n: i64, limit: i64) -> Result<Option<Vec<Entry>>, StoreError> {
        match self.tape.after(&self.analyzer.id, n, limit).await {
            Err(error) if !error.is_fatal() => {
                self.ledger_away(&error).await;
                Ok(None)
            }
            other => {
                self.ledger_back();
                other.map(Some)
            }
        }
    }

    /// Waits for more on the tape, or for the silence that ends a report.
    async fn wait(
        &mut self,
        cursor: &mut Cursor,
        (commits, ends): (&mut watch::Receiver<Committed>, u64),
    ) -> Result<(), StoreError> {
        let mut stop = self.stop.clone();
        let deadline = cursor.ear.poll_timeout().map(|t| cursor.clock.back(t));
        tokio::select! {
            () = self.beat.during(more((commits, ends), self.between.as_deref())) => return Ok(()),
            () = super::stopped(&mut stop) => return Ok(()),
            () = tokio::time::sleep_until(clock::instant_at(deadline.unwrap_or(0))),
                if deadline.is_some() => {}
            () = tokio::time::sleep(AGAIN), if self.owed || !self.said.is_empty() => return Ok(()),
        }
        // Silence is only silence where everything that was heard before it can be read.
        let Some(tick) = self.tape.settle(&self.analyzer.id).await else {
            tokio::select! {
                Ok(()) = commits.changed() => {}
                () = super::stopped(&mut stop) => {}
                () = tokio::time::sleep(UNKEPT) => {}
            }
            return Ok(());
        };
        let behind = self.heard_after(cursor.last, 1).await?;
        if behind.is_some_and(|entries| entries.is_empty()) {
            cursor.ear.handle_timeout(cursor.clock.forward(tick));
            self.collect(cursor, clock::now_us());
            if cursor.has_something() {
                self.take_in(cursor).await?;
            }
        }
        Ok(())
    }

    /// Judges what was found and commits it; while the ledger is away, tries until it is back.
    async fn take_in(&mut self, cursor: &mut Cursor) -> Result<(), StoreError> {
        if !self.ours().await {
            return Ok(());
        }
        let (heard, asked) = (std::mem::take(&mut cursor.found), std::mem::take(&mut cursor.asked));
        // Nothing found is a group too: the place is noted. What was asked waits for the results before it.
        let mut groups: Vec<&[HeardReport]> = heard.chunks(GROUP).collect();
        if groups.is_empty() || !asked.is_empty() {
            groups.push(&[]);
        }
        let mut groups = groups.into_iter().peekable();
        while let Some(group) = groups.next() {
            // Only with the last group is everything before the safe place taken in.
            let last = groups.peek().is_none();
            if last && !self.take_questions(&asked).await? {
                return Ok(());
            }
            let safe = if last { cursor.safe } else { cursor.noted };
            let span = Span { noted: cursor.noted, safe };
            if !self.take_group(group, span).await? {
                return Ok(());
            }
        }
        (cursor.noted, cursor.noisy) = (cursor.safe, false);
        Ok(())
    }

    /// Waits until the analyzer is ours to read. False: told to stop before.
    async fn ours(&mut self) -> bool {
        let mut stop = self.stop.clone();
        if self.lease.now().is_none() {
            warn!(analyzer = %self.analyzer.id, "not ours to read now: what is heard stays on the tape");
            tokio::select! {
                () = self.beat.during(self.lease.held()) => {}
                () = super::stopped(&mut stop) => return false,
            }
        }
        true
    }

    /// One transaction's worth. False: told to stop before it could be done.
    async fn take_group(&mut self, group: &[HeardReport], span: Span) -> Result<bool, StoreError> {
        let mut failed = 0;
        loop {
            self.beat.beat();
            let (line, end) = (&self.analyzer.id, group.iter().map(|h| h.report.place.to).max());
            let done = async {
                self.tape.may_be_read(line, end.unwrap_or(0)).await?;
                self.ledger.intake(&self.bench, &self.analyzer, &self.tape.id, group, span).await
            };
            let step = debug_span!("intake", reports = group.len());
            let done = guarded_while(self.ledger.within(done).instrument(step)).await;
            match done.unwrap_or_else(|tripped| Err(StoreError::Tripped(tripped))) {
                Ok(taken) => {
                    self.ledger_back();
                    self.owed |= taken.controls;
                    self.tell(taken);
                    return Ok(true);
                }
                // Also what should never happen: one report must not take the whole house down.
                Err(error) if !error.is_fatal() => {
                    if *self.stop.borrow() {
                        return Ok(false);
                    }
                    failed += match error {
                        StoreError::Tripped(_) => TRIES,
                        _ => usize::from(!error.is_passing()),
                    };
                    if failed >= TRIES && !group.is_empty() && self.ledger.takes_writes().await {
                        return Box::pin(self.part(group, span, error)).await;
                    }
                    self.ledger_away(&error).await;
                }
                Err(error) => return Err(error),
            }
        }
    }

    /// A group that fails on a ledger that takes writes: its halves, down to the one report that it is for.
    /// That is kept as its lines, and the others go on.
    async fn part(
        &mut self,
        group: &[HeardReport],
        span: Span,
        error: StoreError,
    ) -> Result<bool, StoreError> {
        let [one] = group else {
            let (first, rest) = group.split_at(group.len() / 2);
            let before = Span { safe: span.noted, ..span };
            return Ok(self.take_group(first, before).await? && self.take_group(rest, span).await?);
        };
        let (bench, tape) = (&self.bench, &self.tape.id);
        let kept = self.ledger.keep_unread(bench, &self.analyzer, tape, one, span, &error);
        match self.ledger.within(kept).await {
            Ok(taken) => {
                error!(analyzer = %self.analyzer.id, "a report could not be taken in: held as unreadable");
                self.ledger_back();
                self.tell(taken);
                Ok(true)
            }
            Err(error) if !error.is_fatal() => {
                self.ledger_away(&error).await;
                self.take_group(group, span).await
            }
            Err(error) => Err(error),
        }
    }

    /// What was held for controls may go, after a start and after each run of control material. Where
    /// the ledger is away for this, it is tried again.
    async fn release(&mut self) -> Result<(), StoreError> {
        if self.lease.now().is_none() || !std::mem::take(&mut self.owed) {
            return Ok(());
        }
        let passed = self.ledger.release_passed(&self.bench, &self.analyzer);
        match self.ledger.within(passed).await {
            Ok(0) => {}
            Ok(released) => {
                info!(analyzer = %self.analyzer.id, released, "controls have passed");
                self.wakes.iter().for_each(|wake| wake.notify_waiters());
            }
            Err(error) if error.is_fatal() => return Err(error),
            Err(error) => {
                self.owed = true;
                warn!(analyzer = %self.analyzer.id, %error, "held for controls still");
            }
        }
        Ok(())
    }

    async fn ledger_away(&mut self, error: &StoreError) {
        if !std::mem::replace(&mut self.away, true) {
            warn!(analyzer = %self.analyzer.id, %error, "reading waits; the tape goes on");
            self.events.tell(Event::LedgerAway { why: error.to_string() });
            self.events.seen.ledger(&self.analyzer.id, false);
        }
        let mut stop = self.stop.clone();
        tokio::select! {
            () = tokio::time::sleep(Duration::from_millis(500)) => {}
            () = super::stopped(&mut stop) => {}
        }
    }

    fn ledger_back(&mut self) {
        if std::mem::take(&mut self.away) {
            info!(analyzer = %self.analyzer.id, "the ledger is back: reading goes on");
            self.events.tell(Event::LedgerBack);
            self.events.seen.ledger(&self.analyzer.id, true);
        }
    }

    fn tell(&self, taken: Taken) {
        if taken.messages > 0 {
            self.wakes.iter().for_each(|wake| wake.notify_waiters());
        }
        for report in taken.reports {
            info!(analyzer = %self.analyzer.id, report = report.id, state = report.state.text(),
                reason = report.reason.map(|r| r.code()), "report read");
            self.events.tell(Event::Report {
                id: report.id.to_string(),
                analyzer: self.analyzer.id.clone(),
                number: report.number,
                class: report.class,
                state: report.state.text(),
                reason: report.reason.map(|r| r.code()),
            });
        }
        for Gap { numbers, count } in taken.missing {
            info!(analyzer = %self.analyzer.id, numbers, count, "numbers skipped");
            let analyzer = self.analyzer.id.clone();
            self.events.tell(Event::Missing { analyzer, number: numbers, count });
        }
    }
}

/// Waits until reading is worth while. Inside a framed message or a print it is not: nothing can be understood before
/// its end, and every look at the tape would delay the analyzer's next frame.
async fn more((commits, ends): (&mut watch::Receiver<Committed>, u64), between: Option<&Between>) {
    let (mut whole, late) = (commits.clone(), async {
        let _ = commits.changed().await;
        tokio::time::sleep(LATE).await;
    });
    let said = async {
        match between {
            Some(between) => between.ended.notified().await,
            None => std::future::pending().await,
        }
    };
    tokio::select! {
        () = said => {}
        _ = whole.wait_for(|committed| committed.ends != ends) => {}
        () = late => {}
    }
}
