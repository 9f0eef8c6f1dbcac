//! Backups beside the work: whole, of one moment, in nobody's way; what is cut short or has no room is none.

use std::collections::{BTreeMap, BTreeSet};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use crate::faults::preload;
use crate::kit::{Daemon, Folder, ask, program, quick_check, run, until};
use crate::set_back::{four_sent, got_all, strips};
use crate::way::{analyzer, check, gather, practice, runtime, script};
use serde_json::Value;
use sqlx::{Connection, Row};
use wickline::simulate::analyzer::Style;

pub const REASON: [&str; 2] = ["--reason", "the disk was replaced"];

/// Makes a backup and says where it is.
pub fn backed_up(config: &Path) -> PathBuf {
    let place = config.with_file_name("backups");
    let made = ask(config, &["backup", &place.to_string_lossy(), "--as", "J. Mast"]);
    PathBuf::from(made["folder"].as_str().unwrap_or_else(|| panic!("{made}")))
}

pub fn tried(config: &Path, from: &Path, more: &[&str]) -> (i32, String) {
    let from = from.to_string_lossy();
    let words: Vec<&str> =
        ["restore", &*from].into_iter().chain(REASON).chain(more.iter().copied()).collect();
    ended(run(config, &words))
}

pub fn ended(output: Output) -> (i32, String) {
    let said = [output.stdout, output.stderr].concat();
    (output.status.code().expect("a code"), String::from_utf8_lossy(&said).into_owned())
}

/// Every file below a folder with what is in it.
pub fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let below = std::fs::read_dir(folder).expect("a folder").flatten().map(|e| e.path());
    below.filter(|p| p.is_file()).map(|p| (p.clone(), std::fs::read(&p).expect("read"))).collect()
}

async fn one(file: &Path, sql: &'static str) -> i64 {
    sqlx::any::install_default_drivers();
    let url = format!("sqlite://{}?mode=ro", file.display());
    let mut conn = sqlx::AnyConnection::connect(&url).await.expect("it opens");
    let row = sqlx::query(sql).fetch_one(&mut conn).await.expect("an answer");
    conn.close().await.expect("it closes");
    row.get(0)
}

/// A backup as others than this program see it: digests by coreutils, pages by SQLite, and the ledger knows no more
/// than the tape.
pub async fn is_whole(folder: &Path) {
    let text = std::fs::read_to_string(folder.join("statement.json")).expect("a statement");
    let statement: Value = serde_json::from_str(&text).expect("JSON");
    let mode = |path: &Path| std::fs::metadata(path).expect("there").permissions().mode() & 0o777;
    assert_eq!(mode(folder), 0o700);
    let mut names: Vec<String> = files(folder)
        .keys()
        .map(|p| p.file_name().expect("a name").to_string_lossy().into_owned())
        .collect();
    names.sort();
    assert_eq!(names, ["ledger.db", "statement.json", "tape.db"]);
    for name in names {
        assert_eq!(mode(&folder.join(name)), 0o600);
    }
    for store in ["ledger", "tape"] {
        let path = folder.join(format!("{store}.db"));
        let sum = Command::new("sha256sum").arg(&path).output().expect("coreutils");
        let sum = String::from_utf8_lossy(&sum.stdout).into_owned();
        assert_eq!(sum.split(' ').next(), statement[store]["sha256"].as_str(), "{store}");
        assert_eq!(quick_check(&path).await, "ok");
    }
    let known =
        one(&folder.join("ledger.db"), "SELECT coalesce(max(place_to), 0) FROM report").await;
    let has = "SELECT coalesce(sum(length(data)), 0) FROM heard WHERE kind = 'bytes'";
    let has = one(&folder.join("tape.db"), has).await;
    assert!(known <= has, "the ledger knows byte {known}, the tape ends at {has}");
    let reports = one(&folder.join("ledger.db"), "SELECT count(*) FROM report").await;
    assert_eq!(statement["ledger"]["report"], reports, "{text}");
}

#[test]
fn backups_in_full_flow_are_whole_and_keep_nobody_waiting() {
    let folder = Folder::new("flow");
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["aa"]).await;
        let daemon = Daemon::start(&config);
        let over = Arc::new(AtomicBool::new(false));
        let (ends, of) = (over.clone(), config.clone());
        let copies = std::thread::spawn(move || {
            let mut made = vec![backed_up(&of)];
            while !ends.load(Ordering::Relaxed) {
                made.push(backed_up(&of));
            }
            made
        });
        let plan = script(60, 21);
        let wanted: Vec<String> = plan.run.iter().map(|r| r.specimen.clone()).collect();
        let mut bench = analyzer(port, Style::Lis02);
        bench.pause = Duration::from_millis(20);
        bench.run(&plan, |_, _| ()).await.expect("the line holds");
        let mut got = Vec::new();
        let accepted = || ask(&config, &["queue"])["totals"]["accepted"] == 60;
        gather(&mut receiver, &mut got, accepted).await;
        over.store(true, Ordering::Relaxed);
        let made = copies.join().expect("each was made");
        check(&got, &wanted);
        assert!(made.len() > 3, "{} backups", made.len());
        for copy in &made {
            is_whole(copy).await;
        }
        assert!(made.iter().collect::<BTreeSet<_>>().len() == made.len(), "none was overwritten");
        let place = folder.0.join("backups");
        let (code, said) = ended(run(&config, &["backup", "check", &place.to_string_lossy()]));
        assert_eq!((code, said.lines().count()), (0, made.len()), "{said}");
        assert!(said.contains("Kestrel Point Clinic, 20"), "{said}");
        // Nobody else's trail: who, when and what it was.
        let trail = ask(&config, &["trail", "--who", "J. Mast", "--last", "1000"])["items"].clone();
        let rows = trail.as_array().expect("rows");
        assert_eq!(rows.len(), made.len());
        assert!(rows.iter().all(|row| row["verb"] == "backup"), "{trail}");
        assert_eq!(daemon.stop(), 0);
        // A stopped daemon is no hindrance.
        is_whole(&backed_up(&config)).await;
        let names = files(&folder.0).into_keys().map(|path| path.display().to_string());
        let beside: Vec<String> = names.filter(|name| name.contains(".db-")).collect();
        assert!(beside.is_empty(), "left beside the stores: {beside:?}");
    });
}

#[test]
fn a_full_disk_leaves_no_backup_and_a_daemon_that_goes_on() {
    let folder = Folder::new("put-full");
    let library = preload(&folder);
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["aa"]).await;
        let daemon = Daemon::start(&config);
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script(3, 5), |_, _| ()).await.expect("the line holds");
        let place = folder.0.join("backups");
        for name in ["/ledger.db", "/tape.db"] {
            folder.write("full", &format!("Z{name}"));
            let mut command = program();
            command.env("LD_PRELOAD", &library).env("FAULT_DIR", &folder.0);
            command.args([
                "--config",
                &config.to_string_lossy(),
                "backup",
                &place.to_string_lossy(),
            ]);
            let (code, said) = ended(command.output().expect("it runs"));
            assert_eq!(code, 3, "{said}");
            assert!(said.contains("no room"), "{said}");
            assert_eq!(std::fs::read_dir(&place).expect("a folder").count(), 0, "{name}");
        }
        std::fs::remove_file(folder.0.join("full")).expect("it was full");
        let mut got = Vec::new();
        gather(&mut receiver, &mut got, || ask(&config, &["queue"])["totals"]["accepted"] == 3)
            .await;
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn a_backup_that_was_killed_is_none() {
    runtime().block_on(async {
        let (folder, _receiver, config, _) = four_sent("put-killed").await;
        let library = preload(&folder);
        let place = folder.0.join("backups");
        folder.write("hang", "Z/tape.db");
        let mut command = program();
        command.env("LD_PRELOAD", &library).env("FAULT_DIR", &folder.0);
        command.args(["--config", &config.to_string_lossy(), "backup", &place.to_string_lossy()]);
        let mut child = command.spawn().expect("it runs");
        let begun = || {
            let found = std::fs::read_dir(&place).ok()?.flatten().next()?.path();
            found.join("tape.db").exists().then_some(found)
        };
        until(|| begun().is_some());
        child.kill().expect("it was there");
        child.wait().expect("ended");
        let left = begun().expect("its folder");
        let (code, said) = tried(&config, &left, &[]);
        assert_eq!(code, 3, "{said}");
        let (code, said) = ended(run(&config, &["backup", "check", &place.to_string_lossy()]));
        assert_eq!(code, 3, "{said}");
        std::fs::remove_file(folder.0.join("hang")).expect("it hung");
        is_whole(&backed_up(&config)).await;
    });
}

/// Growth, as deploy/README.md states it: bytes of tape and ledger for each report.
#[test]
fn a_report_takes_no_more_room_than_the_guide_says() {
    let folder = Folder::new("growth");
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["aa"]).await;
        let daemon = Daemon::start(&config);
        let mut bench = analyzer(port, Style::Lis02);
        let mut got = Vec::new();
        let mut sizes = Vec::new();
        for (n, many) in [100, 300].into_iter().enumerate() {
            let mut plan = strips(1000 * n + 1, many);
            plan.sender = "SIM".into();
            bench.run(&plan, |_, _| ()).await.expect("the line holds");
            gather(&mut receiver, &mut got, || got_all(&config)).await;
            let copy = backed_up(&config);
            let size = |name: &str| std::fs::metadata(copy.join(name)).expect("there").len();
            sizes.push((size("ledger.db"), size("tape.db")));
        }
        assert_eq!(daemon.stop(), 0);
        let of = |a: u64, b: u64| (b - a) / 300;
        let (ledger, tape) = (of(sizes[0].0, sizes[1].0), of(sizes[0].1, sizes[1].1));
        eprintln!("a report: {ledger} bytes of ledger, {tape} bytes of tape");
        assert!(ledger < 16_000 && tape < 2_500, "{ledger} {tape}");
    });
}

/// As if the clock had been ahead when backups failed.
pub async fn an_hour_later(ledger: &Path) {
    sqlx::any::install_default_drivers();
    let url = format!("sqlite://{}", ledger.display());
    let mut conn = sqlx::AnyConnection::connect(&url).await.expect("the ledger opens");
    let sql = "UPDATE trail SET at = at + 3600000000 WHERE verb = 'backup-failed'";
    let done = sqlx::query(sql).execute(&mut conn).await.expect("changed");
    assert!(done.rows_affected() > 0);
    conn.close().await.expect("closed");
}

/// A night without a backup is told by `status`; who never made one is told by `check` alone.
#[test]
fn a_backup_that_fails_or_is_old_is_told() {
    runtime().block_on(async {
        let (folder, _receiver, config, _) = four_sent("backup-told").await;
        let last = |items: Value| {
            let items = items["items"].as_array().expect("items").clone();
            items.into_iter().find(|i| i["about"] == "store" && i["which"] == "backup")
        };
        let check = || {
            let done = run(&config, &["check", "--offline"]);
            let whole = run(&config, &["check"]);
            (done.status.code(), String::from_utf8_lossy(&whole.stdout).into_owned())
        };
        assert_eq!(last(ask(&config, &["status"])), None, "it was never tried");
        let (code, said) = check();
        assert_eq!(code, Some(0));
        assert!(said.contains("note  store: no backup of ledger and tape was ever made"), "{said}");
        let nowhere = folder.0.join("none").join("backups").display().to_string();
        let wrong = run(&config, &["backup", &nowhere, "--as", "J. Mast"]);
        assert_ne!(wrong.status.code(), Some(0));
        let told = last(ask(&config, &["status"])).expect("told");
        assert_eq!((&told["wrong"], &told["urgent"]), (&true.into(), &false.into()), "{told}");
        let text = told["text"].as_str().expect("words");
        assert!(text.contains("failed") && text.contains("make it first"), "{text}");
        assert!(text.contains("none was made before"), "{text}");
        assert!(text.contains(" by J. Mast failed: "), "which one: {text}");
        let todo = told["todo"].as_str().expect("words");
        assert!(todo.contains("the next good one lifts this, whoever makes it"), "{todo}");
        // What is to be done before the next one is told, as it stands, wherever the failure is.
        let make = text.split('`').find(|piece| piece.starts_with("install -d -m 0700 -o "));
        let make = make.unwrap_or_else(|| panic!("how the folder is made: {text}"));
        assert!(make.ends_with(&nowhere), "{make}");
        let (_, said) = check();
        assert!(said.contains("the last backup, of ") && said.contains(make), "{said}");
        let made = std::process::Command::new("sh").args(["-c", make]).status().expect("a shell");
        assert!(made.success());
        assert_eq!(
            run(&config, &["backup", &nowhere]).status.code(),
            Some(0),
            "it was all that lacked"
        );
        assert_eq!(last(ask(&config, &["status"])).expect("told")["wrong"], false);
        assert!(!check().1.contains("the last backup, of"), "it is lifted");
        let good = std::fs::read_to_string(&config).expect("the configuration");
        std::fs::write(&config, good.replace("ten-pad", "nine-pad")).expect("written");
        let place = folder.0.join("backups").display().to_string();
        assert_eq!(run(&config, &["backup", &place]).status.code(), Some(2));
        std::fs::write(&config, good).expect("written");
        let told = last(ask(&config, &["status"])).expect("told");
        let text = told["text"].as_str().expect("words");
        assert!(text.contains("the configuration is wrong"), "it could not begin: {text}");
        // The clock was an hour ahead when it failed: the next good one comes after it all the same.
        an_hour_later(&folder.0.join("ledger.db")).await;
        let copy = backed_up(&config);
        let told = last(ask(&config, &["status"])).expect("told");
        assert_eq!(told["wrong"], false, "{told}");
        assert!(!check().1.contains("no backup of"), "one was made");
        let statement = std::fs::read_to_string(copy.join("statement.json")).expect("a statement");
        let statement: Value = serde_json::from_str(&statement).expect("JSON");
        let says = statement["says"].as_str().expect("words");
        assert!(
            says.contains("reports: 4 passed on; messages: 4 accepted; 0 outstanding"),
            "{says}"
        );
        for (days, wrong) in [(1, false), (3, true)] {
            let now = crate::purge::later(&folder, &config, days, &["status"]);
            let told = last(serde_json::from_slice(&now.stdout).expect("JSON")).expect("told");
            assert_eq!(told["wrong"], wrong, "after {days} days: {told}");
            assert!(
                told["text"].as_str().is_some_and(|t| t.contains(&format!("{days} day(s) old")))
            );
        }
    });
}

/// Results go into no folder that is another's, and through no link: neither a backup's nor an export's.
#[test]
fn results_go_into_no_others_folder_and_through_no_link() {
    use std::os::unix::fs::{chown, symlink};
    runtime().block_on(async {
        let (folder, _receiver, config, _) = four_sent("backup-others").await;
        let (theirs, link) = (folder.0.join("theirs"), folder.0.join("link"));
        std::fs::create_dir(&theirs).expect("a folder");
        symlink(&theirs, &link).expect("linked");
        let tries = |to: &str| {
            let backup = ended(run(&config, &["backup", to]));
            let export = ["export", "KP-00001", "--dir", to, "--reason", "a court"];
            [backup, ended(run(&config, &export))]
        };
        for to in [link.display().to_string(), format!("{}/", link.display())] {
            for (code, said) in tries(&to) {
                assert!(
                    code == 3 && said.contains("is a link: name the folder itself"),
                    "{to}: {said}"
                );
            }
        }
        assert!(files(&theirs).is_empty(), "nothing went there");
        if !rustix::process::geteuid().is_root() {
            return crate::kit::skipped("root", "only root can give files to others");
        }
        chown(&theirs, Some(4711), Some(4711)).expect("given away");
        for (code, said) in tries(&theirs.display().to_string()) {
            assert!(code == 3 && said.contains("belongs to the user 4711"), "{said}");
        }
        let below = theirs.join("new").display().to_string();
        let (code, said) = ended(run(&config, &["backup", &below]));
        assert!(code == 3 && said.contains("belongs to the user 4711"), "{said}");
        assert_eq!(
            std::fs::read_dir(&theirs).expect("a folder").count(),
            0,
            "nothing is left there"
        );
    });
}
