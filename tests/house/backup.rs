//! Backups in full flow and what is put back from them: no id twice, nothing that was perhaps sent sent anew, and what
//! is lost is told. What is not whole is not taken.

use std::collections::{BTreeMap, BTreeSet};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use serde_json::Value;
use sqlx::{Connection, Row};
use wickline::simulate::analyzer::Style;
use wickline_forward::receive::{Received, Receiver};

use crate::faults::preload;
use crate::hints::hints;
use crate::kit::{Daemon, Folder, ask, program, quick_check, run, said, skipped, until};
use crate::set_back::{
    bench, done, four_sent, got_all, held, put_right, remove, sent, strips, unlike,
};
use crate::several::{self, Server};
use crate::way::{analyzer, check, gather, practice, runtime, script, specimen};

const REASON: [&str; 2] = ["--reason", "the disk was replaced"];

/// Makes a backup and says where it is.
fn backed_up(config: &Path) -> PathBuf {
    let place = config.with_file_name("backups");
    let made = ask(config, &["backup", &place.to_string_lossy(), "--as", "J. Mast"]);
    PathBuf::from(made["folder"].as_str().unwrap_or_else(|| panic!("{made}")))
}

/// Puts one back, with more words; what it said.
fn restored(config: &Path, from: &Path, more: &[&str]) -> String {
    let (code, said) = tried(config, from, more);
    assert_eq!(code, 1, "a person has to go on: {said}");
    said
}

fn tried(config: &Path, from: &Path, more: &[&str]) -> (i32, String) {
    let from = from.to_string_lossy();
    let words: Vec<&str> =
        ["restore", &*from].into_iter().chain(REASON).chain(more.iter().copied()).collect();
    ended(run(config, &words))
}

fn ended(output: Output) -> (i32, String) {
    let said = [output.stdout, output.stderr].concat();
    (output.status.code().expect("a code"), String::from_utf8_lossy(&said).into_owned())
}

/// Every file below a folder with what is in it.
fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
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
async fn is_whole(folder: &Path) {
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

/// What the receiver has is unlike in each id, however often stores were put back, and every specimen of `all` came
/// there, is held, or was told of as lost.
fn accounted(got: &[Received], config: &Path, all: &[String], told: &str) {
    unlike(got);
    let mut known: BTreeSet<String> = got.iter().map(|m| specimen(&m.body)).collect();
    for item in held(config) {
        known.extend(item["specimen"].as_str().map(str::to_owned));
    }
    let missing: Vec<&String> = all.iter().filter(|one| !known.contains(*one)).collect();
    assert!(missing.is_empty() || told.contains("analyzers' memory"), "{missing:?}: {told}");
}

fn specimens(all: &[(usize, usize)]) -> Vec<String> {
    let each = all.iter().flat_map(|(first, many)| strips(*first, *many).run);
    each.map(|run| run.specimen).collect()
}

#[test]
fn an_older_backup_of_both_keeps_the_tape_and_holds_what_was_perhaps_sent() {
    runtime().block_on(async {
        let (folder, mut receiver, config, mut got) = four_sent("put-both").await;
        let copy = backed_up(&config);
        let mut daemon = Daemon::start(&config);
        got.extend(sent(&mut daemon, &mut receiver, &strips(101, 5)).await);
        let (code, said) = tried(&config, &copy, &[]);
        assert_eq!(code, 4, "{said}");
        assert!(said.contains("systemctl stop wickline"), "{said}");
        assert_eq!(daemon.stop(), 0);
        let before = files(&folder.0);
        let told = restored(&config, &copy, &["--as", "J. Mast"]);
        assert!(told.contains("tape.db stays as it is"), "{told}");
        assert!(told.contains("reports 5 to 9, messages 5 to 9"), "{told}");
        assert!(hints(&told).iter().any(|h| h == "wickline queue resume lis"), "{told}");
        // Nothing was overwritten.
        let after = files(&folder.0);
        let ledger = &before[&folder.0.join("ledger.db")];
        let aside = after.iter().find(|(path, _)| path.to_string_lossy().contains("-before-"));
        assert_eq!(aside.map(|(_, bytes)| bytes), Some(ledger));
        assert_eq!(after[&folder.0.join("tape.db")], before[&folder.0.join("tape.db")]);
        let rows = ask(&config, &["trail", "--who", "J. Mast", "--last", "1"])["items"].clone();
        assert_eq!((&rows[0]["verb"], &rows[0]["reason"]), (&"restore".into(), &REASON[1].into()));
        assert_eq!(
            run(&config, &["trail", "verify"]).status.code(),
            Some(4),
            "set back, not yet seen to"
        );
        let mut daemon = Daemon::start(&config);
        let more = put_right(&mut daemon, &mut receiver, &config, 5).await;
        got.extend(more.into_iter().filter(|m| specimen(&m.body).starts_with("KP-003")));
        accounted(&got, &config, &specimens(&[(1, 4), (101, 5), (301, 3)]), "");
        assert_eq!(daemon.stop(), 0);
        assert_eq!(run(&config, &["trail", "verify"]).status.code(), Some(0));
        let daemon = Daemon::start(&config);
        assert_eq!(ask(&config, &["queue"])["receivers"][0]["paused"], false, "seen to once");
        assert_eq!(daemon.stop(), 0);
    });
}

/// The disk is gone with both stores: nobody can notice that, so the restore itself says it.
#[test]
fn both_stores_from_nothing_pause_delivery_and_give_no_id_twice() {
    runtime().block_on(async {
        let (folder, mut receiver, config, mut got) = four_sent("put-new").await;
        let copy = backed_up(&config);
        for round in 1..3 {
            let mut daemon = Daemon::start(&config);
            done(&config, &["queue", "resume", "lis"]);
            got.extend(sent(&mut daemon, &mut receiver, &strips(100 * round + 1, 5)).await);
            assert_eq!(daemon.stop(), 0);
            remove(&folder, "ledger.db");
            remove(&folder, "tape.db");
            let told = restored(&config, &copy, &[]);
            assert!(told.contains("analyzers' memory"), "{told}");
            let mut daemon = Daemon::start(&config);
            let notices = ask(&config, &["ledger", "notices"])["items"].clone();
            assert_eq!(
                (notices.as_array().map(Vec::len), &notices[0]["kind"]),
                (Some(1), &"restored".into())
            );
            assert_eq!(ask(&config, &["queue"])["receivers"][0]["paused"], true);
            crate::set_back::run_strips(&mut daemon, &strips(700 + 10 * round, 2)).await;
            gather(&mut receiver, &mut got, || true).await;
            assert_eq!(got.len(), 4 + 7 * (round - 1) + 5, "nothing before a person resumes");
            done(&config, &["queue", "resume", "lis"]);
            gather(&mut receiver, &mut got, || got_all(&config)).await;
            assert_eq!(got.len(), 4 + 7 * round);
            accounted(&got, &config, &specimens(&[(1, 4), (700 + 10 * round, 2)]), &told);
            assert_eq!(daemon.stop(), 0);
        }
    });
}

/// What waited in the print when the backup was made was perhaps read and sent since: it stands on the tape of the
/// backup behind what its ledger had read.
#[test]
fn what_the_tape_of_a_backup_has_beyond_its_ledger_is_held() {
    runtime().block_on(async {
        let (folder, mut receiver, config) = bench("put-beyond").await;
        let mut daemon = Daemon::start(&config);
        let mut got = sent(&mut daemon, &mut receiver, &strips(1, 2)).await;
        let ledger = backed_up(&config);
        got.extend(sent(&mut daemon, &mut receiver, &strips(11, 3)).await);
        let tape = backed_up(&config);
        assert_eq!(daemon.stop(), 0);
        // As if all of that had come between the copies of the two.
        mixed(&ledger, &tape);
        remove(&folder, "ledger.db");
        remove(&folder, "tape.db");
        restored(&config, &ledger, &[]);
        let mut daemon = Daemon::start(&config);
        let more = put_right(&mut daemon, &mut receiver, &config, 3).await;
        got.extend(more.into_iter().filter(|m| specimen(&m.body).starts_with("KP-003")));
        accounted(&got, &config, &specimens(&[(1, 2), (11, 3), (301, 3)]), "");
        assert_eq!(daemon.stop(), 0);
    });
}

/// Gives a backup the tape of a later one.
fn mixed(ledger: &Path, tape: &Path) {
    let read = |folder: &Path| -> Value {
        let text = std::fs::read(folder.join("statement.json")).expect("a statement");
        serde_json::from_slice(&text).expect("JSON")
    };
    let (mut statement, later) = (read(ledger), read(tape));
    statement["tape"] = later["tape"].clone();
    std::fs::copy(tape.join("tape.db"), ledger.join("tape.db")).expect("copied");
    std::fs::write(ledger.join("statement.json"), statement.to_string()).expect("written");
}

#[test]
fn a_damaged_ledger_alone_is_put_back_beside_the_tape_that_stays() {
    runtime().block_on(async {
        let (folder, mut receiver, config, mut got) = four_sent("put-ledger").await;
        let copy = backed_up(&config);
        let mut daemon = Daemon::start(&config);
        got.extend(sent(&mut daemon, &mut receiver, &strips(101, 5)).await);
        daemon.kill();
        remove(&folder, "ledger.db");
        std::fs::write(folder.0.join("ledger.db"), b"damaged").expect("written");
        restored(&config, &copy, &["--only", "ledger"]);
        let mut daemon = Daemon::start(&config);
        let more = put_right(&mut daemon, &mut receiver, &config, 5).await;
        got.extend(more.into_iter().filter(|m| specimen(&m.body).starts_with("KP-003")));
        accounted(&got, &config, &specimens(&[(1, 4), (101, 5), (301, 3)]), "");
        assert_eq!(daemon.stop(), 0);
    });
}

/// The tape is damaged and the ledger read more from it than the backup has: it goes on behind that, so that no place
/// is given out twice, for what stands in a known place is passed over.
#[test]
fn an_older_tape_alone_goes_on_behind_what_was_read() {
    runtime().block_on(async {
        let (folder, mut receiver, config, mut got) = four_sent("put-tape").await;
        let copy = backed_up(&config);
        let mut daemon = Daemon::start(&config);
        got.extend(sent(&mut daemon, &mut receiver, &strips(101, 5)).await);
        assert_eq!(daemon.stop(), 0);
        let (code, said) = tried(&config, &copy, &["--only", "tape"]);
        assert_eq!(code, 2, "the present one is whole and longer: {said}");
        assert!(said.contains("--replace-tape`"), "{said}");
        let tape = folder.0.join("tape.db");
        let mut spoilt = std::fs::read(&tape).expect("a tape");
        spoilt[..4096].fill(0xA5);
        std::fs::write(&tape, spoilt).expect("written");
        let told = restored(&config, &copy, &["--only", "tape"]);
        assert!(told.contains("bytes of bench-1 are in neither store"), "{told}");
        let mut daemon = Daemon::start(&config);
        assert_eq!(ask(&config, &["ledger", "notices"])["items"][0]["kind"], "restored");
        assert!(held(&config).is_empty(), "the ledger knows what it sent");
        done(&config, &["queue", "resume", "lis"]);
        got.extend(sent(&mut daemon, &mut receiver, &strips(201, 6)).await);
        assert_eq!(got.len(), 15, "each new one came: none stood in a place that was known");
        accounted(&got, &config, &specimens(&[(1, 4), (101, 5), (201, 6)]), "");
        assert_eq!(daemon.stop(), 0);
        let daemon = Daemon::start(&config);
        assert_eq!(daemon.stop(), 0);
    });
}

/// Two histories of one tape: the places of one ledger are not those of the other's tape.
#[test]
fn a_ledger_is_not_put_beside_a_tape_of_another_history() {
    runtime().block_on(async {
        let (folder, mut receiver, config, mut got) = four_sent("put-forked").await;
        let first = backed_up(&config);
        let mut daemon = Daemon::start(&config);
        got.extend(sent(&mut daemon, &mut receiver, &strips(101, 2)).await);
        assert_eq!(daemon.stop(), 0);
        let second = backed_up(&config);
        remove(&folder, "tape.db");
        restored(&config, &first, &[]);
        let mut daemon = Daemon::start(&config);
        done(&config, &["queue", "resume", "lis"]);
        got.extend(sent(&mut daemon, &mut receiver, &strips(201, 4)).await);
        assert_eq!(daemon.stop(), 0);
        let before = files(&folder.0);
        let (code, said) = tried(&config, &second, &["--only", "ledger"]);
        assert_eq!(code, 2, "{said}");
        assert!(said.contains("does not go on from"), "{said}");
        assert!(files(&folder.0) == before, "nothing was changed");
        let told = restored(&config, &second, &[]);
        assert!(told.contains("another history"), "{told}");
        let mut daemon = Daemon::start(&config);
        done(&config, &["queue", "resume", "lis"]);
        got.extend(sent(&mut daemon, &mut receiver, &strips(301, 4)).await);
        accounted(&got, &config, &specimens(&[(1, 4), (101, 2), (301, 4)]), &told);
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn what_is_no_whole_backup_is_not_put_back() {
    runtime().block_on(async {
        let (folder, _receiver, config, _) = four_sent("put-wrong").await;
        let copy = backed_up(&config);
        let place = folder.0.join("backups");
        let before = files(&folder.0);
        let whole = files(&copy);
        for (path, bytes) in &whole {
            if path.ends_with("statement.json") {
                continue;
            }
            let mut flipped = bytes.clone();
            flipped[bytes.len() / 2] ^= 1;
            std::fs::write(path, flipped).expect("written");
            let (code, said) = tried(&config, &copy, &[]);
            assert_eq!(code, 4, "{said}");
            assert!(said.contains("SHA-256"), "{said}");
            let (code, said) = ended(run(&config, &["backup", "check", &place.to_string_lossy()]));
            assert_eq!(code, 4, "{said}");
            std::fs::write(path, bytes).expect("put right");
        }
        let statement = copy.join("statement.json");
        let text = String::from_utf8(whole[&statement].clone()).expect("text");
        for (newer, word) in [
            (text.replacen("\"form\": 1", "\"form\": 9", 1), "schema 9"),
            (text.replacen("\"schema\": ", "\"schema\": 99", 1), "run the newer program"),
            (text[..text.len() / 2].to_owned(), "damaged"),
        ] {
            std::fs::write(&statement, newer).expect("written");
            let (code, said) = tried(&config, &copy, &[]);
            assert_eq!(code, 4, "{said}");
            assert!(said.contains(word), "{said}");
        }
        std::fs::remove_file(&statement).expect("removed");
        let (code, said) = tried(&config, &copy, &[]);
        assert_eq!(code, 3, "{said}");
        assert!(said.contains("no statement"), "{said}");
        std::fs::write(&statement, &text).expect("put right");
        let (code, said) = tried(&config, &place, &[]);
        assert_eq!(code, 2, "{said}");
        let hint = format!("wickline restore {}", copy.display());
        assert_eq!(hints(&said), [hint]);
        assert!(files(&folder.0) == before, "nothing was changed");
        // Nothing goes through a link.
        let link = folder.0.join("link");
        std::os::unix::fs::symlink(&place, &link).expect("linked");
        let (code, said) = ended(run(&config, &["backup", &link.to_string_lossy()]));
        assert_eq!(code, 3, "{said}");
        assert!(said.contains("is a link"), "{said}");
        assert_eq!(std::fs::read_dir(&place).expect("a folder").count(), 1);
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

/// Cut short between the two stores: nobody starts on the half, and the same again finishes it.
#[test]
fn a_restore_that_was_cut_short_is_done_again_before_anything_starts() {
    runtime().block_on(async {
        let (folder, mut receiver, config, mut got) = four_sent("put.db-half").await;
        let library = preload(&folder);
        let copy = backed_up(&config);
        let mut daemon = Daemon::start(&config);
        got.extend(sent(&mut daemon, &mut receiver, &strips(101, 5)).await);
        assert_eq!(daemon.stop(), 0);
        let name = folder.0.file_name().expect("a name").to_string_lossy().into_owned();
        folder.write("plan", &format!("sync {name} 1 0 5"));
        let mut command = program();
        command.env("LD_PRELOAD", &library).env("FAULT_DIR", &folder.0);
        command.args(["--config", &config.to_string_lossy(), "restore", &copy.to_string_lossy()]);
        let (code, said) =
            ended(command.args(REASON).arg("--replace-tape").output().expect("it runs"));
        assert!(code > 1, "{said}");
        std::fs::remove_file(folder.0.join("plan")).expect("it was planned");
        assert_eq!(Daemon::try_start(&config, None).err(), Some(4));
        let told = said_of(&config);
        let again =
            hints(&told).into_iter().find(|h| h.starts_with("wickline restore")).expect("a hint");
        let words: Vec<&str> = again.split(' ').skip(1).chain(REASON).collect();
        let (code, said) = ended(run(&config, &words));
        assert_eq!(code, 1, "{said}");
        let mut daemon = Daemon::start(&config);
        assert_eq!(ask(&config, &["ledger", "notices"])["items"][0]["kind"], "restored");
        done(&config, &["queue", "resume", "lis"]);
        got.extend(sent(&mut daemon, &mut receiver, &strips(201, 3)).await);
        accounted(&got, &config, &specimens(&[(1, 4), (201, 3)]), &said);
        assert_eq!(daemon.stop(), 0);
    });
}

fn said_of(config: &Path) -> String {
    let said = said(config);
    let line = said.lines().rev().find(|line| line.contains("restore began here"));
    line.unwrap_or_else(|| panic!("{said}")).to_owned()
}

async fn receiver() -> Receiver {
    let answers = vec!["aa".parse().expect("an answer")];
    Receiver::bind("127.0.0.1:0", answers, Duration::ZERO, None).await.expect("a port")
}

/// A ledger on a server is backed up as one in a file, beside daemons that work with it, and put back into a new
/// database, or into a file.
#[test]
fn a_ledger_on_a_server_is_put_back_into_a_new_one() {
    let Some(server) = Server::start("put") else { return };
    let folder = Folder::new("put-server");
    runtime().block_on(async {
        let mut receiver = receiver().await;
        let line = "listen:127.0.0.1:0";
        let config = several::bench(&folder, "bench-a", line, &server.url, &receiver, "");
        let mut daemon = Daemon::start(&config);
        let mut got = sent(&mut daemon, &mut receiver, &strips(1, 4)).await;
        let copy = backed_up(&config);
        is_whole(&copy).await;
        got.extend(sent(&mut daemon, &mut receiver, &strips(101, 5)).await);
        assert_eq!(daemon.stop(), 0);
        let (code, said) = tried(&config, &copy, &[]);
        assert_eq!(code, 2, "{said}");
        assert!(said.contains("not empty"), "{said}");
        crate::set_back::order(&server, &["CREATE DATABASE anew"]).await;
        let other = server.url.replace("/postgres", "/anew");
        let text = std::fs::read_to_string(&config).expect("the configuration");
        std::fs::write(&config, text.replace(&server.url, &other)).expect("written");
        let told = restored(&config, &copy, &[]);
        assert!(told.contains("stays as it is"), "{told}");
        let mut daemon = Daemon::start(&config);
        let more = put_right(&mut daemon, &mut receiver, &config, 5).await;
        got.extend(more.into_iter().filter(|m| specimen(&m.body).starts_with("KP-003")));
        accounted(&got, &config, &specimens(&[(1, 4), (101, 5), (301, 3)]), "");
        assert_eq!(daemon.stop(), 0);
        assert_eq!(run(&config, &["trail", "verify"]).status.code(), Some(0));
        // Into a file.
        std::fs::write(&config, text.replace(&server.url, "sqlite:ledger.db")).expect("written");
        restored(&config, &copy, &["--only", "ledger"]);
        let daemon = Daemon::start(&config);
        until(|| held(&config).len() == 8);
        assert_eq!(daemon.stop(), 0);
    });
}

/// Root works for the service: what it makes in the service's folder is the service's.
#[test]
fn what_root_puts_back_belongs_to_the_service() {
    if !rustix::process::geteuid().is_root() {
        return skipped("root", "only root can give files to others");
    }
    use std::os::unix::fs::{MetadataExt, chown};
    const SERVICE: u32 = 65_534;
    runtime().block_on(async {
        let (folder, _receiver, config, _) = four_sent("put-root").await;
        chown(&folder.0, Some(SERVICE), Some(SERVICE)).expect("root may");
        for path in files(&folder.0).keys() {
            chown(path, Some(SERVICE), Some(SERVICE)).expect("root may");
        }
        let copy = backed_up(&config);
        restored(&config, &copy, &["--replace-tape"]);
        let mut all = files(&folder.0);
        all.extend(files(&copy));
        let theirs: Vec<&PathBuf> = all
            .keys()
            .chain([&copy])
            .filter(|path| std::fs::metadata(path).is_ok_and(|found| found.uid() != SERVICE))
            .collect();
        assert!(theirs.is_empty(), "{theirs:?}");
        for store in ["ledger.db", "tape.db"] {
            let mode = std::fs::metadata(folder.0.join(store)).expect("there").mode() & 0o777;
            assert_eq!(mode, 0o600, "{store}");
        }
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
