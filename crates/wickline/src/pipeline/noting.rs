//! What the tape is to remember of the ledger, noted every few seconds and at a stop; a ledger that was set
//! back while this runs ends the process, so that the next start sees to it.

use std::time::Duration;

use tokio::sync::watch;
use tracing::warn;

use super::stopped;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::seen::Seen;
use crate::store::tape::Tape;

/// How often the ledger is looked at.
const LOOK: Duration = Duration::from_secs(5);

/// What it takes to note in the tape how the ledger stands.
pub struct Noting {
    pub tape: Tape,
    pub ledger: Ledger,
    pub stop: watch::Receiver<bool>,
}

impl Noting {
    /// Notes until told to stop. An error means that the process must end.
    pub async fn run(self) -> Result<(), StoreError> {
        let mut stop = self.stop.clone();
        let mut last = self.tape.ledger_seen().await?;
        loop {
            tokio::select! {
                () = tokio::time::sleep(LOOK) => {}
                () = stopped(&mut stop) => return Ok(()),
            }
            // A store that is away is told of by those who need it.
            match self.ledger.within(self.note(&mut last)).await {
                Err(error) if error.is_fatal() => return Err(error),
                _ => {}
            }
        }
    }

    async fn note(&self, last: &mut Option<Seen>) -> Result<(), StoreError> {
        let now = self.ledger.stands(&self.tape.id).await?;
        if last.as_ref() == Some(&now) {
            return Ok(());
        }
        if let Some(last) = last
            && !self.ledger.goes_on(&now, last).await?
        {
            let why = "it was set back while this ran".into();
            return Err(StoreError::Unsafe { what: self.ledger.label(), why });
        }
        self.tape.note_ledger(&now, false).await?;
        *last = Some(now);
        Ok(())
    }
}

/// The last note, when nothing reads and nothing sends any more.
pub async fn at_rest(tape: &Tape, ledger: &Ledger) -> Result<(), StoreError> {
    let noted = async { tape.note_ledger(&ledger.stands(&tape.id).await?, true).await };
    match ledger.within(noted).await {
        Err(error) if !error.is_fatal() => {
            warn!(%error, "the tape does not remember the ledger's last state");
            Ok(())
        }
        other => other,
    }
}
