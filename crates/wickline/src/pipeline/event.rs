//! What happened, for those who watch: `run --json`, `demo`, the log. Never what a patient had.

use serde::Serialize;
use tokio::sync::broadcast;
use wickline_listen::line::Counts;
use wickline_listen::printed::Noise;

use super::seen::Seen;

/// One thing that happened. Ids, numbers and states only.
#[derive(Clone, Debug, Serialize)]
#[serde(rename_all = "kebab-case", tag = "event")]
pub enum Event {
    /// Everything is open; `lines` are the addresses where analyzers may connect.
    Ready {
        version: &'static str,
        lines: Vec<Bound>,
        receivers: Vec<String>,
        #[serde(flatten)]
        shown: Shown,
    },
    LineUp {
        analyzer: String,
        line: String,
    },
    LineDown {
        analyzer: String,
        why: String,
    },
    /// Who connected said nothing for a while, and is not heard any more: another is, from now on. `many`: too often,
    /// as where two devices connect to one line; `LineSettled` follows when it has been quiet.
    LineTakenOver {
        analyzer: String,
        from: String,
        by: String,
        many: bool,
    },
    LineSettled {
        analyzer: String,
    },
    /// Somebody who connected was turned away: told at once, and as long as it goes on every 10 s.
    LineRefused {
        analyzer: String,
        from: String,
        why: &'static str,
    },
    /// Breaks, and bytes that were lost or came with an error: how many more there are, and all since the line is
    /// heard. Told at once, and then at most once a minute.
    LineTroubles {
        analyzer: String,
        more: Counts,
        all: Counts,
    },
    /// A few bytes that are no print: more of it, and all since the line is read.
    LineNoise {
        analyzer: String,
        more: Noise,
        all: Noise,
    },
    /// No report for longer than the laboratory allows in its working hours: since when, in minutes. `LineSpeaks`
    /// follows when that is over.
    LineSilent {
        analyzer: String,
        minutes: i64,
    },
    LineSpeaks {
        analyzer: String,
    },
    /// How the copy of a line stands: `to` where it goes, `why` it does not, bytes that it `lost` in all and how many
    /// `more` those are than before.
    Tee {
        analyzer: String,
        to: String,
        up: bool,
        why: Option<String>,
        more: u64,
        lost: u64,
    },
    Report {
        id: String,
        analyzer: String,
        number: Option<String>,
        class: &'static str,
        state: &'static str,
        reason: Option<&'static str>,
    },
    /// An analyzer asked on its line which orders there are: what, for how many specimens, how many orders it is told
    /// of, and what becomes of the answer: `off` (its dialect says that nothing is answered), `none-owed`, `late`,
    /// `dropped`, or `waiting`; then `LineAnswered` follows.
    LineAsked {
        analyzer: String,
        asked: &'static str,
        specimens: usize,
        orders: usize,
        outcome: &'static str,
    },
    /// What became of an answer on the line: `delivered`, or `dropped` and why.
    LineAnswered {
        analyzer: String,
        outcome: &'static str,
        why: Option<&'static str>,
    },
    Missing {
        analyzer: String,
        /// One, or a range: `41-44`.
        number: String,
        count: i64,
    },
    Delivery {
        receiver: String,
        control_id: String,
        state: &'static str,
        attempts: i64,
    },
    ReceiverDown {
        receiver: String,
        why: String,
    },
    ReceiverUp {
        receiver: String,
    },
    /// The queue stands until a person looks: `queue` has the receiver's words.
    ReceiverStopped {
        receiver: String,
        reason: &'static str,
    },
    /// Unanswered many times although the receiver takes connections: one message holds up the rest.
    Stuck {
        receiver: String,
        control_id: String,
    },
    /// Too many messages wait, or one too long: `queue` tells.
    QueueLate {
        receiver: String,
        waiting: i64,
        /// Seconds since the oldest became ready.
        oldest_s: i64,
    },
    QueueInTime {
        receiver: String,
    },
    /// Where a source of orders may connect.
    SourceUp {
        source: String,
        address: String,
    },
    SourceDown {
        source: String,
        why: String,
    },
    /// Who connected was turned away, by address or by certificate: the last of them, and how many since the source may
    /// connect. Told at once, and as long as it goes on every 10 s.
    SourceTurnedAway {
        source: String,
        from: String,
        why: &'static str,
        times: u64,
    },
    /// A connection of a source was ended by us.
    SourceCut {
        source: String,
        why: &'static str,
    },
    /// A message of a source: how many of its orders were taken and refused; `again`: it came before, and was answered
    /// as then; `read`: false where nothing of it could be read.
    Orders {
        source: String,
        taken: usize,
        refused: usize,
        again: bool,
        read: bool,
    },
    /// A question about a specimen that nobody ordered: `heard`, `refused`, or `no-answer` with why.
    Asked {
        source: String,
        said: &'static str,
        why: Option<String>,
    },
    /// Whether one who is told what is wrong could be told; at first, and when that changes.
    Alarm {
        alarm: String,
        up: bool,
        why: Option<String>,
    },
    /// The tape takes nothing: framed messages are answered with no, printed ones kept in memory.
    TapeAway,
    TapeBack,
    /// A certificate ends within 30 days, or has ended.
    CertificateEnds {
        receiver: String,
        whose: &'static str,
        days: i64,
    },
    /// The ledger cannot be reached: lines go on to the tape.
    LedgerAway {
        why: String,
    },
    LedgerBack,
    /// A store was set back, is another or is new: told at every start until a person lifts it.
    Notice {
        kind: &'static str,
        why: String,
    },
    /// A SIGHUP came: the configuration is read again. `Ready` or `ConfigurationRefused` follows.
    Reloading,
    /// It cannot be used: the old one stays.
    ConfigurationRefused {
        why: String,
    },
    Stopping,
}

/// Where the console is served, and where health and metrics are by themselves.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Shown {
    pub console: Option<String>,
    pub watch: Option<String>,
}

/// Where a line listens.
#[derive(Clone, Debug, Serialize)]
pub struct Bound {
    pub analyzer: String,
    pub address: String,
}

/// A sender of events that nobody has to listen to.
#[derive(Clone, Debug)]
pub struct Events {
    sender: broadcast::Sender<Event>,
    /// How everything is by what was told.
    pub seen: Seen,
}

impl Default for Events {
    fn default() -> Self {
        Self { sender: broadcast::channel(4096).0, seen: Seen::default() }
    }
}

impl Events {
    pub fn tell(&self, event: Event) {
        super::counted::told(&event);
        self.seen.told(&event);
        let _ = self.sender.send(event);
    }

    #[must_use]
    pub fn watch(&self) -> broadcast::Receiver<Event> {
        self.sender.subscribe()
    }
}
