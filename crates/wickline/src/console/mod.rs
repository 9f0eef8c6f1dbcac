//! What is served over HTTP: what the daemon says of itself to whoever may ask (`watch`), and the pages for people.

mod api;
mod door;
mod form;
mod frame;
mod halt;
mod here;
mod memory;
mod meters;
mod pages;
mod password;
mod process;
mod sign;
mod watch;

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use metrics_exporter_prometheus::{PrometheusBuilder, PrometheusHandle};
use tracing::info;

use self::door::Door;
use self::here::Site;
use self::memory::Memory;
use crate::daemon::{Sight, Task};
use crate::pipeline::event::Shown;
use crate::settings::bench::{Bench, Served};
use crate::store::StoreError;

/// What is served, each on an address of its own.
pub struct Console {
    doors: Vec<(&'static str, Door)>,
    handle: PrometheusHandle,
    memory: Arc<Memory>,
}

/// The one recorder of this process: a daemon that reads its configuration again goes on counting.
fn recorder() -> PrometheusHandle {
    static HANDLE: std::sync::OnceLock<PrometheusHandle> = std::sync::OnceLock::new();
    let made = HANDLE.get_or_init(|| {
        let recorder = meters::buckets(PrometheusBuilder::new()).build_recorder();
        let handle = recorder.handle();
        // Somebody else's recorder, in a program that has this library in it, stays.
        let _ = metrics::set_global_recorder(recorder);
        meters::describe();
        process::describe();
        handle
    });
    made.clone()
}

/// What this bench has served, by the table of its configuration.
fn wanted(bench: &Bench) -> impl Iterator<Item = (&'static str, &Served)> {
    let served = [("console", &bench.console), ("watch", &bench.watch)];
    served.into_iter().filter_map(|(name, served)| Some((name, served.as_ref()?)))
}

impl Console {
    /// Binds what the configuration names; where an address stays what it was, the socket stays open.
    pub async fn bind(bench: &Bench, old: Option<&Self>) -> Result<Self, StoreError> {
        let mut doors = Vec::new();
        for (name, served) in wanted(bench) {
            // Port 0 is another one for each.
            let same = |(other, door): &&(&str, Door)| {
                door.listen == served.listen && (*other == name || door.listen.port() != 0)
            };
            let kept = old.and_then(|old| old.doors.iter().find(same));
            let door = Door::open(served, kept.map(|(_, door)| door)).await.map_err(|why| {
                StoreError::Open { what: format!("{name}.listen {}", served.listen), why }
            })?;
            doors.push((name, door));
        }
        let memory = old.map(|old| old.memory.clone()).unwrap_or_default();
        Ok(Self { doors, handle: recorder(), memory })
    }

    /// Closes what stands in the way of another configuration: an address can move to others of this machine and keep
    /// its port. True: something was closed.
    pub async fn makes_way(&mut self, bench: &Bench) -> bool {
        let new: Vec<SocketAddr> = wanted(bench).map(|(_, served)| served.listen).collect();
        let bars = |door: &Door| {
            let port = door.listen.port();
            !new.contains(&door.listen) && port != 0 && new.iter().any(|a| a.port() == port)
        };
        let (bar, stay): (Vec<_>, Vec<_>) =
            std::mem::take(&mut self.doors).into_iter().partition(|(_, door)| bars(door));
        self.doors = stay;
        let any = !bar.is_empty();
        for (_, door) in bar {
            door.close().await;
        }
        any
    }

    /// Where it listens.
    #[must_use]
    pub fn shown(&self) -> Shown {
        let of = |wanted: &str| {
            self.doors.iter().find(|(name, _)| *name == wanted).and_then(|(_, door)| door.address())
        };
        Shown { console: of("console"), watch: of("watch") }
    }

    /// What serves until told to stop.
    #[must_use]
    pub fn tasks(&self, sight: &Sight) -> Vec<Task> {
        let watch = watch::routes(sight, &self.handle);
        let (memory, stir) = (self.memory.clone(), pages::live::Stir::default());
        let site = Arc::new(Site { sight: sight.clone(), memory, stir });
        let pages = pages::routes(site.clone()).merge(watch.clone());
        let mut tasks: Vec<Task> = Vec::new();
        for (name, door) in &self.doors {
            info!(address = door.address(), name, "served");
            let app = if *name == "console" { &pages } else { &watch };
            tasks.push(sight.until(door.serve(name, app.clone())));
        }
        tasks.push(sight.until(pages::live::look(site)));
        // Where nobody can ask as well: what is measured is kept all the same.
        tasks.push(sight.until(upkeep(self.handle.clone())));
        tasks
    }
}

/// Sorts what was measured into its steps now and then, also when nobody asks: until then every single
/// figure is kept.
async fn upkeep(handle: PrometheusHandle) {
    loop {
        tokio::time::sleep(Duration::from_secs(10)).await;
        handle.run_upkeep();
    }
}
