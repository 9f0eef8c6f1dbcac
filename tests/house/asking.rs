//! Whoever only asks changes nothing: no file is made, no byte is changed, no store is brought up to date.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use wickline::simulate::analyzer::{SimulatedAnalyzer, Style};

use crate::kit::{Daemon, Folder, ask, binary, configuration, run, until};
use crate::way::{analyzer, pty, runtime, script};

/// What a command does to the stores.
enum Kind {
    /// It asks: how it is run here. `DIR` is a folder for what it writes for people.
    Asks(&'static [&'static str]),
    /// It acts, or has nothing to do with stores.
    Else,
}

use Kind::{Asks, Else};

/// Every command, as `--help` has them: a new one is put in here.
const COMMANDS: &[(&str, Kind)] = &[
    ("check", Asks(&[])),
    ("controls", Asks(&["--csv", "DIR/controls.csv"])),
    ("controls chart", Asks(&["--dir", "DIR"])),
    ("controls lot", Asks(&["bench-1"])),
    ("controls show", Asks(&["2"])),
    ("day", Asks(&[])),
    ("day close", Else),
    ("day explain", Else),
    ("day unexplain", Else),
    ("demo", Else),
    (
        "explain",
        Asks(&[
            "--follow",
            "--all",
            "--count",
            "1",
            "--analyzer",
            "bench-1",
            "--printed",
            "conventional",
            "--controls",
            "due",
        ]),
    ),
    ("find", Asks(&["1"])),
    ("held", Asks(&[])),
    ("held decide", Else),
    ("held identify", Else),
    ("held release", Else),
    ("held reread", Else),
    ("held set-aside", Else),
    ("held show", Asks(&["1"])),
    ("ledger lift", Else),
    ("ledger move", Else),
    ("ledger notices", Asks(&[])),
    ("listen", Else),
    ("prove", Else),
    ("prove truth", Else),
    ("queue", Asks(&[])),
    ("queue compare", Asks(&["DIR/export.csv"])),
    ("queue counts", Asks(&[])),
    ("queue hold", Else),
    ("queue pause", Else),
    ("queue print", Asks(&[])),
    ("queue resume", Else),
    ("queue retry", Else),
    ("queue set-aside", Else),
    ("queue show", Asks(&["1"])),
    ("receive", Else),
    ("replay", Asks(&["--into", "DIR/replay.db"])),
    ("report correct", Else),
    ("report told", Else),
    ("report withdraw", Else),
    ("run", Else),
    ("simulate", Else),
    ("sketch", Else),
    ("status", Asks(&[])),
    ("trail", Asks(&["--csv", "DIR/trail.csv"])),
    ("trail configuration", Asks(&[])),
    ("trail export", Asks(&["DIR/trail.jsonl"])),
    ("trail verify", Asks(&[])),
    ("undo", Else),
];

fn help(words: &[&str]) -> String {
    let output = Command::new(binary()).args(words).arg("--help").output().expect("it runs");
    String::from_utf8(output.stdout).expect("text")
}

/// The commands that a help text lists.
fn listed(help: &str) -> Vec<String> {
    let list = help.split_once("\nCommands:\n").map_or("", |(_, list)| list);
    let lines = list.lines().take_while(|line| !line.is_empty());
    let names = lines.filter_map(|line| line.strip_prefix("  ")?.split(' ').next());
    names.filter(|name| !name.is_empty() && *name != "help").map(str::to_owned).collect()
}

#[test]
fn every_command_is_known_as_one_that_asks_or_acts() {
    let mut found = Vec::new();
    for command in listed(&help(&[])) {
        let help = help(&[&command]);
        let below = listed(&help);
        let usage = help.split("Usage:").nth(1).expect("its usage");
        let mut usage = usage.lines().take_while(|line| !line.is_empty());
        if usage.any(|line| !line.contains("<COMMAND>")) {
            found.push(command.clone());
        }
        found.extend(below.iter().map(|name| format!("{command} {name}")));
    }
    found.sort();
    let known: Vec<&str> = COMMANDS.iter().map(|(name, _)| *name).collect();
    assert_eq!(found, known);
}

/// Every file below a folder with what is in it.
fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    for entry in std::fs::read_dir(folder).expect("a folder").flatten() {
        let path = entry.path();
        if path.is_dir() {
            found.extend(files(&path));
        } else {
            found.insert(path.clone(), std::fs::read(&path).expect("readable"));
        }
    }
    found
}

/// Runs every command that asks; what it ended with and what it said.
fn all(config: &Path, mut each: impl FnMut(&str, i32, &str)) {
    let paper = Folder::new("paper");
    paper.write("export.csv", "order,code,value\nNONE,5792-7,40\n");
    let shown = paper.0.display().to_string();
    for (name, kind) in COMMANDS {
        let Asks(more) = kind else { continue };
        let words: Vec<String> =
            name.split(' ').chain(more.iter().copied()).map(|w| w.replace("DIR", &shown)).collect();
        let output = run(config, &words.iter().map(String::as_str).collect::<Vec<_>>());
        let said = [output.stdout, output.stderr].concat();
        each(name, output.status.code().expect("a code"), &String::from_utf8_lossy(&said));
    }
}

/// A laboratory with one patient's report and one run of control material, and its daemon.
async fn laboratory(folder: &Folder) -> (PathBuf, Daemon, SimulatedAnalyzer) {
    std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
    let (port, wire) = pty();
    let text = configuration(&wire, "lis02", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &text);
    let daemon = Daemon::start(&config);
    let mut plan = script(2, 9);
    plan.run[1].specimen = "QC-L1".into();
    let mut bench = analyzer(port, Style::Lis02);
    bench.run(&plan, |_, _| ()).await.expect("the line holds");
    until(|| ask(&config, &["day"])["items"].as_array().is_some_and(|i| i.len() == 2));
    until(|| ask(&config, &["queue"])["totals"]["accepted"] == 1);
    (config, daemon, bench)
}

fn answered(name: &str, code: i32, said: &str) {
    // Without a plan there is nothing to draw.
    let fits = code <= 1 || (name == "controls chart" && said.contains("nothing to draw"));
    assert!(fits, "{name} ended with {code}: {said}");
}

async fn change(folder: &Folder, store: &str, statement: &'static str) {
    use sqlx::{Connection, Executor};
    sqlx::any::install_default_drivers();
    let url = format!("sqlite://{}", folder.0.join(store).display());
    let mut conn = sqlx::AnyConnection::connect(&url).await.expect("the store opens");
    let done = conn.execute(statement).await.unwrap_or_else(|e| panic!("{statement}: {e}"));
    assert!(done.rows_affected() > 0, "{statement}");
    conn.close().await.expect("closed");
}

#[test]
fn a_ledger_that_is_not_there_yet_is_not_made_by_a_question() {
    let folder = Folder::new("not-there");
    std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
    let text = configuration("tcp:127.0.0.1:1", "lis02", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &text);
    let before = files(&folder.0);
    all(&config, |name, code, said| {
        // Before the first start that is right, and `check` is run then.
        assert_eq!(code, if name == "check" { 0 } else { 3 }, "{name}: {said}");
        let store = if name == "explain" { "tape.db" } else { "ledger.db" };
        assert!(said.contains(store) && said.contains("`wickline run`"), "{name}: {said}");
        assert_eq!(files(&folder.0), before, "{name}");
    });
}

#[test]
fn questions_leave_every_file_as_it_was() {
    let folder = Folder::new("asking");
    runtime().block_on(async {
        let (config, daemon, _line) = laboratory(&folder).await;
        assert_eq!(daemon.stop(), 0);
        let before = files(&folder.0);
        let names = |files: &BTreeMap<PathBuf, Vec<u8>>| files.keys().cloned().collect::<Vec<_>>();
        assert!(!names(&before).iter().any(|p| p.to_string_lossy().ends_with("-wal")));
        all(&config, |name, code, said| {
            answered(name, code, said);
            let after = files(&folder.0);
            assert_eq!(names(&after), names(&before), "{name}");
            assert!(after == before, "{name} changed a file");
        });
        // A daemon that was killed leaves a log beside each store: it is read, and nobody tidies it up.
        let daemon = Daemon::start(&config);
        daemon.kill();
        let stores = |files: BTreeMap<PathBuf, Vec<u8>>| -> BTreeMap<PathBuf, Vec<u8>> {
            let index = |path: &PathBuf| path.to_string_lossy().ends_with("-shm");
            files.into_iter().filter(|(path, _)| !index(path)).collect()
        };
        let before = stores(files(&folder.0));
        assert!(before.contains_key(&folder.0.join("ledger.db-wal")));
        all(&config, |name, code, said| {
            answered(name, code, said);
            assert!(stores(files(&folder.0)) == before, "{name} changed a file");
        });
    });
}

#[test]
fn an_older_store_is_brought_up_to_date_by_the_daemon_alone() {
    let folder = Folder::new("older");
    runtime().block_on(async {
        let (config, daemon, _line) = laboratory(&folder).await;
        assert_eq!(daemon.stop(), 0);
        for store in ["ledger.db", "tape.db"] {
            let older = "DELETE FROM schema_version WHERE version = \
                         (SELECT max(version) FROM schema_version)";
            change(&folder, store, older).await;
        }
        let before = files(&folder.0);
        all(&config, |name, code, said| {
            assert_eq!(code, 4, "{name}: {said}");
            assert!(said.contains("`wickline run`"), "{name}: {said}");
            assert!(files(&folder.0) == before, "{name} changed a file");
        });
    });
}

#[test]
fn a_row_that_cannot_be_read_says_that_the_store_is_not_safe() {
    let folder = Folder::new("unread-row");
    runtime().block_on(async {
        let (config, daemon, _line) = laboratory(&folder).await;
        assert_eq!(daemon.stop(), 0);
        for (statement, back) in [
            ("UPDATE report SET state = 'lost'", "UPDATE report SET state = 'waiting'"),
            ("UPDATE message SET state = 'sent'", "UPDATE message SET state = 'accepted'"),
            ("UPDATE report SET heard_at = 'noon'", "UPDATE report SET heard_at = 1"),
        ] {
            change(&folder, "ledger.db", statement).await;
            for words in [&["day"][..], &["find", "1"]] {
                let output = run(&config, words);
                let said = String::from_utf8_lossy(&output.stderr);
                assert_eq!(output.status.code(), Some(4), "{statement}, {words:?}: {said}");
            }
            change(&folder, "ledger.db", back).await;
        }
    });
}
