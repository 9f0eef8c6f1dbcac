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
    /// A person acts by it: it writes rows into stores that are there, and makes or migrates none.
    Acts(&'static [&'static str]),
    /// It has a configuration and needs no stores.
    Aside(&'static [&'static str]),
    /// It makes what it was asked for, or has no configuration and so no stores.
    Else,
}

use Kind::{Acts, Aside, Asks, Else};

/// Every command, as `--help` has them: a new one is put in here.
const COMMANDS: &[(&str, Kind)] = &[
    ("alarm", Else),
    ("analyzer replace", Acts(&["bench-1", "--serial", "A-20418", "--reason", "paper"])),
    ("backup", Acts(&["DIR/backups"])),
    ("backup check", Else),
    ("bundle", Asks(&["DIR/bundle.json", "--offline"])),
    ("care", Asks(&[])),
    ("care sign", Acts(&["Platform and tray cleaned", "--analyzer", "bench-1"])),
    ("care strike", Acts(&["1", "--reason", "paper"])),
    ("check", Asks(&[])),
    ("controls", Asks(&["--csv", "DIR/controls.csv"])),
    ("controls chart", Asks(&["--dir", "DIR"])),
    ("controls lot", Asks(&["bench-1"])),
    ("controls note", Acts(&["2", "--reason", "paper"])),
    ("controls positivity", Asks(&["--csv", "DIR/positivity.csv"])),
    ("controls review", Asks(&["2026-10"])),
    ("controls show", Asks(&["2"])),
    ("day", Asks(&[])),
    ("day close", Acts(&["2026-03-01", "--last", "bench-1=57"])),
    ("day explain", Acts(&["41", "--reason", "paper"])),
    ("day unexplain", Acts(&["41", "--reason", "paper"])),
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
    ("export", Acts(&["KP-20417", "--dir", "DIR", "--reason", "paper"])),
    ("find", Asks(&["1"])),
    ("held", Asks(&[])),
    ("held decide", Acts(&["1", "mistake", "--reason", "paper"])),
    ("held identify", Acts(&["1", "--specimen", "KP-20417", "--again", "KP-20417"])),
    ("held release", Acts(&["1", "--reason", "paper"])),
    ("held reread", Acts(&["1"])),
    ("held set-aside", Acts(&["1", "--reason", "paper"])),
    ("held show", Asks(&["1"])),
    ("ledger lift", Acts(&["1", "--reason", "paper"])),
    ("ledger migrate", Acts(&[])),
    ("ledger move", Else),
    ("ledger notices", Asks(&[])),
    ("listen", Else),
    ("orders", Asks(&[])),
    ("orders settle", Acts(&["K884417", "--right", "--reason", "paper"])),
    ("orders show", Asks(&["K884417"])),
    ("prove", Aside(&["--csv", "DIR/proof.csv"])),
    ("prove truth", Else),
    ("purge", Acts(&["--older-than", "400d", "--reason", "paper", "--yes"])),
    ("queue", Asks(&[])),
    ("queue calls", Asks(&[])),
    ("queue compare", Asks(&["DIR/export.csv"])),
    ("queue counts", Asks(&[])),
    ("queue hold", Acts(&["1", "--reason", "paper"])),
    ("queue pause", Acts(&["lis"])),
    ("queue print", Asks(&[])),
    ("queue resume", Acts(&["lis"])),
    ("queue retry", Acts(&["1"])),
    ("queue set-aside", Acts(&["1", "--reason", "paper"])),
    ("queue show", Asks(&["1"])),
    ("receive", Else),
    ("replay", Asks(&["--into", "DIR/replay.db"])),
    ("report correct", Acts(&["1", "--reason", "paper"])),
    ("report telephoned", Acts(&["1", "--who", "ward 3", "--when", "2026-03-14 12:40"])),
    (
        "report told",
        Acts(&[
            "1",
            "--receiver",
            "lis",
            "--who",
            "J. Mast",
            "--when",
            "noon",
            "--how",
            "by telephone",
        ]),
    ),
    ("report withdraw", Acts(&["1", "--reason", "paper"])),
    ("restore", Else),
    ("run", Else),
    ("setup", Else),
    ("simulate", Else),
    ("sketch", Else),
    ("status", Asks(&[])),
    ("trail", Asks(&["--csv", "DIR/trail.csv"])),
    ("trail configuration", Asks(&[])),
    ("trail export", Asks(&["DIR/trail.jsonl"])),
    ("trail verify", Asks(&[])),
    ("undo", Acts(&["1", "--reason", "paper"])),
    ("user add", Acts(&["R. Olsen", "--role", "viewer"])),
    ("user badge", Acts(&["J. Mast"])),
    ("user code", Acts(&["J. Mast"])),
    ("user list", Asks(&[])),
    ("user remove", Acts(&["J. Mast"])),
    ("user role", Acts(&["J. Mast", "viewer"])),
    ("user token", Acts(&["the night", "--role", "viewer"])),
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
    let asks = |_: &str, kind: &Kind| matches!(kind, Asks(_));
    these(config, asks, |name, _, code, said| each(name, code, said));
}

/// Runs every command of some kinds; what it ended with and what it said.
fn these(
    config: &Path,
    wanted: impl Fn(&str, &Kind) -> bool,
    mut each: impl FnMut(&str, &Kind, i32, &str),
) {
    let paper = Folder::new("paper");
    paper.write("export.csv", "order,code,value\nNONE,5792-7,40\n");
    let shown = paper.0.display().to_string();
    for (name, kind) in COMMANDS.iter().filter(|(name, kind)| wanted(name, kind)) {
        let (Asks(more) | Acts(more) | Aside(more)) = kind else { continue };
        let words: Vec<String> =
            name.split(' ').chain(more.iter().copied()).map(|w| w.replace("DIR", &shown)).collect();
        let output = run(config, &words.iter().map(String::as_str).collect::<Vec<_>>());
        let said = [output.stdout, output.stderr].concat();
        let code = output.status.code().expect("a code");
        each(name, kind, code, &String::from_utf8_lossy(&said));
    }
}

/// What a folder shows to `ls -la`, itself included: name, owner, mode, size and when it was last changed.
fn listing(folder: &Path) -> Vec<(PathBuf, u32, u32, u64, i64, i64)> {
    use std::os::unix::fs::MetadataExt;
    let below = std::fs::read_dir(folder).expect("a folder").flatten().map(|entry| entry.path());
    let mut all: Vec<_> = below.chain([folder.to_owned()]).collect();
    all.sort();
    let shown = |path: PathBuf| {
        let found = std::fs::symlink_metadata(&path).expect("it is there");
        let (uid, mode, size) = (found.uid(), found.mode(), found.size());
        (path, uid, mode, size, found.mtime(), found.mtime_nsec())
    };
    all.into_iter().map(shown).collect()
}

/// The tables of a server's database, with their rows' sizes.
async fn tables(url: &str) -> Vec<String> {
    use sqlx::{Connection, Row};
    sqlx::any::install_default_drivers();
    let mut conn = sqlx::AnyConnection::connect(url).await.expect("the server lets us in");
    let rows = sqlx::query(
        "SELECT schemaname || '.' || tablename FROM pg_tables \
         WHERE schemaname NOT IN ('pg_catalog', 'information_schema') ORDER BY 1",
    );
    let rows = rows.fetch_all(&mut conn).await.expect("its tables");
    conn.close().await.expect("closed");
    rows.iter().map(|row| row.get(0)).collect()
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

/// Before the first start: nothing is made by whoever runs what, and each says that the daemon makes it.
fn nothing_is_made(ledger: &str, mut look: impl FnMut() -> Vec<String>) {
    let folder = Folder::new("fresh");
    std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
    let text = configuration("tcp:127.0.0.1:1", "lis02", "ten-pad", "dir:out", "");
    let text = text.replace("sqlite:ledger.db", ledger);
    let config = folder.write("wickline.toml", &text);
    let before = (listing(&folder.0), look());
    let mut count = 0;
    let tried = |_: &str, kind: &Kind| !matches!(kind, Else);
    these(&config, tried, |name, kind, code, said| {
        count += 1;
        let good = name == "check" || matches!(kind, Aside(_));
        assert!(if good { code <= 1 } else { code == 3 }, "{name} ended with {code}: {said}");
        assert!(matches!(kind, Aside(_)) || said.contains("`wickline run`"), "{name}: {said}");
        assert_eq!((listing(&folder.0), look()), before, "{name}");
    });
    assert!(count > 35, "{count} commands were tried");
}

#[test]
fn no_command_but_run_makes_a_store_in_a_folder() {
    nothing_is_made("sqlite:ledger.db", Vec::new);
}

#[test]
fn no_command_but_run_makes_a_table_on_a_server() {
    let Some(server) = crate::several::Server::start("fresh") else { return };
    nothing_is_made(&server.url, || runtime().block_on(tables(&server.url)));
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
        let others =
            |name: &str, kind: &Kind| matches!(kind, Asks(_) | Acts(_)) && name != "ledger migrate";
        these(&config, others, |name, _, code, said| {
            assert_eq!(code, 4, "{name}: {said}");
            assert!(said.contains("`wickline run`"), "{name}: {said}");
            assert!(files(&folder.0) == before, "{name} changed a file");
        });
    });
}

/// A ledger as the program before this one made it, by the steps that it knew.
async fn ledger_before(path: &Path) -> usize {
    use sqlx::{AssertSqlSafe, Connection, Executor};
    let schemas = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/store/schema");
    let count = std::fs::read_dir(&schemas).expect("the steps").count();
    sqlx::any::install_default_drivers();
    let url = format!("sqlite://{}?mode=rwc", path.display());
    let mut conn = sqlx::AnyConnection::connect(&url).await.expect("the store opens");
    let mut texts = vec!["CREATE TABLE schema_version (version BIGINT NOT NULL)".to_owned()];
    for step in 1..count {
        let name = if step == 1 { "schema.sql".into() } else { format!("schema_{step}.sql") };
        let text = std::fs::read_to_string(schemas.join(name)).expect("a step");
        texts.push(text.replace("ROWKEY", "INTEGER PRIMARY KEY"));
        texts.push(format!("INSERT INTO schema_version (version) VALUES ({step})"));
    }
    for text in texts {
        conn.execute(AssertSqlSafe(text)).await.expect("a step is made");
    }
    conn.close().await.expect("closed");
    count
}

#[test]
fn a_named_command_brings_an_older_ledger_up_to_date() {
    let folder = Folder::new("migrate");
    let text = configuration("tcp:127.0.0.1:1", "lis02", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &text);
    let count = runtime().block_on(ledger_before(&folder.0.join("ledger.db")));
    let before = files(&folder.0);
    let done = run(&config, &["queue", "pause", "lis"]);
    let said = String::from_utf8_lossy(&done.stderr).into_owned();
    assert_eq!(done.status.code(), Some(4), "{said}");
    assert!(said.contains("`wickline ledger migrate`"), "{said}");
    assert!(files(&folder.0) == before, "an act changed an older ledger");
    let said = ask(&config, &["ledger", "migrate", "--as", "J. Mast"]);
    let item = &said["items"][0];
    assert_eq!(item["was"], (count - 1).to_string(), "{said}");
    assert_eq!(item["became"], count.to_string(), "{said}");
    let names: Vec<PathBuf> = files(&folder.0).into_keys().collect();
    assert!(!names.iter().any(|name| name.ends_with("tape.db")), "{names:?}");
    let trail = ask(&config, &["trail"]);
    assert!(trail.to_string().contains("migrate"), "{trail}");
    assert_eq!(ask(&config, &["ledger", "migrate"])["items"].as_array().map(Vec::len), Some(0));
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
