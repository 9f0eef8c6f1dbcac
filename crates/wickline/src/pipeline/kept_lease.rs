//! Keeping a lease while this process lives: taken when free, renewed in time, told when lost.

use std::time::Duration;

use tokio::sync::watch;
use tracing::{info, warn};

use crate::store::lease::{Lease, Watch};
use crate::store::ledger::Ledger;

/// What a lease is for, and its present state for those who work under it.
#[derive(Clone, Debug)]
pub struct KeptLease {
    lease: watch::Receiver<Option<Lease>>,
}

impl KeptLease {
    /// Begins to want the lease `name` for `me`, and keeps it until `stop`.
    #[must_use]
    pub fn begin(
        ledger: Ledger,
        name: String,
        me: &str,
        length: Duration,
        stop: watch::Receiver<bool>,
    ) -> (Self, Keeper) {
        let (tell, lease) = watch::channel(None);
        let watch = Watch::new(name.clone(), me, length);
        (Self { lease }, Keeper { ledger, name, watch, step: length / 5, tell, stop })
    }

    /// For a ledger that nobody else opens.
    #[must_use]
    pub fn alone() -> Self {
        let (_, lease) = watch::channel(Some(Lease::ALONE));
        Self { lease }
    }

    /// The lease, while it is good.
    #[must_use]
    pub fn now(&self) -> Option<Lease> {
        self.lease.borrow().filter(Lease::is_good)
    }

    /// The token of the last lease, good or not: what is written under it says so.
    #[must_use]
    pub fn token(&self) -> i64 {
        self.lease.borrow().map_or(-1, |lease| lease.token)
    }

    /// Waits until the lease is good no more.
    pub async fn lost(&self) {
        while let Some(lease) = self.now() {
            match lease.left() {
                None => std::future::pending().await,
                Some(left) => tokio::time::sleep(left).await,
            }
        }
    }

    /// Waits until there is a good lease.
    pub async fn held(&mut self) {
        while self.now().is_none() {
            if self.lease.changed().await.is_err() {
                std::future::pending::<()>().await;
            }
        }
    }
}

/// The task that keeps one lease.
pub struct Keeper {
    ledger: Ledger,
    name: String,
    watch: Watch,
    step: Duration,
    tell: watch::Sender<Option<Lease>>,
    stop: watch::Receiver<bool>,
}

impl Keeper {
    /// Takes and keeps the lease; ends when told to, and gives it back once nobody works under it.
    pub async fn run(mut self) {
        let mut stop = self.stop.clone();
        let mut lease: Option<Lease> = None;
        let mut told = false;
        while !*stop.borrow() {
            lease = self.step(lease, &mut told).await;
            self.tell.send_replace(lease);
            if !self.ledger.is_shared() {
                super::stopped(&mut stop).await;
            }
            tokio::select! {
                () = tokio::time::sleep(self.step) => {}
                () = super::stopped(&mut stop) => {}
            }
        }
        self.finish(lease).await;
    }

    async fn step(&mut self, lease: Option<Lease>, told: &mut bool) -> Option<Lease> {
        let (ledger, name) = (self.ledger.clone(), &self.name);
        let found = match lease {
            Some(lease) => ledger.within(ledger.lease_keep(&self.watch, lease)).await,
            None => ledger.within(ledger.lease_take(&mut self.watch)).await,
        };
        match found {
            Ok(Some(now)) => {
                if lease.is_none() && ledger.is_shared() {
                    info!(lease = %name, "ours now");
                }
                *told = false;
                Some(now)
            }
            Ok(None) => {
                if !std::mem::replace(told, true) {
                    info!(lease = %name, "another daemon has it; this one stands by");
                }
                None
            }
            // Kept as long as it is good: the ledger may be back before that.
            Err(error) => {
                warn!(lease = %name, %error, "the ledger is away");
                lease
            }
        }
    }

    /// Goes on beating while somebody still works under the lease, then gives it back.
    async fn finish(self, lease: Option<Lease>) {
        let Some(mut lease) = lease else { return };
        loop {
            tokio::select! {
                () = self.tell.closed() => break,
                () = tokio::time::sleep(self.step) => {}
            }
            if let Ok(Some(now)) =
                self.ledger.within(self.ledger.lease_keep(&self.watch, lease)).await
            {
                lease = now;
                self.tell.send_replace(Some(now));
            }
        }
        let _ = self.ledger.within(self.ledger.lease_give_back(&self.watch, lease)).await;
    }
}
