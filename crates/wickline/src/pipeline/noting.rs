//! What the tape is to remember of the ledger, noted every few seconds and at a stop; a ledger that was set
//! back while this runs, or a file of a store that is no longer at its path, ends the process, so that the next start
//! sees to it.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::watch;
use tracing::warn;

use super::stopped;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::seen::Seen;
use crate::store::tape::Tape;

/// How often the ledger is looked at. So long may what was read and sent last go unremembered: an older copy
/// that was made while this ran is only told from the present one by what was noted since.
const LOOK: Duration = Duration::from_secs(2);

/// What it takes to note in the tape how the ledger stands.
pub struct Noting {
    bench: Arc<Bench>,
    tape: Tape,
    ledger: Ledger,
    stop: watch::Receiver<bool>,
    last: Option<Seen>,
}

impl Noting {
    /// Notes once, before anything is read or sent: from here on a ledger without this start was set back.
    pub async fn begin(
        bench: Arc<Bench>,
        tape: Tape,
        ledger: Ledger,
        stop: watch::Receiver<bool>,
    ) -> Result<Self, StoreError> {
        let last = match tape.ledger_seen().await {
            Err(error) if error.is_fatal() => return Err(error),
            seen => seen.ok().flatten(),
        };
        let mut noting = Self { bench, tape, ledger, stop, last };
        noting.look().await?;
        Ok(noting)
    }

    /// Notes until told to stop. An error means that the process must end.
    pub async fn run(mut self) -> Result<(), StoreError> {
        let mut stop = self.stop.clone();
        loop {
            tokio::select! {
                () = tokio::time::sleep(LOOK) => {}
                () = stopped(&mut stop) => return Ok(()),
            }
            self.look().await?;
        }
    }

    /// A store that is away is told of by those who need it. A file that was taken away is noticed here where nothing
    /// is heard, and so nothing written, that would notice it.
    async fn look(&mut self) -> Result<(), StoreError> {
        self.tape.db().is_still_there()?;
        self.ledger.db.is_still_there()?;
        match self.ledger.within(self.note()).await {
            Ok(Some(now)) => self.last = Some(now),
            Err(error) if error.is_fatal() => return Err(error),
            _ => {}
        }
        Ok(())
    }

    async fn note(&self) -> Result<Option<Seen>, StoreError> {
        let now = self.ledger.stands(&self.tape.id).await?;
        if self.last.as_ref() == Some(&now) {
            return Ok(None);
        }
        if let Some(last) = &self.last
            && !self.ledger.goes_on(&now, last).await?
        {
            let why = "it was set back while this ran".into();
            return Err(StoreError::Unsafe { what: self.ledger.label(), why });
        }
        let lines: Vec<&str> = self.bench.analyzers.iter().map(|a| a.id.as_str()).collect();
        self.tape.note_ledger(&now, &lines).await?;
        Ok(Some(now))
    }
}

/// The last note, when nothing reads and nothing sends any more.
pub async fn at_rest(tape: &Tape, ledger: &Ledger) -> Result<(), StoreError> {
    let noted = async { tape.note_at_rest(&ledger.stands(&tape.id).await?).await };
    match ledger.within(noted).await {
        Err(error) if !error.is_fatal() => {
            warn!(%error, "the tape does not remember the ledger's last state");
            Ok(())
        }
        other => other,
    }
}
