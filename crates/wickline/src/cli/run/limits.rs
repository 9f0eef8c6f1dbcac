//! What the system allows this process: told where it is too much or too little, and asked for where it can be had.

use rustix::process::{Resource, getrlimit, setrlimit};
use tracing::{info, warn};

use crate::cli::AS_ROOT;
use crate::settings::bench::Bench;

/// Told once, by whoever starts it.
pub fn told_if_root() {
    if rustix::process::geteuid().is_root() {
        warn!("{AS_ROOT}");
    }
}

/// Has as many descriptors as this bench may need, as far as the system gives them. What it does not give is a caution
/// of the configuration.
pub fn raised(bench: &Bench) {
    let (now, needed) = (getrlimit(Resource::Nofile), bench.descriptors());
    let wanted = now.maximum.map_or(needed, |most| most.min(needed));
    if now.current.is_none_or(|current| current >= wanted) {
        return;
    }
    let mut limit = now;
    limit.current = Some(wanted);
    match setrlimit(Resource::Nofile, limit) {
        Ok(()) => info!(was = now.current, now = wanted, "more descriptors asked for, and had"),
        Err(error) => {
            let has = now.current;
            warn!(%error, has, wanted, "more descriptors were asked for in vain: set LimitNOFILE= or `ulimit -n`");
        }
    }
}
