//! Files that were damaged while nobody looked, and starts that are cut off: what is wrong is said and
//! never repaired in silence; what is right is found again.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use wickline::simulate::analyzer::Style;
use wickline::simulate::port::SimPort;
use wickline::simulate::script::{Dice, Script};

use crate::kit::{Daemon, Folder, ask, binary, configuration, quick_check, rounds, said};
use crate::way::{analyzer, check, gather, practice, runtime, script};

/// Bytes of a page of SQLite's.
const PAGE: usize = 4096;
/// Reports in a store before it is damaged.
const REPORTS: usize = 20;

/// Killed within the first 100 ms of a start, again and again, with work in both stores.
#[test]
fn killed_while_it_recovers_many_times_and_nothing_is_lost() {
    let folder = Folder::new("recovery");
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["aa", "aa", "none"]).await;
        let count = 20;
        let script = script(count, 31);
        let wanted: Vec<String> = script.run.iter().map(|r| r.specimen.clone()).collect();
        let daemon = Daemon::start(&config);
        receiver.pause().await;
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script, |_, _| ()).await.expect("the line holds");
        daemon.kill();
        receiver.resume().await.expect("the same port");
        let mut dice = Dice::new(31);
        let mut got = Vec::new();
        for _ in 0..rounds(60, 1000) {
            let daemon = Daemon::spawn(Command::new(binary()), &config);
            let instant = Duration::from_millis(dice.roll(100) as u64);
            let over = tokio::time::sleep(instant);
            tokio::pin!(over);
            loop {
                tokio::select! {
                    message = receiver.next() => got.extend(message),
                    () = &mut over => break,
                }
            }
            daemon.kill();
        }
        let daemon = Daemon::start(&config);
        let done = || ask(&config, &["queue"])["totals"]["accepted"] == count;
        gather(&mut receiver, &mut got, done).await;
        check(&got, &wanted);
        assert_eq!(daemon.stop(), 0);
    });
}

/// A bench with so many reports accepted by a folder, its daemon stopped or killed.
fn used(name: &str, killed: bool) -> (Folder, PathBuf) {
    let folder = Folder::new(name);
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &text);
    runtime().block_on(async {
        let mut daemon = Daemon::start(&config);
        run(&mut daemon, &script(REPORTS, 41)).await;
        if killed {
            crate::set_back::noted(&folder, REPORTS).await;
            daemon.kill();
        } else {
            assert_eq!(daemon.stop(), 0);
        }
    });
    (folder, config)
}

/// Runs strips on a daemon that listens, until each is accepted.
async fn run(daemon: &mut Daemon, script: &Script) {
    let port = SimPort::connect(&daemon.lines[0]).await.expect("the line listens");
    let mut bench = analyzer(port, Style::Lis02);
    bench.run(script, |_, _| ()).await.expect("the line holds");
    for _ in &script.run {
        daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
    }
}

/// What a start on a spoilt store ends with: its code, or none where it runs.
fn start(config: &Path) -> Option<i32> {
    match Daemon::try_start(config, None) {
        Err(code) => Some(code),
        // Reading begins at once, so that what it meets is met soon.
        Ok(mut daemon) => {
            let _ = daemon.tells(Duration::from_millis(300), |_| false);
            let gone = daemon.gone();
            if gone.is_none() {
                daemon.kill();
            }
            gone
        }
    }
}

/// A spoilt page ends the start with 4 and its store is named, also where only the past needs the page:
/// what was read and settled long ago is looked at too. It stays as it is.
#[test]
fn a_spoilt_page_is_said_and_never_repaired_in_silence() {
    for store in ["tape.db", "ledger.db"] {
        let (folder, config) = used("page", false);
        let file = folder.0.join(store);
        assert_eq!(runtime().block_on(quick_check(&file)), "ok");
        let whole = std::fs::read(&file).expect("a store");
        let half = whole.len() / PAGE / 2 * PAGE;
        let mut ways = vec![("cut in half".to_owned(), whole[..half].to_vec())];
        for page in 0..whole.len() / PAGE {
            let mut spoilt = whole.clone();
            if spoilt[page * PAGE..(page + 1) * PAGE].iter().all(|byte| *byte == 0) {
                // A free page: nothing is in it.
                continue;
            }
            // Zeros are what a disk gives that never wrote the page. In a page that holds nothing but the end
            // of a long value they are a value like another: only a seal of ours could tell.
            let of_a_tree = matches!(spoilt[page * PAGE], 2 | 5 | 10 | 13);
            let sign = if page % 3 == 1 && of_a_tree { 0 } else { 0xA5 };
            spoilt[page * PAGE..(page + 1) * PAGE].fill(sign);
            ways.push((format!("page {page} of {sign:02X}"), spoilt));
        }
        for (what, spoilt) in ways {
            for name in [format!("{store}-wal"), format!("{store}-shm"), "said".to_owned()] {
                let _ = std::fs::remove_file(folder.0.join(name));
            }
            std::fs::write(&file, &spoilt).expect("it can be written");
            let code = start(&config);
            let said = said(&config);
            assert_eq!(code, Some(4), "{store}, {what}: {said}");
            assert!(said.contains(store), "{store}, {what}: {said}");
            assert!(
                std::fs::read(&file).is_ok_and(|now| now == spoilt),
                "{store}, {what}: changed"
            );
        }
    }
}

/// While a unit starts it again and again, `status` shows which store is damaged, and what to do.
#[test]
fn a_damaged_store_is_shown_with_what_to_do() {
    for (store, code) in [("tape", 1), ("ledger", 4)] {
        let (folder, config) = used("shown", false);
        let file = folder.0.join(format!("{store}.db"));
        let mut bytes = std::fs::read(&file).expect("a store");
        let page = bytes.len() / PAGE / 2 * PAGE;
        bytes[page..page + PAGE].fill(0xA5);
        if store == "ledger" {
            bytes[..PAGE].fill(0xA5);
        }
        std::fs::write(&file, &bytes).expect("written");
        assert_eq!(start(&config), Some(4));
        let hint = "`wickline restore /var/backups/wickline`";
        assert!(said(&config).contains(hint), "{}", said(&config));
        let status = crate::kit::run(&config, &["status"]);
        let text = [status.stdout, status.stderr].concat();
        let text = String::from_utf8_lossy(&text);
        assert_eq!(status.status.code(), Some(code), "{text}");
        assert!(text.contains("is damaged") && text.contains(hint), "{text}");
        assert!(text.contains("how it stands"), "a table: {text}");
        let status = crate::kit::run(&config, &["--json", "status"]).stdout;
        let status: serde_json::Value = serde_json::from_slice(&status).expect("JSON");
        let items = status["items"].as_array().expect("items");
        let found = items.iter().find(|i| i["about"] == "store" && i["which"] == store);
        assert_eq!(found.map(|found| &found["wrong"]), Some(&true.into()), "{status}");
        let daemon = items.iter().find(|i| i["about"] == "daemon").expect("a row");
        assert_eq!(daemon["wrong"], true, "none runs: {status}");
        assert!(std::fs::read(&file).is_ok_and(|now| now == bytes), "a question changes nothing");
    }
}

/// A ledger that lost the end of its log stands before what was read and sent: the tape remembers that, so
/// nothing of it is sent again before a person has compared, and it is told.
#[test]
fn a_ledger_that_lost_the_end_of_its_log_is_noticed_and_sends_nothing_again() {
    let (folder, config) = used("log", true);
    let log = folder.0.join("ledger.db-wal");
    let length = std::fs::metadata(&log).expect("a log").len();
    std::fs::OpenOptions::new()
        .write(true)
        .open(&log)
        .and_then(|file| file.set_len(length / 2))
        .expect("it can be cut");
    let mut script = script(REPORTS + 3, 41);
    let last = Script { sender: "SIM".into(), run: script.run.split_off(REPORTS) };
    runtime().block_on(async {
        let mut daemon = Daemon::start(&config);
        crate::set_back::run_strips(&mut daemon, &last).await;
        assert_eq!(crate::kit::run(&config, &["queue", "resume", "lis"]).status.code(), Some(0));
        let held = || ask(&config, &["held"])["items"].as_array().expect("a list").clone();
        let settled = || {
            let accepted = ask(&config, &["day"])["totals"]["accepted"].as_u64().expect("a count");
            accepted + held().len() as u64 == (REPORTS + 3) as u64
        };
        crate::kit::until(settled);
        let held = held();
        assert!(
            !held.is_empty() && held.iter().all(|i| i["reason"] == "after-restore"),
            "{held:?}"
        );
        let sent = std::fs::read_dir(folder.0.join("out")).expect("what was received").count();
        assert_eq!(sent, REPORTS + 3, "each once");
        assert_eq!(daemon.stop(), 0);
    });
}

/// A tape that lost its end would give its places out again, and what is heard would be taken for known:
/// it is refused, with what to do, and nothing is acknowledged.
#[test]
fn a_tape_shorter_than_what_was_read_from_it_is_refused() {
    let folder = Folder::new("short");
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["aa"]).await;
        let daemon = Daemon::start(&config);
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script(2, 5), |_, _| ()).await.expect("the line holds");
        let mut got = Vec::new();
        gather(&mut receiver, &mut got, || ask(&config, &["queue"])["totals"]["accepted"] == 2)
            .await;
        assert_eq!(daemon.stop(), 0);
        let tape = folder.0.join("tape.db");
        // With its log: what is not yet in the file itself stands there.
        let files = ["db", "db-wal"].map(|ending| tape.with_extension(ending));
        let old = files.each_ref().map(std::fs::read);
        let daemon = Daemon::start(&config);
        bench.run(&script(3, 6), |_, _| ()).await.expect("the line holds");
        crate::kit::until(|| ask(&config, &["day"])["items"].as_array().map(Vec::len) == Some(5));
        assert_eq!(daemon.stop(), 0);
        let _ = std::fs::remove_file(tape.with_extension("db-shm"));
        for (path, bytes) in files.iter().zip(old) {
            let _ = std::fs::remove_file(path);
            if let Ok(bytes) = bytes {
                std::fs::write(path, bytes).expect("an old copy is put back");
            }
        }
        let refused = Daemon::try_start(&config, None).err();
        assert_eq!(refused, Some(4), "{}", said(&config));
        assert!(said(&config).contains("shorter than what was read from it"));
    });
}

/// A clean stop leaves whole files and nothing beside them, so that a copy of a file alone is whole.
#[test]
fn a_clean_stop_leaves_no_log_beside_a_store() {
    let (folder, _) = used("clean", false);
    for store in ["tape.db", "ledger.db"] {
        for ending in ["-wal", "-shm"] {
            let beside = folder.0.join(format!("{store}{ending}"));
            assert!(!beside.exists(), "{} was left", beside.display());
        }
    }
    let copy = Folder::new("copy");
    for file in ["wickline.toml", "ledger.db", "tape.db"] {
        std::fs::copy(folder.0.join(file), copy.0.join(file)).expect("it can be copied");
    }
    let day = ask(&copy.0.join("wickline.toml"), &["day"]);
    assert_eq!(day["totals"]["accepted"], REPORTS);
}

/// What SQLite itself would pass over: behind a damaged frame of its log it drops every commit without
/// a word. There are commits behind the damage, so it is no torn end: the start is refused.
#[test]
fn a_log_damaged_before_its_end_is_said_and_not_cut_short_in_silence() {
    let (folder, config) = used("frames", true);
    type Spoiling = (&'static str, fn(&mut [u8]));
    let ways: [Spoiling; 4] = [
        ("a bit of a page", |log| log[log.len() / 2 - 500] ^= 4),
        ("a bit of the first frame's head", |log| log[32 + 10] ^= 1),
        ("a bit of the log's own head", |log| log[17] ^= 1),
        ("a stretch of zeros", |log| {
            let middle = log.len() / 2;
            log[middle..middle + PAGE].fill(0);
        }),
    ];
    for store in ["tape.db", "ledger.db"] {
        let log = folder.0.join(format!("{store}-wal"));
        let files: Vec<(PathBuf, Vec<u8>)> =
            ["tape.db", "tape.db-wal", "ledger.db", "ledger.db-wal"]
                .map(|name| folder.0.join(name))
                .map(|path| (path.clone(), std::fs::read(&path).expect("a file of the store")))
                .into();
        for (what, spoil) in ways {
            for name in ["said", "tape.db-shm", "ledger.db-shm"] {
                let _ = std::fs::remove_file(folder.0.join(name));
            }
            let mut spoilt = std::fs::read(&log).expect("a log");
            assert!(spoilt.len() > 20 * PAGE, "{store}: it is short: {}", spoilt.len());
            spoil(&mut spoilt);
            std::fs::write(&log, &spoilt).expect("it can be written");
            let code = start(&config);
            let said = said(&config);
            assert_eq!(code, Some(4), "{store}, {what}: {said}");
            assert!(said.contains(&log.display().to_string()), "{store}, {what}: {said}");
            assert!(std::fs::read(&log).is_ok_and(|now| now == spoilt), "{store}, {what}: changed");
            for (path, bytes) in &files {
                std::fs::write(path, bytes).expect("it can be put back");
            }
        }
    }
    let _ = std::fs::remove_file(folder.0.join("tape.db-shm"));
    let _ = std::fs::remove_file(folder.0.join("ledger.db-shm"));
    assert_eq!(start(&config), None, "whole again: {}", said(&config));
}
