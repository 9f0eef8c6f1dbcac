//! The power goes, and with it what was not synced: from the log of one run's writes, images of the
//! disk at many instants. Each must open whole, work on, and between what the receiver has and what it
//! then gets nothing that was acknowledged is missing, doubled or out of order.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use serde_json::Value;
use wickline::simulate::analyzer::{Sent, Style};
use wickline::simulate::port::SimPort;
use wickline::simulate::script::{Dice, Run, Script};
use wickline_forward::receive::Received;

use crate::changes::{self, Disk};
use crate::faults::preload;
use crate::kit::{Daemon, Folder, binary, configuration, quick_check, rounds};
use crate::peer::{Arrival, Peer, answer};
use crate::way::{analyzer, check, pty, received, runtime, script, specimen};

/// Reports of the run that is logged: enough for a log of SQLite's to be worked in and begun anew.
const REPORTS: usize = 60;
const LAST: &str = "KP-LAST";

/// What was known outside when the log had a length.
struct History {
    /// Specimens in order, each with the log's length when the analyzer had its last yes.
    acknowledged: Vec<(String, u64)>,
    arrivals: Vec<Arrival>,
}

fn length(log: &Path) -> u64 {
    std::fs::metadata(log).expect("a log is kept").len()
}

/// One run with everything noted; half way the daemon is stopped and started.
fn record(folder: &Folder, library: &Path) -> History {
    let log = folder.write("log", "");
    let (of, messages) = (log.clone(), AtomicUsize::new(0));
    let peer = Peer::at(
        "127.0.0.1:0",
        move || length(&of),
        move |conn| {
            while let Some(message) = conn.message() {
                match messages.fetch_add(1, Ordering::Relaxed) {
                    // Taken and not answered: it comes again.
                    20 => return,
                    n if n % 7 == 3 => conn.say(&answer("AE", &message.control_id)),
                    _ => conn.say(&answer("AA", &message.control_id)),
                };
            }
        },
    );
    runtime().block_on(async {
        let (port, line) = pty();
        let address = format!("mllp://{}", peer.address);
        let config =
            folder.write("wickline.toml", &configuration(&line, "lis02", "ten-pad", &address, ""));
        let start = || Daemon::start_with(&config, library, &folder.0);
        let mut daemon = Some(start());
        let mut acknowledged = Vec::new();
        let script = script(REPORTS, 8);
        let told = |run: &Run, sent| {
            if sent == Sent::Delivered {
                acknowledged.push((run.specimen.clone(), length(&log)));
            }
            if acknowledged.len() == REPORTS / 2 && sent == Sent::Delivered {
                assert_eq!(daemon.take().expect("one runs").stop(), 0);
                daemon = Some(start());
            }
        };
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script, told).await.expect("the line holds");
        let mut daemon = daemon.expect("one runs");
        // All are settled but those before the restart, which were told to nobody here.
        let end = std::time::Instant::now() + crate::kit::PATIENCE;
        let all =
            |a: &[Arrival]| a.iter().any(|a| specimen(&a.body) == script.run[REPORTS - 1].specimen);
        while !all(&peer.arrivals()) {
            assert!(std::time::Instant::now() < end, "the last one arrives");
            let _ = daemon.tells(Duration::from_millis(50), |e| e["event"] == "delivery");
        }
        daemon.kill();
        History { acknowledged, arrivals: peer.arrivals() }
    })
}

/// A folder on the fastest disk there is: what is tested here has lost its power already.
fn image_folder(name: &str) -> Folder {
    let memory = Path::new("/dev/shm");
    if !memory.is_dir() {
        return Folder::new(name);
    }
    let path = memory.join(format!("wickline-{name}-{}", std::process::id()));
    std::fs::create_dir_all(&path).expect("a folder in memory");
    Folder(path)
}

/// The daemon on an image: what it still delivers, up to a last report that is run on it.
async fn goes_on(config: &Path, shaken: Option<Duration>) -> Vec<Received> {
    if let Some(after) = shaken {
        let recovering = Daemon::spawn(Command::new(binary()), config);
        std::thread::sleep(after);
        recovering.kill();
    }
    let early = all_filed(config);
    let mut daemon = Daemon::try_start(config, None).unwrap_or_else(|code| {
        panic!("it does not start: {code}: {}", crate::kit::said(config));
    });
    let port = SimPort::connect(&daemon.lines[0]).await.expect("the line listens");
    let last = Run { number: "900".into(), specimen: LAST.into(), ..Run::default() };
    let script = Script { sender: "SIM".into(), run: vec![last] };
    let mut bench = analyzer(port, Style::Lis02);
    bench.run(&script, |_, _| ()).await.expect("the line holds");
    let mut got = early.clone();
    while got.last().is_none_or(|m| specimen(&m.body) != LAST) {
        // Those that went out before it was ready count too.
        let delivered = |e: &Value| e["event"] == "delivery";
        daemon.wait_for(delivered);
        let now = daemon.seen.iter().filter(|e| delivered(e));
        let now = now.map(|e| filed(config, e["control_id"].as_str().expect("an id")));
        got = early.iter().cloned().chain(now).collect();
    }
    assert_eq!(daemon.stop(), 0);
    got
}

/// The message of this id in the folder that receives.
fn filed(config: &Path, id: &str) -> Received {
    let file = config.with_file_name("out").join(format!("{id}.hl7"));
    received(id, std::fs::read(file).expect("a message that was delivered is there"))
}

/// What a daemon delivered that was killed before it could say so: ids count up.
fn all_filed(config: &Path) -> Vec<Received> {
    let entries = std::fs::read_dir(config.with_file_name("out")).into_iter().flatten().flatten();
    let names = entries.map(|e| e.file_name().to_string_lossy().into_owned());
    let mut ids: Vec<String> = names.filter_map(|n| Some(n.strip_suffix(".hl7")?.into())).collect();
    ids.sort();
    ids.iter().map(|id| filed(config, id)).collect()
}

/// What must have come in all, and did.
fn judge(history: &History, cut: u64, after: Vec<Received>) {
    let before = history.arrivals.iter().filter(|a| a.stamp <= cut);
    let mut got: Vec<Received> = before.map(|a| received(&a.control_id, a.body.clone())).collect();
    got.extend(after);
    let yes = history.acknowledged.iter().filter(|(_, at)| *at <= cut);
    let mut wanted: Vec<String> = yes.map(|(of, _)| of.clone()).collect();
    // The one that was on its way may be there whole, its last yes not yet said.
    let next = history.acknowledged.get(wanted.len()).map(|(of, _)| of.clone());
    wanted.extend(next.filter(|of| got.iter().any(|m| specimen(&m.body) == *of)));
    wanted.push(LAST.to_owned());
    check(&got, &wanted);
}

#[test]
fn after_a_power_cut_at_any_instant_nothing_acknowledged_is_lost_or_doubled() {
    let folder = Folder::new("power");
    let library = preload(&folder);
    let history = record(&folder, &library);
    let steps = changes::read(&folder.0.join("log"));
    assert!(history.acknowledged.len() == REPORTS && history.arrivals.len() > REPORTS);
    let mut dice = Dice::new(4);
    let mut cuts: Vec<usize> = (0..rounds(100, 2000)).map(|_| dice.roll(steps.len())).collect();
    cuts.sort_unstable();
    let mut disk = Disk::default();
    let mut followed = 0;
    let runtime = runtime();
    for (nth, cut) in cuts.into_iter().enumerate() {
        while followed <= cut {
            disk.follow(&steps[followed].1);
            followed += 1;
        }
        for _ in 0..2 {
            let image = image_folder("image");
            disk.lose_power(&mut dice, &image.0);
            let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
            let config: PathBuf = image.write("wickline.toml", &text);
            let shaken = (nth % 4 == 0).then(|| Duration::from_millis(dice.roll(60) as u64));
            let after = runtime.block_on(goes_on(&config, shaken));
            judge(&history, steps[cut].0, after);
            for store in ["tape.db", "ledger.db"] {
                let found = runtime.block_on(quick_check(&image.0.join(store)));
                assert_eq!(found, "ok", "{store} after a cut at step {cut}");
            }
        }
    }
}
