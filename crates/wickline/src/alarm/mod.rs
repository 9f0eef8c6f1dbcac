//! Tells who asked for it when something needs a person, and when that is over: what `status` says, and nothing else.
//!
//! Nothing waits for it: it looks and sends by itself, one at a time, and what cannot be delivered is told in the log
//! and in `status` and tried again. Only what was delivered counts as told, so that what is sent is never older than
//! the last look.

mod memory;
pub mod sending;
mod words;

use std::path::PathBuf;
use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

use tokio::sync::watch;
use tracing::{info, warn};

use self::memory::{Due, Memory};
pub use self::words::Message;
use crate::clock;
use crate::daemon::{Sight, Task};
use crate::pipeline::event::{Event, Events};
use crate::settings::bench::{Alarm, Bench};
use crate::sheet::now::Now;
use crate::store::rows::daemon_state::Kind;

/// Between two looks, where nothing happens.
const EVERY: Duration = Duration::from_secs(15);
/// How long after its start a daemon may not know yet what is wrong: a line waits for its device, a receiver for
/// its turn.
const FRESH: Duration = Duration::from_secs(60);
/// From what happens to the look at it: until the ledger knows, too.
const SETTLED: Duration = Duration::from_secs(2);
/// Between two tries to tell: at first, and at most.
const PAUSE: Duration = Duration::from_secs(15);
const LONGEST: Duration = Duration::from_secs(900);

/// Sends a test. The error says why it did not arrive.
pub async fn tried(alarm: &Alarm, bench: &Bench) -> Result<(), String> {
    let due = Due::default();
    let message = Message { alarm, bench, at: clock::now_us(), due: &due, test: true };
    sending::send(alarm, &message).await
}

/// What tells, as long as this bench is used.
#[must_use]
pub fn tasks(sight: &Sight) -> Vec<Task> {
    begun();
    let bench = sight.bench.borrow().clone();
    if bench.alarms.is_empty() {
        return Vec::new();
    }
    let (look, looks) = watch::channel(None);
    let mut tasks = vec![sight.until(watched(sight.clone(), look))];
    for alarm in &bench.alarms {
        let known = sight.events.seen.points().remove(&(Kind::Alarm, alarm.id.clone()));
        let teller = Teller {
            alarm: alarm.clone(),
            bench: bench.clone(),
            looks: looks.clone(),
            events: sight.events.clone(),
            path: bench.tape.with_extension(format!("alarm-{}", alarm.id)),
            failed: known.as_ref().is_some_and(|point| !point.up),
        };
        if known.is_none() {
            sight.events.tell(Event::Alarm { alarm: alarm.id.clone(), up: true, why: None });
        }
        tasks.push(sight.until(teller.run()));
    }
    tasks
}

/// When this process began to tell: a reload begins nothing.
fn begun() -> Instant {
    static BEGUN: OnceLock<Instant> = OnceLock::new();
    *BEGUN.get_or_init(Instant::now)
}

/// Looks now and then, and when something has happened.
async fn watched(sight: Sight, look: watch::Sender<Option<Arc<Now>>>) {
    let mut changes = sight.events.seen.changes();
    loop {
        tokio::time::sleep(SETTLED).await;
        look.send_replace(Some(Arc::new(looked(&sight).await)));
        tokio::select! {
            () = tokio::time::sleep(EVERY) => {}
            () = changes.next() => {}
        }
    }
}

/// How everything is, as far as that can be seen now.
pub async fn looked(sight: &Sight) -> Now {
    let (bench, ledger) = (sight.bench.borrow().clone(), sight.ledger.borrow().clone());
    let seen = &sight.events.seen;
    let why = match ledger {
        Some(ledger) => match ledger.within(Now::read(&ledger, &bench)).await {
            Ok(now) => return now,
            Err(error) => error.to_string(),
        },
        None => seen.ledger_away().unwrap_or_default(),
    };
    Now::without_ledger(&bench, seen.points(), &why)
}

/// Tells one place.
struct Teller {
    alarm: Arc<Alarm>,
    bench: Arc<Bench>,
    looks: watch::Receiver<Option<Arc<Now>>>,
    events: Events,
    /// What was told is kept beside the tape: a start tells nothing twice, and what ended meanwhile is told.
    path: PathBuf,
    failed: bool,
}

impl Teller {
    async fn run(mut self) {
        let (mut memory, mut pause) = (Memory::read(&self.path), PAUSE);
        while self.looks.changed().await.is_ok() {
            let Some(now) = self.looks.borrow_and_update().clone() else { continue };
            let at = clock::now_us();
            memory.look(&self.alarm, &now, at, begun().elapsed() < FRESH);
            let quiet = self.alarm.quiet.is_some_and(|hours| hours.holds(&self.bench.clock, at));
            let due = memory.due(&self.alarm, at, quiet);
            if due.is_empty() && !self.failed {
                continue;
            }
            let message =
                Message { alarm: &self.alarm, bench: &self.bench, at, due: &due, test: false };
            match sending::send(&self.alarm, &message).await {
                Ok(()) => {
                    let (begun, over) = (due.begun.len(), due.over.len());
                    info!(alarm = self.alarm.id, begun, over, "told");
                    pause = PAUSE;
                    memory.told(due, at);
                    if let Err(error) = memory.keep(&self.path) {
                        warn!(alarm = self.alarm.id, %error, "after a start it is told again");
                    }
                    self.is(None);
                }
                Err(why) => {
                    warn!(alarm = self.alarm.id, why, "an alarm is not delivered: trying again");
                    self.is(Some(why));
                    tokio::time::sleep(pause).await;
                    pause = (pause * 2).min(LONGEST);
                }
            }
        }
    }

    /// Whether it can be told is known anew.
    fn is(&mut self, why: Option<String>) {
        let up = why.is_none();
        if up && !self.failed {
            return;
        }
        self.failed = !up;
        self.events.tell(Event::Alarm { alarm: self.alarm.id.clone(), up, why });
    }
}
