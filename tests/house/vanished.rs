//! A file of a store is deleted or replaced while it is open: what goes on being written to it is lost with
//! the process, so nothing more is acknowledged, and the daemon ends and says so.

use std::collections::BTreeSet;
use std::path::Path;

use wickline::simulate::analyzer::{Sent, Style};
use wickline::simulate::port::SimPort;
use wickline::simulate::script::Script;

use crate::kit::{Daemon, Folder, ask, configuration, said, until};
use crate::way::{analyzer, runtime, script};

/// What happens to a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    Deleted,
    /// By a copy of itself, as a restore or a well-meant tidying leaves it.
    Replaced,
}

fn spoil(file: &Path, way: Way) {
    let bytes = std::fs::read(file).expect("a file of the store");
    std::fs::remove_file(file).expect("it can be deleted");
    if way == Way::Replaced {
        std::fs::write(file, bytes).expect("it can be written");
    }
}

/// Spoils one file after two strips. Says how often the analyzer was then told yes.
fn after(name: &str, way: Way) -> usize {
    let folder = Folder::new("vanished");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &text);
    runtime().block_on(async {
        let mut daemon = Daemon::start(&config);
        let port = SimPort::connect(&daemon.lines[0]).await.expect("the line listens");
        let mut bench = analyzer(port, Style::Lis02);
        let mut first = script(5, 51);
        let rest = Script { sender: first.sender.clone(), run: first.run.split_off(2) };
        bench.run(&first, |_, _| ()).await.expect("the line holds");
        for _ in &first.run {
            daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        }
        spoil(&folder.0.join(name), way);
        let mut yes = 0;
        // The line breaks when the daemon ends.
        let _ = bench.run(&rest, |_, sent| yes += usize::from(sent == Sent::Delivered)).await;
        let mut code = None;
        until(|| {
            code = daemon.gone();
            code.is_some()
        });
        let said = said(&config);
        assert_eq!(code, Some(4), "{name} {way:?}: {said}");
        let file = folder.0.join(name).display().to_string();
        assert!(said.contains(&file), "{name} {way:?}: which file is said: {said}");
        assert!(said.contains("deleted or replaced"), "{name} {way:?}: {said}");
        yes
    })
}

#[test]
fn nothing_is_acknowledged_from_a_tape_that_is_no_longer_there() {
    for name in ["tape.db", "tape.db-wal", "tape.db-shm"] {
        for way in [Way::Deleted, Way::Replaced] {
            assert_eq!(after(name, way), 0, "{name} {way:?}");
        }
    }
}

/// The tape still keeps what analyzers say; the ledger's next commit is the last.
#[test]
fn a_ledger_that_is_no_longer_there_ends_the_daemon() {
    for name in ["ledger.db", "ledger.db-wal", "ledger.db-shm"] {
        for way in [Way::Deleted, Way::Replaced] {
            after(name, way);
        }
    }
}

/// Nobody prints at night: it is noticed all the same, and not with the first result of the morning.
#[test]
fn a_store_that_is_taken_away_is_missed_while_nothing_is_heard() {
    let begun = ["ledger.db", "ledger.db-wal", "tape.db", "tape.db-shm"].map(|name| {
        let folder = Folder::new("idle");
        let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
        let config = folder.write("wickline.toml", &text);
        let daemon = Daemon::start(&config);
        (name, folder, config, daemon)
    });
    // What a start has to write is written: what the last says of itself, every 15 s, has changed twice.
    let mut heard = BTreeSet::new();
    until(|| {
        let status = ask(&begun[3].2, &["status"]);
        let items = status["items"].as_array().expect("items");
        heard.extend(items.iter().filter_map(|i| i["heard_at"].as_str()).map(str::to_owned));
        heard.len() > 2
    });
    for (name, folder, config, mut daemon) in begun {
        let file = folder.0.join(name);
        std::fs::rename(&file, folder.0.join("elsewhere")).expect("it can be moved");
        until(|| daemon.gone() == Some(4));
        let said = said(&config);
        let file = file.display().to_string();
        assert!(said.contains(&file) && said.contains("deleted or replaced"), "{name}: {said}");
    }
}

/// The whole folder is moved aside and a new one stands in its place.
#[test]
fn a_folder_moved_away_is_noticed_as_well() {
    let folder = Folder::new("moved");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
    let text = text.replace("tape.db", "stores/tape.db").replace("ledger.db", "stores/ledger.db");
    let stores = folder.0.join("stores");
    std::fs::create_dir(&stores).expect("a folder");
    let config = folder.write("wickline.toml", &text);
    runtime().block_on(async {
        let mut daemon = Daemon::start(&config);
        let port = SimPort::connect(&daemon.lines[0]).await.expect("the line listens");
        std::fs::rename(&stores, folder.0.join("old")).expect("it can be moved");
        std::fs::create_dir(&stores).expect("a new folder");
        let mut yes = 0;
        let mut bench = analyzer(port, Style::Lis02);
        let _ =
            bench.run(&script(1, 52), |_, sent| yes += usize::from(sent == Sent::Delivered)).await;
        until(|| daemon.gone() == Some(4));
        assert_eq!(yes, 0);
    });
}
