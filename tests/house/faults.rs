//! The disk fails under the real daemon: nothing is acknowledged that is not kept.

use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use std::process::Command;
use std::time::Duration;

use tokio::io::AsyncWriteExt;

use wickline_forward::receive::Receiver;

use crate::kit::{Daemon, Folder, ask, configuration, until_it_is};
use crate::way::{analyzer, check, gather, practice, runtime, script};
use wickline::simulate::analyzer::{Sent, Style};

/// Builds the preload that makes the disk misbehave.
pub fn preload(folder: &Folder) -> PathBuf {
    let source = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/house/fault.c");
    let library = folder.0.join("fault.so");
    let built = Command::new("cc")
        .args(["-shared", "-fPIC", "-o", &library.to_string_lossy(), source, "-ldl"])
        .status()
        .expect("a C compiler, which Rust needs to link anyway");
    assert!(built.success());
    library
}

#[test]
fn a_full_disk_is_answered_with_no_and_work_goes_on_when_there_is_room() {
    let folder = Folder::new("full");
    let library = preload(&folder);
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["aa"]).await;
        let daemon = Daemon::start_with(&config, &library, &folder.0);
        let script = script(20, 3);
        let wanted: Vec<String> = script.run.iter().map(|r| r.specimen.clone()).collect();
        let mut bench = analyzer(port, Style::Lis02);
        bench.pause = Duration::from_millis(30);
        let (mut delivered, mut refused) = (0, 0);
        let full = folder.0.join("full");
        let mut got = Vec::new();
        bench
            .run(&script, |run, sent| {
                match sent {
                    Sent::Delivered => delivered += 1,
                    Sent::Kept => refused += 1,
                }
                if run.number == "5" && sent == Sent::Delivered {
                    std::fs::write(&full, "").expect("the order can be given");
                }
                if refused == 2 {
                    let _ = std::fs::remove_file(&full);
                }
            })
            .await
            .expect("the line holds");
        assert_eq!(delivered, 20);
        assert!(refused >= 2, "while the disk was full the analyzer was told no");
        let done = || ask(&config, &["queue"])["totals"]["accepted"] == 20;
        gather(&mut receiver, &mut got, done).await;
        check(&got, &wanted);
        assert_eq!(ask(&config, &["day"])["totals"]["held"], 0);
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn a_failed_sync_ends_the_daemon_with_4_and_the_next_one_goes_on() {
    let folder = Folder::new("sync");
    let library = preload(&folder);
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["aa"]).await;
        let mut daemon = Some(Daemon::start_with(&config, &library, &folder.0));
        let script = script(12, 5);
        let wanted: Vec<String> = script.run.iter().map(|r| r.specimen.clone()).collect();
        let mut bench = analyzer(port, Style::Lis02);
        bench.pause = Duration::from_millis(30);
        let broken = folder.0.join("broken");
        let mut got = Vec::new();
        bench
            .run(&script, |run, sent| {
                if run.number == "6" && sent == Sent::Delivered {
                    std::fs::write(&broken, "").expect("the order can be given");
                }
                if sent == Sent::Kept && broken.exists() {
                    let ended = daemon.take().expect("the first one").ended();
                    assert_eq!(ended, 4, "the store is not safe");
                    std::fs::remove_file(&broken).expect("the disk is well again");
                    daemon = Some(Daemon::start_with(&config, &library, &folder.0));
                }
            })
            .await
            .expect("the line holds");
        let done = || ask(&config, &["queue"])["totals"]["waiting"] == 0;
        gather(&mut receiver, &mut got, done).await;
        check(&got, &wanted);
        assert_eq!(daemon.expect("the second one").stop(), 0);
    });
}

#[test]
fn every_file_is_for_its_owner_only() {
    let folder = Folder::new("modes");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &text);
    let daemon = Daemon::start(&config);
    let mut seen = 0;
    for entry in std::fs::read_dir(&folder.0).expect("the folder").flatten() {
        if entry.file_name() != "wickline.toml" && entry.metadata().is_ok_and(|m| m.is_file()) {
            let mode = entry.metadata().expect("a file").permissions().mode() & 0o777;
            assert_eq!(mode, 0o600, "{:?}", entry.file_name());
            seen += 1;
        }
    }
    assert!(seen >= 5, "tape, ledger, their logs and the lock: {seen}");
    assert_eq!(daemon.stop(), 0);
}

/// Counts, not clocks: what comes at once shares a sync of the tape and one of the ledger. The daemon stands still
/// while it comes, so that it is at once on a busy machine as well, and its receiver is paused: no answer counts.
#[test]
fn a_burst_shares_its_syncs() {
    let folder = Folder::new("burst");
    let library = preload(&folder);
    runtime().block_on(async {
        let aa = vec!["aa".parse().expect("an answer")];
        let receiver = Receiver::bind("127.0.0.1:0", aa, Duration::ZERO, None).await;
        let address = format!("mllp://{}", receiver.expect("a port").address());
        let paused = "paused = true\n";
        let text = configuration("listen:127.0.0.1:0", "two-column", "ten-pad", &address, paused);
        let config = folder.write("wickline.toml", &text);
        let daemon = Daemon::start_with(&config, &library, &folder.0);
        let syncs = folder.0.join("syncs");
        std::fs::write(&syncs, "").expect("counting begins");
        let count = 500;
        let now = wickline::clock::SiteClock::new("Europe/Lisbon").expect("a zone");
        let now = now.moment(wickline::clock::now_us());
        let strip = wickline_normalize::strip::Strip::builtin("ten-pad").expect("a built-in");
        let prints = script(count, 17).run;
        let text: Vec<u8> = prints
            .iter()
            .flat_map(|run| wickline::simulate::print::two_column(&strip, run, now))
            .collect();
        let mut line = tokio::net::TcpStream::connect(&daemon.lines[0]).await.expect("the line");
        daemon.signal(rustix::process::Signal::STOP);
        line.write_all(&text).await.expect("the socket holds all of it");
        daemon.signal(rustix::process::Signal::CONT);
        let waiting = || ask(&config, &["queue"])["totals"]["waiting"].as_u64().expect("a count");
        until_it_is(count as u64, waiting);
        let syncs = std::fs::metadata(&syncs).expect("counted").len();
        assert!(syncs < count as u64 / 4, "{syncs} syncs for {count} reports that came at once");
        assert_eq!(daemon.stop(), 0);
    });
}
