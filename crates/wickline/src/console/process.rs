//! What this process takes of the machine, and what room its stores have: read when somebody asks.
//!
//! Names as the client libraries of Prometheus give them ("Writing client libraries", process metrics), as
//! far as those have one. Only what belongs to this process is read: the unit hides the rest of `/proc`.

use std::path::Path;

use metrics::{counter, describe_counter, describe_gauge, gauge};

use crate::address::Address;
use crate::clock;
use crate::settings::bench::Bench;
use crate::store::disk_room;

/// Clock ticks of `/proc/self/stat` in a second: USER_HZ, 100 on all machines that this is built for
/// (proc_pid_stat(5)).
const TICKS: i64 = 100;

/// What each name means.
pub fn describe() {
    describe_counter!("process_cpu_seconds_total", "Processor time used, in whole seconds");
    describe_gauge!("process_resident_memory_bytes", "Memory in use");
    describe_gauge!("process_open_fds", "Open descriptors");
    describe_gauge!("process_max_fds", "Descriptors that may be open");
    describe_gauge!("process_start_time_seconds", "When this process began, Unix time");
    describe_gauge!("wickline_threads", "Threads of this process");
    describe_gauge!("wickline_disk_free_bytes", "Room that the disk of a store still gives us");
    describe_gauge!("wickline_disk_size_bytes", "Size of the disk of a store");
}

/// Reads all of it.
pub fn read(bench: &Bench) {
    let own = |file: &str| std::fs::read_to_string(Path::new("/proc/self").join(file));
    if let Ok(stat) = own("stat") {
        // Behind the name, which may hold anything: utime is the 12th, starttime the 20th.
        let behind = stat.rsplit(')').next().unwrap_or_default();
        let field = |n: usize| behind.split_ascii_whitespace().nth(n)?.parse::<i64>().ok();
        if let (Some(user), Some(system)) = (field(11), field(12)) {
            let seconds = u64::try_from((user + system) / TICKS).unwrap_or(0);
            counter!("process_cpu_seconds_total").absolute(seconds);
        }
        if let Some(started) = field(19) {
            let age_s = clock::steady_us() / 1_000_000 - started / TICKS;
            gauge!("process_start_time_seconds").set((clock::now_us() / 1_000_000 - age_s) as f64);
        }
    }
    if let Ok(status) = own("status") {
        let figure = |name: &str| -> Option<u64> {
            let line = status.lines().find_map(|line| line.strip_prefix(name))?;
            line.split_ascii_whitespace().next()?.parse().ok()
        };
        if let Some(kib) = figure("VmRSS:") {
            gauge!("process_resident_memory_bytes").set((kib * 1024) as f64);
        }
        if let Some(threads) = figure("Threads:") {
            gauge!("wickline_threads").set(threads as f64);
        }
    }
    if let Ok(open) = std::fs::read_dir("/proc/self/fd") {
        // One of them is open to read the list.
        gauge!("process_open_fds").set(open.count().saturating_sub(1) as f64);
    }
    let limit = rustix::process::getrlimit(rustix::process::Resource::Nofile).current;
    gauge!("process_max_fds").set(limit.map_or(f64::INFINITY, |limit| limit as f64));
    disks(bench);
}

fn disks(bench: &Bench) {
    let ledger = match &bench.ledger {
        Address::Sqlite(path) => Some(path),
        Address::Postgres(_) => None,
    };
    let stores = [("tape", Some(&bench.tape)), ("ledger", ledger)];
    for (store, path) in stores.into_iter().filter_map(|(store, path)| Some((store, path?))) {
        let Ok(room) = disk_room::room(disk_room::folder_of(path)) else { continue };
        gauge!("wickline_disk_free_bytes", "store" => store).set(room.free as f64);
        gauge!("wickline_disk_size_bytes", "store" => store).set(room.size as f64);
    }
}
