//! Another configuration for a running daemon: the stores and every line that did not change stay open.
//!
//! Reading and sending end where they stand and begin again from ledger and tape, as after a start. Where
//! the new cannot be used, everything goes on as it was.

use std::sync::Arc;

use super::ledger_work;
use super::{Daemon, GRACE};
use crate::pipeline::event::Shown;
use crate::settings::bench::Bench;
use crate::store::StoreError;

impl Daemon {
    /// Goes on with another configuration, and tells that it is ready. The inner error says why not: then
    /// nothing has changed. The outer one: the store is not safe. May be dropped on the way by who stops the
    /// daemon next.
    pub async fn renew(
        &mut self,
        new: Arc<Bench>,
        shown: Shown,
    ) -> Result<Result<(), String>, StoreError> {
        let old = self.bench.borrow().clone();
        if let Some(why) = needs_a_start(&old, &new) {
            return Ok(Err(why));
        }
        self.end_work().await?;
        let renewed = match self.opened(&new).await {
            Ok(()) => {
                self.bench.send_replace(new);
                Ok(())
            }
            Err(error) if error.is_fatal() => return Err(error),
            Err(error) => {
                self.lines.set(&old, &self.tape, &self.events, &mut self.tasks).await?;
                Err(error.to_string())
            }
        };
        self.begin_work().await?;
        if renewed.is_ok() {
            self.ready(shown);
        }
        Ok(renewed)
    }

    /// Opens the lines, and has the ledger know the configuration.
    async fn opened(&mut self, new: &Bench) -> Result<(), StoreError> {
        self.lines.set(new, &self.tape, &self.events, &mut self.tasks).await?;
        let ledger = self.there.borrow().clone();
        let Some(ledger) = ledger else { return Ok(()) };
        let ends = ledger_work::ends(&self.tape, new).await?;
        let knows = async {
            ledger_work::not_short(&ledger, new, &self.tape, &ends).await?;
            ledger_work::prepare(&ledger, new).await
        };
        match ledger.within(knows).await {
            // It is opened again, and told of the configuration, when it is back.
            Err(error) if ledger.is_shared() && ledger_work::is_away(&error) => {
                self.there.send_replace(None);
                self.events.seen.ledger("the daemon", false);
                Ok(())
            }
            done => done,
        }
    }

    /// Ends reading and sending where they stand; what takes too long is left as a crash would leave it.
    async fn end_work(&mut self) -> Result<(), StoreError> {
        let Some((stop, task)) = self.work.take() else { return Ok(()) };
        stop.send_replace(true);
        if let Ok(ended) = tokio::time::timeout(GRACE, self.until(stop.closed())).await {
            ended?;
        } else {
            tracing::info!("something in hand took too long: it is done again");
            task.abort();
        }
        // One that ended badly may have done so just now.
        while let Some(done) = self.tasks.try_join_next() {
            super::judged(done)?;
        }
        Ok(())
    }
}

/// Why a running daemon cannot go on with this configuration, if it cannot.
fn needs_a_start(old: &Bench, new: &Bench) -> Option<String> {
    let changed = [
        ("tape", old.tape != new.tape),
        ("ledger", old.ledger != new.ledger),
        ("low_water_mib", old.low_water != new.low_water),
        ("ballast_mib", old.ballast != new.ballast),
    ];
    let keys: Vec<&str> = changed.iter().filter(|(_, other)| *other).map(|(key, _)| *key).collect();
    (!keys.is_empty()).then(|| {
        format!("[store] {} changed: what is open stays open until a restart", keys.join(", "))
    })
}
