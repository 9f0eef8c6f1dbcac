//! What is put back from a backup: no id twice, nothing that was perhaps sent sent anew, and what is lost is
//! told. What is not whole is not put back.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::Value;
use wickline_forward::receive::{Received, Receiver};

use crate::backup::{REASON, backed_up, ended, files, is_whole, tried};
use crate::faults::preload;
use crate::hints::hints;
use crate::kit::{Daemon, Folder, ask, program, run, said, skipped, until};
use crate::set_back::{
    bench, done, four_sent, got_all, held, put_right, remove, sent, strips, unlike,
};
use crate::several::{self, Server};
use crate::way::{gather, runtime, specimen};

/// Puts one back, with more words; what it said.
fn restored(config: &Path, from: &Path, more: &[&str]) -> String {
    let (code, said) = tried(config, from, more);
    assert_eq!(code, 1, "a person has to go on: {said}");
    said
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
        // That it was put back says that one was made, and when.
        let status = ask(&config, &["status"]);
        let items = status["items"].as_array().expect("items");
        let backup = items.iter().find(|i| i["about"] == "store" && i["which"] == "backup");
        let backup = backup.unwrap_or_else(|| panic!("a backup is known: {status}"));
        assert_eq!(backup["wrong"], false, "{backup}");
        assert!(backup["made_at"].is_string(), "{backup}");
        let check = String::from_utf8_lossy(&run(&config, &["check"]).stdout).into_owned();
        assert!(!check.contains("was ever made"), "{check}");
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

/// A good backup right after one that failed: it lifts that, also where it was put back and knows of itself by that
/// alone. The time of a backup is of a whole second, so it says nothing here.
#[test]
fn a_backup_that_was_made_right_after_a_failed_one_lifts_it_when_it_is_put_back() {
    runtime().block_on(async {
        let (folder, _receiver, config, _) = four_sent("put-failed").await;
        let nowhere = folder.0.join("none").join("backups").display().to_string();
        assert_ne!(run(&config, &["backup", &nowhere]).status.code(), Some(0));
        let failed = || {
            let items = ask(&config, &["status"])["items"].clone();
            let items = items.as_array().expect("items");
            let found = items.iter().find(|i| i["about"] == "store" && i["which"] == "backup");
            found.unwrap_or_else(|| panic!("a backup is known: {items:?}"))["wrong"].clone()
        };
        assert_eq!(failed(), true);
        crate::backup::an_hour_later(&folder.0.join("ledger.db")).await;
        let copy = backed_up(&config);
        assert_eq!(failed(), false);
        restored(&config, &copy, &[]);
        assert_eq!(failed(), false, "the backup that was put back came after it");
        assert_ne!(run(&config, &["backup", &nowhere]).status.code(), Some(0));
        assert_eq!(failed(), true, "and the next one failed");
    });
}

/// What waited when the backup was made may have gone since: that is said before it goes again.
#[test]
fn what_waits_in_a_backup_is_told_before_it_goes_again() {
    runtime().block_on(async {
        let (_folder, _receiver, config, _) = four_sent("put-waits").await;
        let mut daemon = Daemon::start(&config);
        done(&config, &["queue", "pause", "lis"]);
        crate::set_back::run_strips(&mut daemon, &strips(101, 2)).await;
        crate::kit::until(|| ask(&config, &["queue"])["totals"]["waiting"] == 2);
        let copy = backed_up(&config);
        assert_eq!(daemon.stop(), 0);
        let told = restored(&config, &copy, &[]);
        assert!(told.contains("2 message(s) wait in this ledger"), "{told}");
        assert!(hints(&told).iter().any(|h| h == "wickline queue counts"), "{told}");
    });
}

/// The yes to orders that came since the backup went out, and nobody sends them again by itself.
#[test]
fn orders_that_came_since_the_backup_are_told_as_missing() {
    runtime().block_on(async {
        let house = crate::orders::House::new("put-orders", "").await;
        let copy = backed_up(&house.config);
        let order = crate::orders::order("NW", "K1", "KP-20417", "KP700101");
        assert_eq!(house.say(&order, "A1").0, "AA");
        let crate::orders::House { config, daemon, _folder, .. } = house;
        assert_eq!(daemon.stop(), 0);
        restored(&config, &copy, &[]);
        let status = ask(&config, &["status"]);
        let all = status["items"].as_array().expect("items");
        let told = all.iter().find(|item| item["which"] == "restored").expect("told");
        let text = told["text"].as_str().expect("a text");
        assert!(text.contains("have lis send again all that wait"), "{text}");
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
            // Of the folder above it, which holds no other.
            let told = restored(&config, copy.parent().expect("a folder"), &[]);
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

/// What is open of a tape that was moved aside long ago may have been let go since as well.
#[test]
fn what_is_held_of_an_earlier_tape_needs_a_person_too() {
    runtime().block_on(async {
        let (folder, _receiver, config) = bench("put-earlier").await;
        let mut blank = strips(1, 1);
        blank.run[0].specimen.clear();
        let mut daemon = Daemon::start(&config);
        crate::set_back::run_strips(&mut daemon, &blank).await;
        assert_eq!(daemon.stop(), 0);
        remove(&folder, "tape.db");
        let mut daemon = Daemon::start(&config);
        crate::set_back::run_strips(&mut daemon, &strips(11, 1)).await;
        assert_eq!(daemon.stop(), 0);
        let copy = backed_up(&config);
        remove(&folder, "ledger.db");
        restored(&config, &copy, &["--only", "ledger"]);
        let item = held(&config)[0].clone();
        let open: Vec<&str> = item["holds"]
            .as_array()
            .expect("holds")
            .iter()
            .filter_map(|h| h["reason"].as_str())
            .collect();
        assert_eq!(open, ["specimen-blank", "after-restore"], "{item}");
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
        // Of several none is taken: which, a person says.
        let later = place.join("2099-03-14T021500Z");
        std::fs::create_dir(&later).expect("a folder");
        std::fs::write(later.join("statement.json"), &text).expect("written");
        let (code, said) = tried(&config, &place, &[]);
        assert_eq!(code, 2, "{said}");
        let hint = format!("wickline restore {}", later.display());
        assert_eq!(hints(&said), [hint]);
        assert!(files(&folder.0) == before, "nothing was changed");
        // Nothing goes through a link.
        let link = folder.0.join("link");
        std::os::unix::fs::symlink(&place, &link).expect("linked");
        let (code, said) = ended(run(&config, &["backup", &link.to_string_lossy()]));
        assert_eq!(code, 3, "{said}");
        assert!(said.contains("is a link"), "{said}");
        assert_eq!(std::fs::read_dir(&place).expect("a folder").count(), 2);
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
