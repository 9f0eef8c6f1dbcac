//! How many descriptors this bench may need at most: whoever runs out of them hears no line and opens no store.

use rustix::process::{Resource, getrlimit};
use wickline_listen::line::LineKind;

use super::Bench;
use super::cautions::{Caution, caution};

/// Connections that an address of the console takes at once. A browser opens six, what gathers metrics one.
pub const PLACES: u64 = 64;
/// What every daemon has open: standard input and output, the runtime's own, locks, the log, a file that is read.
const ALWAYS: u64 = 64;
/// Connections to a store that are kept for the next question.
const KEPT: u64 = 4;
/// Files of one connection to a database of SQLite's: itself, its log, the log's index.
const FILES: u64 = 3;

impl Bench {
    /// The most that may be open at once: every line, receiver and place of the console in use, and each of them
    /// with a question to a store.
    #[must_use]
    pub fn descriptors(&self) -> u64 {
        let count = |n: usize| u64::try_from(n).unwrap_or(u64::MAX);
        let (lines, receivers) = (count(self.analyzers.len()), count(self.targets.len()));
        let doors = u64::from(self.console.is_some()) + u64::from(self.watch.is_some());
        let asked = PLACES * doors;
        // One writes; of the ledger's others one has the leases, one tells how everything is.
        let tape = FILES * (1 + lines + KEPT);
        let each = if self.ledger.is_sqlite() { FILES } else { 1 };
        let ledger = each * (3 + lines + receivers + KEPT + asked);
        // A port and its control; or where it listens, who is heard and who knocks.
        let line = |kind: &LineKind| match kind {
            LineKind::Serial { .. } => 2,
            LineKind::Tcp { .. } | LineKind::Rfc2217 { .. } => 1,
            LineKind::Listen { .. } => 3,
        };
        let lines: u64 = self.analyzers.iter().map(|analyzer| line(&analyzer.line.kind)).sum();
        // A copy's file or connection, and where it listens.
        let copies = 2 * count(self.analyzers.iter().filter(|a| a.tee.is_some()).count());
        // A connection, or the ends of what a command reads and says; and who looks what is wrong asks the ledger.
        let alarms = 4 * count(self.alarms.len());
        let looks = if self.alarms.is_empty() { 0 } else { each };
        // A connection, and the next one while it is being ended.
        ALWAYS + tape + ledger + lines + copies + 2 * receivers + doors + asked + alarms + looks
    }

    /// Told where the system gives fewer than may be needed, and no more can be asked for.
    pub(super) fn too_few_descriptors(&self) -> Option<Caution> {
        let (needed, most) = (self.descriptors(), getrlimit(Resource::Nofile).maximum?);
        (most < needed).then(|| {
            let text = format!(
                "at most {most} files and connections may be open, and {needed} may be needed: then a line, a store or \
                 a receiver waits for one. Raise it (LimitNOFILE={needed} in the unit, ulimit -n {needed} in a shell)"
            );
            caution("descriptors", text)
        })
    }
}
