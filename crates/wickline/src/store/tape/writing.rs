//! Writing the tape: one task commits whatever has gathered since its last sync in one statement, and
//! only then redeems the tickets. What cannot be written waits in bounded memory.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use sqlx::{AssertSqlSafe, Executor};
use tokio::sync::{mpsc, oneshot, watch};
use tracing::{Instrument, debug_span, error, info, warn};

use super::{Commits, Kind, signed};
use crate::clock;
use crate::pulse::Beat;
use crate::store::StoreError;
use crate::store::db::{Db, Write};
use crate::store::disk_room::{Ballast, free_bytes};

/// Entries in one commit at most.
const GROUP: usize = 256;
/// Rows of one statement at most: SQLite takes 32,766 parameters.
const ROWS: usize = 1000;
/// Bytes kept in memory while the tape cannot be written; beyond that a gap is recorded.
const MEMORY: usize = 8 << 20;
/// Bytes of memory that an entry takes beside its own.
const ENTRY: usize = 160;
/// How long bytes for which nobody waits are gathered before they are written with one sync.
const GATHER: Duration = Duration::from_millis(30);
/// How long until what could not be written is tried again.
const AGAIN: Duration = Duration::from_millis(500);

/// Redeemed with true once the entry is on the disk, with false when it could not be put there.
pub type Ticket = oneshot::Receiver<bool>;

/// By line, how many bytes were heard and are not on the tape. A line stands here as long as anything of
/// it, be it an event without bytes, is in memory alone.
pub type Unkept = BTreeMap<String, u64>;

/// What the writing task is asked.
pub(super) enum Ask {
    Keep(Append),
    /// A print of this line ended with what was handed over before this.
    Ended(String),
    /// Whether everything that a line said before this can be read.
    Readable {
        line: String,
        answer: oneshot::Sender<bool>,
    },
}

/// One entry on its way to the disk.
pub(super) struct Append {
    line: String,
    at: i64,
    tick: i64,
    kind: Kind,
    start: u64,
    data: Vec<u8>,
    flaws: Vec<usize>,
    ticket: Option<oneshot::Sender<bool>>,
    /// An analyzer waits for it.
    awaited: bool,
}

/// One line's end of the tape. It alone hands out the line's offsets.
#[derive(Debug)]
pub struct LineTape {
    pub(super) line: String,
    pub(super) next: u64,
    pub(super) asks: mpsc::Sender<Ask>,
    pub(super) order: Arc<Mutex<()>>,
    /// The analyzer waits until what it said is kept.
    pub(super) awaited: bool,
}

/// Bytes that were handed to the tape.
pub struct Handed {
    /// The line's offset of the first.
    pub start: u64,
    /// When they were heard, as the tape has it.
    pub tick: i64,
    pub ticket: Ticket,
}

/// The writing task's half; [`Writer::run`] it.
pub struct Writer {
    pub(super) db: Db,
    pub(super) folder: PathBuf,
    pub(super) low_water: u64,
    /// Given up when the disk is full, so that there is room to work in.
    pub(super) ballast: Option<Ballast>,
    pub(super) asks: mpsc::Receiver<Ask>,
    pub(super) commits: Commits,
    pub(super) healthy: watch::Sender<bool>,
    pub(super) unkept: watch::Sender<Unkept>,
    /// Not on the disk yet, in the order in which it was heard.
    pub(super) waiting: Vec<Append>,
    /// Lines of which a print came to its end.
    pub(super) ended: BTreeSet<String>,
    /// Who asked meanwhile whether a line can be read.
    pub(super) questions: Vec<(String, oneshot::Sender<bool>)>,
    /// Per line: bytes that memory had no room for.
    pub(super) lost: HashMap<String, Lost>,
}

#[derive(Debug)]
pub(super) struct Lost {
    from: u64,
    bytes: u64,
    /// When the first of them was heard: only before that was the line silent.
    at: i64,
    tick: i64,
}

impl LineTape {
    /// Of a line on which nothing is answered: what it says may be gathered for a moment.
    #[must_use]
    pub fn unawaited(self) -> Self {
        Self { awaited: false, ..self }
    }

    /// Notes that a print ended: it is not gathered any longer, and is read at once.
    pub async fn ended(&self) {
        // A closed channel means that the process is about to end.
        let _ = self.asks.send(Ask::Ended(self.line.clone())).await;
    }

    /// Hands bytes to the tape; the ticket says when they are safe.
    pub async fn bytes(&mut self, data: &[u8], flaws: &[usize]) -> Handed {
        let start = self.next;
        self.next += data.len() as u64;
        let (tick, ticket) = self.append(Kind::Bytes, start, data.to_vec(), flaws.to_vec()).await;
        Handed { start, tick, ticket }
    }

    /// Notes something that happened to the line.
    pub async fn event(&mut self, kind: Kind) -> Ticket {
        self.append(kind, self.next, Vec::new(), Vec::new()).await.1
    }

    /// Notes that this process hears the line from here on: what another left open ends here. The time
    /// between the two is no silence, so this stands at the first of this process's ticks.
    pub async fn begin(&mut self) {
        let (at, tick, start) = (clock::now_us(), 0, self.next);
        let (line, data, flaws) = (self.line.clone(), Vec::new(), Vec::new());
        let (kind, ticket, awaited) = (Kind::Closed, None, false);
        let append = Append { line, at, tick, kind, start, data, flaws, ticket, awaited };
        // A closed channel means that the process is about to end.
        let _ = self.asks.send(Ask::Keep(append)).await;
    }

    async fn append(
        &mut self,
        kind: Kind,
        start: u64,
        data: Vec<u8>,
        flaws: Vec<usize>,
    ) -> (i64, Ticket) {
        let (ticket, redeem) = oneshot::channel();
        let line = self.line.clone();
        let room = self.asks.reserve().await;
        let _order = self.order.lock().unwrap_or_else(PoisonError::into_inner);
        let (at, tick) = (clock::now_us(), clock::tick_us());
        let (ticket, awaited) = (Some(ticket), self.awaited);
        let append = Append { line, at, tick, kind, start, data, flaws, ticket, awaited };
        // A closed channel drops the ticket, which reads as "not kept".
        if let Ok(room) = room {
            room.send(Ask::Keep(append));
        }
        (tick, redeem)
    }
}

impl Writer {
    /// Writes until every line's end is gone and nothing is left to write. An error means that the
    /// process must end.
    pub async fn run(mut self) -> Result<(), StoreError> {
        let beat = Beat::of("the tape's writer");
        loop {
            beat.beat();
            if self.waiting.is_empty() && !self.is_awaited() && self.lost.is_empty() {
                match beat.during(self.asks.recv()).await {
                    Some(first) => self.take(first),
                    None => return Ok(()),
                }
            }
            self.gather(&beat).await;
            let begun = std::time::Instant::now();
            match self.commit().await {
                Ok(()) => {
                    metrics::histogram!("wickline_tape_commit_seconds").record(begun.elapsed());
                    self.kept();
                }
                Err(error) if error.is_passing() => {
                    self.keep_in_memory(&error);
                    tokio::time::sleep(AGAIN).await;
                }
                Err(error) => {
                    self.tell_health(false);
                    error!(%error, "the tape is not safe: stopping");
                    self.waiting.drain(..).for_each(|append| redeem(append.ticket, false));
                    return Err(error);
                }
            }
        }
    }

    /// Takes what else goes with the next sync. Where somebody waits for that, no more than is there already.
    async fn gather(&mut self, beat: &Beat) {
        let until = tokio::time::Instant::now() + GATHER;
        // What comes behind bytes that were lost must not stand before the gap.
        while self.waiting.len() < GROUP && self.lost.is_empty() {
            if let Ok(next) = self.asks.try_recv() {
                self.take(next);
            } else if self.is_awaited() {
                break;
            } else {
                match tokio::time::timeout_at(until, beat.during(self.asks.recv())).await {
                    Ok(Some(next)) => self.take(next),
                    Ok(None) | Err(_) => break,
                }
            }
        }
    }

    /// Somebody waits for what was taken: an analyzer, or who reads what it printed.
    fn is_awaited(&self) -> bool {
        let waits = |append: &Append| append.awaited;
        !self.questions.is_empty() || !self.ended.is_empty() || self.waiting.iter().any(waits)
    }

    fn take(&mut self, ask: Ask) {
        match ask {
            Ask::Ended(line) => drop(self.ended.insert(line)),
            Ask::Keep(append) => self.waiting.push(append),
            Ask::Readable { line, answer } => self.questions.push((line, answer)),
        }
    }

    /// Everything taken so far is on the disk.
    fn kept(&mut self) {
        // Where there was nothing to write, nothing is known of the disk.
        if !self.waiting.is_empty() || !self.lost.is_empty() {
            self.tell_health(true);
        }
        let said = self.waiting.iter().map(|append| &append.line).chain(self.lost.keys());
        self.commits.tell(&said.map(String::as_str).collect(), &std::mem::take(&mut self.ended));
        self.lost.clear();
        self.unkept.send_if_modified(|unkept| !std::mem::take(unkept).is_empty());
        self.waiting.drain(..).for_each(|append| redeem(append.ticket, true));
        self.answer();
    }

    /// Says of each line that was asked after whether anything of it is in memory alone.
    fn answer(&mut self) {
        let unkept = self.unkept.borrow();
        for (line, answer) in self.questions.drain(..) {
            let _ = answer.send(!unkept.contains_key(&line));
        }
    }

    fn tell_health(&self, healthy: bool) {
        self.healthy.send_if_modified(|was| {
            let changed = *was != healthy;
            if changed && healthy {
                info!("the tape is being written again");
            }
            *was = healthy;
            changed
        });
    }

    async fn commit(&mut self) -> Result<(), StoreError> {
        let gaps: Vec<Append> = self.lost.iter().map(|(line, lost)| gap(line, lost)).collect();
        let rows: Vec<&Append> = self.waiting.iter().chain(&gaps).collect();
        if rows.is_empty() {
            return Ok(());
        }
        // The low-water mark is for those who go on working: the last that is heard before a stop is
        // kept below it too.
        let low = self.low_water > 0 && !self.asks.is_closed();
        if low && free_bytes(&self.folder).is_ok_and(|free| free < self.low_water) {
            return Err(StoreError::Full { what: "the tape".into() });
        }
        if rows.len() <= ROWS {
            let mut write = self.db.write_alone().await?;
            insert(&mut write, &rows).await?;
            write.commit().instrument(debug_span!("commit", entries = rows.len())).await?;
        } else {
            // After an outage: all of it or nothing, in statements that the database can take.
            let mut write = self.db.write().await?;
            for part in rows.chunks(ROWS) {
                insert(&mut write, part).await?;
            }
            write.commit().await?;
        }
        self.lost.iter().for_each(|(line, lost)| {
            metrics::counter!("wickline_lost_bytes_total", "analyzer" => line.clone())
                .increment(lost.bytes);
        });
        Ok(())
    }

    /// The disk is full or locked: say no to those who asked, keep what fits, count the rest.
    fn keep_in_memory(&mut self, error: &StoreError) {
        if *self.healthy.borrow() {
            warn!(%error, "the tape cannot be written: analyzers that wait get no, printed lines go to memory");
        }
        self.tell_health(false);
        if matches!(error, StoreError::Full { .. })
            && self.ballast.as_ref().is_some_and(Ballast::drop_off)
        {
            warn!("the disk is full: ballast given up, so that people can work and clear it");
        }
        // What was let in stays, whatever is lost behind it.
        let mut settled = if self.lost.is_empty() { 0 } else { self.waiting.len() };
        while let Ok(next) = self.asks.try_recv() {
            self.take(next);
        }
        let (mut kept, lost) = (0, &mut self.lost);
        self.waiting.retain_mut(|append| {
            redeem(append.ticket.take(), false);
            // What an entry costs beside its bytes counts too: a line that dribbles is bounded as well.
            kept += ENTRY + append.data.len();
            let keep = settled > 0 || (kept <= MEMORY && !lost.contains_key(&append.line));
            settled = settled.saturating_sub(1);
            if !keep {
                let (from, at, tick) = (append.start, append.at, append.tick);
                let new = Lost { from, bytes: 0, at, tick };
                lost.entry(append.line.clone()).or_insert(new).bytes += append.data.len() as u64;
            }
            keep
        });
        let mut unkept = Unkept::new();
        let in_memory = self.waiting.iter().map(|a| (&a.line, a.data.len() as u64));
        for (line, bytes) in in_memory.chain(self.lost.iter().map(|(l, lost)| (l, lost.bytes))) {
            *unkept.entry(line.clone()).or_default() += bytes;
        }
        self.unkept.send_replace(unkept);
        self.answer();
    }
}

fn redeem(ticket: Option<oneshot::Sender<bool>>, kept: bool) {
    if let Some(ticket) = ticket {
        let _ = ticket.send(kept);
    }
}

fn gap(line: &str, lost: &Lost) -> Append {
    Append {
        line: line.to_owned(),
        at: lost.at,
        tick: lost.tick,
        kind: Kind::Gap,
        start: lost.from,
        data: lost.bytes.to_string().into_bytes(),
        flaws: Vec::new(),
        ticket: None,
        awaited: false,
    }
}

async fn insert(write: &mut Write, rows: &[&Append]) -> Result<(), StoreError> {
    let sql = format!(
        "INSERT INTO heard (line, at_us, tick_us, kind, start, data, flaws) VALUES {}",
        write.values(rows.len(), 7)
    );
    let mut query = sqlx::query(AssertSqlSafe(sql));
    for row in rows {
        let flaws = (!row.flaws.is_empty())
            .then(|| row.flaws.iter().map(ToString::to_string).collect::<Vec<_>>().join(","));
        query = query
            .bind(row.line.as_str())
            .bind(row.at)
            .bind(row.tick)
            .bind(row.kind.text())
            .bind(signed(row.start))
            .bind(row.data.as_slice())
            .bind(flaws);
    }
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}
