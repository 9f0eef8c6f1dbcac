//! An older copy of a store is put back, or a store is gone: no id is given twice, nothing that was perhaps
//! sent is sent anew, and it is told. What nobody can notice is kept apart by its ids alone.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::Value;
use wickline::simulate::analyzer::{Sent, SimulatedAnalyzer, Style};
use wickline::simulate::port::SimPort;
use wickline::simulate::script::Script;
use wickline_forward::receive::{Received, Receiver};

use crate::faults::preload;
use crate::hints::{at_a_terminal, hints};
use crate::kit::{Daemon, Folder, ask, configuration, run, said, until};
use crate::several::{self, Server};
use crate::way::{analyzer, gather, pads, runtime, specimen};

/// Strips whose numbers go on from `first`.
pub fn strips(first: usize, count: usize) -> Script {
    let mut script = Script::plain(count, 77, &pads());
    for (nth, run) in script.run.iter_mut().enumerate() {
        run.number = (first + nth).to_string();
        run.specimen = format!("KP-{:05}", first + nth);
    }
    script
}

pub async fn receiver() -> Receiver {
    let answers = vec!["aa".parse().expect("an answer")];
    Receiver::bind("127.0.0.1:0", answers, Duration::ZERO, None).await.expect("a port")
}

/// A bench that listens, in a folder of its own.
pub async fn bench(name: &str) -> (Folder, Receiver, PathBuf) {
    let folder = Folder::new(name);
    let receiver = receiver().await;
    let address = format!("mllp://{}", receiver.address());
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", &address, "");
    let config = folder.write("wickline.toml", &text);
    (folder, receiver, config)
}

/// Runs strips; each is read when this returns.
pub async fn run_strips(daemon: &mut Daemon, script: &Script) {
    let port = SimPort::connect(&daemon.lines[0]).await.expect("the line listens");
    let mut bench = analyzer(port, Style::Lis02);
    bench.run(script, |_, _| ()).await.expect("the line holds");
    for _ in &script.run {
        daemon.wait_for(|e| e["event"] == "report");
    }
    hung_up(daemon, bench);
}

/// One calls at a time: the next is turned away until it is seen that this one has gone.
fn hung_up(daemon: &mut Daemon, bench: SimulatedAnalyzer) {
    drop(bench);
    daemon.wait_for(|e| e["event"] == "line-down");
}

/// The same, and each is accepted.
pub async fn sent(daemon: &mut Daemon, receiver: &mut Receiver, script: &Script) -> Vec<Received> {
    let port = SimPort::connect(&daemon.lines[0]).await.expect("the line listens");
    let mut bench = analyzer(port, Style::Lis02);
    bench.run(script, |_, _| ()).await.expect("the line holds");
    for _ in &script.run {
        daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
    }
    hung_up(daemon, bench);
    let mut got = Vec::new();
    gather(receiver, &mut got, || true).await;
    got
}

/// A bench whose first four strips were accepted, and that was stopped then.
pub async fn four_sent(name: &str) -> (Folder, Receiver, PathBuf, Vec<Received>) {
    let (folder, mut receiver, config) = bench(name).await;
    let mut daemon = Daemon::start(&config);
    let got = sent(&mut daemon, &mut receiver, &strips(1, 4)).await;
    assert_eq!(daemon.stop(), 0);
    (folder, receiver, config, got)
}

/// OBR-3 of a message, read without our own encoder.
pub fn filler(message: &Received) -> String {
    let text = String::from_utf8_lossy(&message.body);
    let obr = text.split('\r').find(|s| s.starts_with("OBR|")).expect("an order");
    let id = obr.split('|').nth(3).expect("OBR-3");
    id.split('^').next().expect("an id").to_owned()
}

/// No two specimens under one control id or one OBR-3, whoever gave them; both fit their fields.
pub fn unlike(got: &[Received]) {
    let of: BTreeSet<String> = got.iter().map(|m| specimen(&m.body)).collect();
    for (what, id, most) in [
        ("control id", (|m: &Received| m.control_id.clone()) as fn(&Received) -> String, 20),
        ("OBR-3", filler, 13),
    ] {
        let ids: BTreeSet<String> = got.iter().map(id).collect();
        assert_eq!(ids.len(), of.len(), "{what} given twice: {ids:?} for {of:?}");
        assert!(ids.iter().all(|id| id.len() <= most), "{what} too long: {ids:?}");
    }
}

/// Waits until the tape remembers that the ledger has so many reports.
pub async fn noted(folder: &Folder, reports: usize) {
    use sqlx::{Connection, Row};
    sqlx::any::install_default_drivers();
    let url = format!("sqlite://{}?mode=ro", folder.0.join("tape.db").display());
    let mut conn = sqlx::AnyConnection::connect(&url).await.expect("the tape");
    let end = std::time::Instant::now() + crate::kit::PATIENCE;
    loop {
        let row = sqlx::query("SELECT report FROM ledger_seen").fetch_one(&mut conn).await;
        if row.expect("a note").get::<i64, _>(0) == reports as i64 {
            break;
        }
        assert!(std::time::Instant::now() < end, "it was not noted in time");
        tokio::task::yield_now().await;
    }
    conn.close().await.expect("it closes");
}

/// Copies a store with its logs.
fn copy(folder: &Folder, from: &str, to: &str) {
    for tail in ["", "-wal", "-shm"] {
        let (from, to) =
            (folder.0.join(from.to_owned() + tail), folder.0.join(to.to_owned() + tail));
        let _ = std::fs::remove_file(&to);
        if from.exists() {
            std::fs::copy(from, to).expect("it can be copied");
        }
    }
}

pub fn remove(folder: &Folder, store: &str) {
    for tail in ["", "-wal", "-shm"] {
        let _ = std::fs::remove_file(folder.0.join(store.to_owned() + tail));
    }
}

pub fn held(config: &Path) -> Vec<Value> {
    ask(config, &["held"])["items"].as_array().expect("a list").clone()
}

pub fn done(config: &Path, words: &[&str]) {
    let out = run(config, words);
    assert_eq!(out.status.code(), Some(0), "{words:?}: {}", String::from_utf8_lossy(&out.stderr));
}

/// What a person sees and does after the ledger was found set back: so many reports are held as perhaps
/// sent, nothing goes until delivery is resumed, and one that never came is released under ids of its own.
pub async fn put_right(
    daemon: &mut Daemon,
    receiver: &mut Receiver,
    config: &Path,
    doubted: usize,
) -> Vec<Received> {
    let mut got = Vec::new();
    until(|| held(config).len() == doubted);
    for item in held(config) {
        assert_eq!(item["reason"], "after-restore", "{item}");
    }
    let queue = ask(config, &["queue"]);
    assert_eq!(queue["receivers"][0]["paused"], true, "{queue}");
    run_strips(daemon, &strips(301, 3)).await;
    assert_eq!(held(config).len(), doubted, "what nobody ever read goes its normal way");
    gather(receiver, &mut got, || true).await;
    assert!(got.is_empty(), "sent although delivery is paused: {got:?}");
    let trail = ask(config, &["trail"]).to_string();
    assert!(trail.contains("set back") || trail.contains("restore"), "{trail}");
    let (purge, notices) = (["purge", "--older-than", "1d"], ask(config, &["ledger", "notices"]));
    // A look at a purge says what bars it, as the purge itself would.
    let look = ask(config, &purge);
    let barred = look["barred"].as_str().expect("why");
    assert!(barred.contains("`wickline ledger notices` tells"), "{look}");
    let shown = String::from_utf8_lossy(&run(config, &purge).stdout).into_owned();
    assert!(shown.contains(barred) && !shown.contains("nothing to purge"), "{shown}");
    assert_eq!(notices["items"].as_array().map(Vec::len), Some(1), "{notices}");
    let id = notices["items"][0]["id"].as_str().expect("an id").to_owned();
    done(config, &["queue", "resume", "lis"]);
    gather(receiver, &mut got, || got_all(config)).await;
    assert_eq!(got.len(), 3, "what was waiting goes: {got:?}");
    let first = held(config)[0]["id"].as_str().expect("an id").to_owned();
    done(config, &["held", "release", &first, "--reason", "the receiver does not have it"]);
    gather(receiver, &mut got, || got_all(config)).await;
    done(config, &["ledger", "lift", &id, "--reason", "compared with the receiver"]);
    assert_eq!(ask(config, &["ledger", "notices"])["items"], serde_json::json!([]));
    got
}

pub fn got_all(config: &Path) -> bool {
    ask(config, &["queue"])["totals"]["waiting"] == 0
}

#[test]
fn an_older_ledger_alone_is_noticed_and_gives_no_id_twice() {
    runtime().block_on(async {
        let (folder, mut receiver, config, mut got) = four_sent("back").await;
        copy(&folder, "ledger.db", "copy.db");
        let mut daemon = Daemon::start(&config);
        got.extend(sent(&mut daemon, &mut receiver, &strips(101, 5)).await);
        assert_eq!(daemon.stop(), 0);
        copy(&folder, "copy.db", "ledger.db");
        let verified = run(&config, &["trail", "verify"]);
        let text = String::from_utf8_lossy(&verified.stdout).into_owned();
        assert_eq!(verified.status.code(), Some(4), "{text}");
        assert!(text.contains("set back"), "{text}");
        let mut daemon = Daemon::start(&config);
        assert!(said(&config).contains("set back"), "{}", said(&config));
        let more = put_right(&mut daemon, &mut receiver, &config, 5).await;
        // The one that was released is known to the receiver: the person said that it is not.
        let (again, new): (Vec<_>, Vec<_>) =
            more.into_iter().partition(|m| specimen(&m.body).starts_with("KP-0010"));
        assert_eq!((again.len(), new.len()), (1, 3));
        assert!(got.iter().all(|m| m.control_id != again[0].control_id));
        assert!(got.iter().all(|m| filler(m) != filler(&again[0])));
        got.extend(new);
        unlike(&got);
        assert_eq!(daemon.stop(), 0);
        // Told once, not at each start.
        let daemon = Daemon::start(&config);
        assert_eq!(ask(&config, &["queue"])["receivers"][0]["paused"], false);
        assert_eq!(ask(&config, &["ledger", "notices"])["items"], serde_json::json!([]));
        assert_eq!(daemon.stop(), 0);
    });
}

/// Killed, not stopped: what the tape noted ahead counts.
#[test]
fn an_older_ledger_after_a_kill_is_noticed() {
    runtime().block_on(async {
        let (folder, mut receiver, config, mut got) = four_sent("killed").await;
        copy(&folder, "ledger.db", "copy.db");
        let mut daemon = Daemon::start(&config);
        got.extend(sent(&mut daemon, &mut receiver, &strips(101, 5)).await);
        daemon.kill();
        copy(&folder, "copy.db", "ledger.db");
        let mut daemon = Daemon::start(&config);
        put_right(&mut daemon, &mut receiver, &config, 5).await;
        unlike(&got);
        assert_eq!(daemon.stop(), 0);
    });
}

/// Nobody can notice that: the ids alone keep what is new apart from what was.
#[test]
fn ledger_and_tape_set_back_together_give_no_id_twice() {
    runtime().block_on(async {
        let (folder, mut receiver, config, mut got) = four_sent("both").await;
        for store in ["ledger.db", "tape.db"] {
            copy(&folder, store, &format!("copy-{store}"));
        }
        for first in [101, 201, 301] {
            let mut daemon = Daemon::start(&config);
            got.extend(sent(&mut daemon, &mut receiver, &strips(first, 5)).await);
            assert_eq!(daemon.stop(), 0);
            for store in ["ledger.db", "tape.db"] {
                copy(&folder, &format!("copy-{store}"), store);
            }
        }
        assert_eq!(got.len(), 19);
        unlike(&got);
    });
}

#[test]
fn a_ledger_that_is_gone_sends_nothing_of_the_tape_again() {
    runtime().block_on(async {
        let (folder, mut receiver, config) = bench("gone").await;
        let mut daemon = Daemon::start(&config);
        let mut got = sent(&mut daemon, &mut receiver, &strips(1, 6)).await;
        assert_eq!(daemon.stop(), 0);
        std::fs::create_dir(folder.0.join("found")).expect("a folder");
        std::fs::rename(folder.0.join("ledger.db"), folder.0.join("found/ledger.db")).expect("it");
        remove(&folder, "ledger.db");
        // Nobody but a person begins with an empty one.
        done(&config, &["ledger", "migrate", "--as", "J. Mast"]);
        let mut daemon = Daemon::start(&config);
        let told = ask(&config, &["ledger", "notices"])["items"][0].to_string();
        assert!(told.contains("reports before it (6 as last noted) are not in it"), "{told}");
        assert!(told.contains("stop the service") && told.contains("-wal and -shm"), "{told}");
        let more = put_right(&mut daemon, &mut receiver, &config, 6).await;
        got.extend(more.into_iter().filter(|m| specimen(&m.body).starts_with("KP-003")));
        assert_eq!(got.len(), 9);
        unlike(&got);
        assert_eq!(daemon.stop(), 0);
        // The right one is found again: what the other sent meanwhile it does not know, so it waits for a person.
        remove(&folder, "ledger.db");
        std::fs::rename(folder.0.join("found/ledger.db"), folder.0.join("ledger.db")).expect("it");
        let daemon = Daemon::start(&config);
        let notices = ask(&config, &["ledger", "notices"])["items"].clone();
        assert_eq!(notices[0]["kind"], "ledger-other", "{notices}");
        let queue = ask(&config, &["queue"])["receivers"][0].clone();
        assert_eq!(queue["paused"], true, "{queue}");
        let held = ask(&config, &["held"])["items"].clone();
        let of = |id: &str| held.as_array().expect("items").iter().any(|i| i["specimen"] == id);
        assert!(
            strips(301, 3).run.iter().all(|run| of(&run.specimen)),
            "sent by the other: {held}"
        );
        assert_eq!(daemon.stop(), 0);
    });
}

/// Whoever finds the old file again must not meet another in its place; the lines are heard meanwhile.
#[test]
fn a_ledger_that_is_gone_is_waited_for_and_goes_on_when_it_is_put_back() {
    runtime().block_on(async {
        let (folder, mut receiver, config, mut got) = four_sent("found").await;
        let mut daemon = Daemon::start(&config);
        got.extend(sent(&mut daemon, &mut receiver, &strips(101, 2)).await);
        noted(&folder, 6).await;
        daemon.kill();
        let stands = |name: &str| folder.0.join(name).exists();
        assert!(stands("ledger.db-wal"), "what was written last is in the log");
        std::fs::create_dir(folder.0.join("found")).expect("a folder");
        for tail in ["", "-wal", "-shm"] {
            let name = format!("ledger.db{tail}");
            std::fs::rename(folder.0.join(&name), folder.0.join("found").join(&name)).expect("it");
        }
        let mut daemon = Daemon::start(&config);
        let away = daemon.seen.iter().find(|e| e["event"] == "ledger-away").expect("told").clone();
        for word in
            ["6 report(s)", "-wal and -shm", "Stop the service", "`wickline ledger migrate`"]
        {
            assert!(away["why"].as_str().is_some_and(|why| why.contains(word)), "{word}: {away}");
        }
        let port = SimPort::connect(&daemon.lines[0]).await.expect("the line listens");
        let mut bench = analyzer(port, Style::Lis02);
        let mut taken = 0;
        bench
            .run(&strips(201, 3), |_, sent| taken += usize::from(sent == Sent::Delivered))
            .await
            .expect("the line holds");
        assert_eq!(taken, 3, "what analyzers say is kept");
        hung_up(&mut daemon, bench);
        // Whoever asks is told the same, and not that all is as before the first start.
        for words in [&["status"][..], &["check"], &["queue"], &["queue", "pause", "lis"]] {
            let asked = run(&config, words);
            let said = [asked.stdout, asked.stderr].concat();
            let said = String::from_utf8_lossy(&said).into_owned();
            assert_eq!(asked.status.code(), Some(3), "{words:?}: {said}");
            assert!(said.contains("is gone, and the tape remembers it"), "{words:?}: {said}");
        }
        let status = || String::from_utf8_lossy(&run(&config, &["status"]).stdout).into_owned();
        let said = status();
        assert!(said.contains("put the file back") && !said.contains("have the server"), "{said}");
        assert!(said.contains("What is heard meanwhile is safe on the tape"), "{said}");
        let refused = run(&config, &["ledger", "migrate"]);
        assert_ne!(refused.status.code(), Some(0), "not under the daemon");
        assert!(!stands("ledger.db"), "none was made in its place");
        assert_eq!(daemon.stop(), 0);
        let said = status();
        assert!(said.contains("The daemon is stopped: nothing is heard"), "{said}");
        assert!(!said.contains("safe on the tape"), "{said}");
        for tail in ["", "-wal", "-shm"] {
            let name = format!("ledger.db{tail}");
            std::fs::rename(folder.0.join("found").join(&name), folder.0.join(&name)).expect("it");
        }
        let daemon = Daemon::start(&config);
        gather(&mut receiver, &mut got, || ask(&config, &["queue"])["totals"]["accepted"] == 9)
            .await;
        assert_eq!(got.len(), 9);
        unlike(&got);
        assert_eq!(ask(&config, &["ledger", "notices"])["items"], serde_json::json!([]));
        assert_eq!(daemon.stop(), 0);
    });
}

/// A new tape beside an old ledger is what a damaged tape is mended with: told, and nothing is paused.
#[test]
fn a_tape_moved_aside_is_told_and_pauses_nothing() {
    runtime().block_on(async {
        let (folder, mut receiver, config) = bench("aside").await;
        let mut daemon = Daemon::start(&config);
        let mut got = sent(&mut daemon, &mut receiver, &strips(1, 4)).await;
        assert_eq!(ask(&config, &["ledger", "notices"])["items"], serde_json::json!([]));
        assert_eq!(daemon.stop(), 0);
        remove(&folder, "tape.db");
        let mut daemon = Daemon::start(&config);
        let notices = ask(&config, &["ledger", "notices"]);
        assert_eq!(notices["items"][0]["kind"], "tape-new", "{notices}");
        got.extend(sent(&mut daemon, &mut receiver, &strips(101, 4)).await);
        assert_eq!(got.len(), 8);
        unlike(&got);
        // What lifts it is a command that asks for the reason.
        let listed = run(&config, &["ledger", "notices"]);
        let [hint] = &hints(&String::from_utf8_lossy(&listed.stdout))[..] else {
            panic!("one hint: {listed:?}")
        };
        let (code, said) = at_a_terminal(&config, hint, "the old tape is kept").await;
        assert_eq!(code, 0, "`{hint}`: {said}");
        assert_eq!(ask(&config, &["ledger", "notices"])["items"], serde_json::json!([]));
        assert_eq!(daemon.stop(), 0);
    });
}

/// A machine that is set back with its memory wakes with the ids that it had in hand; its clock steps when
/// it is put right, here forth and back within one run of the daemon.
#[test]
fn the_ids_of_a_running_daemon_change_when_the_wall_clock_steps() {
    let folder = Folder::new("resumed");
    let library = preload(&folder);
    let clock = folder.write("clock", "0");
    runtime().block_on(async {
        let mut receiver = receiver().await;
        let address = format!("mllp://{}", receiver.address());
        let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", &address, "");
        let config = folder.write("wickline.toml", &text);
        let mut daemon = Daemon::start_with(&config, &library, &folder.0);
        let mut eras = BTreeSet::new();
        for (nth, step) in [0, 90, -90].iter().enumerate() {
            std::fs::write(&clock, step.to_string()).expect("the clock can be set");
            let got = sent(&mut daemon, &mut receiver, &strips(100 * nth + 1, 1)).await;
            let (id, filler) = (got[0].control_id.clone(), filler(&got[0]));
            assert!(
                eras.insert(id[id.len() - 8..].to_owned()),
                "{id}: an era that was there before"
            );
            assert_eq!(filler[3..], id[9..19], "{filler} and {id} are of one era");
            assert!(eras.insert(id[9..].to_owned()), "{id}: an era that was there before");
        }
        assert_eq!(daemon.stop(), 0);
    });
}

/// Statements on a server, beside the database that is the ledger.
pub async fn order(server: &Server, statements: &[&'static str]) {
    use sqlx::{Connection, Executor};
    sqlx::any::install_default_drivers();
    let (base, _) = server.url.rsplit_once('/').expect("a URL with a database");
    let url = format!("{base}/template1");
    let mut conn = sqlx::AnyConnection::connect(&url).await.expect("the server");
    for statement in statements {
        conn.execute(*statement).await.unwrap_or_else(|e| panic!("{statement}: {e}"));
    }
    conn.close().await.expect("closed");
}

const KEEP: &[&str] = &["CREATE DATABASE kept TEMPLATE postgres"];
const PUT_BACK: &[&str] =
    &["DROP DATABASE postgres WITH (FORCE)", "CREATE DATABASE postgres TEMPLATE kept"];

/// Two benches on one server. An older copy of the ledger is put back, under one of them while it runs: that
/// one ends, and each notices for its own lines.
#[test]
fn an_older_copy_on_a_server_is_noticed_by_each_bench() {
    let Some(server) = Server::start("copy") else { return };
    let folder = Folder::new("copy");
    runtime().block_on(async {
        let mut receiver = receiver().await;
        let line = "listen:127.0.0.1:0";
        let configs = ["bench-a", "bench-b"]
            .map(|name| several::bench(&folder, name, line, &server.url, &receiver, ""));
        let mut got = Vec::new();
        for (nth, config) in configs.iter().enumerate() {
            let mut daemon = Daemon::start(config);
            got.extend(sent(&mut daemon, &mut receiver, &strips(1000 * nth + 1, 3)).await);
            assert_eq!(daemon.stop(), 0);
        }
        order(&server, KEEP).await;
        let [mut a, mut b] = configs.each_ref().map(|config| Daemon::start(config));
        // One after the other: both deliver to one receiver, whichever has the lease.
        run_strips(&mut a, &strips(101, 4)).await;
        run_strips(&mut b, &strips(1101, 5)).await;
        gather(&mut receiver, &mut got, || got_all(&configs[0])).await;
        assert_eq!(got.len(), 15);
        assert_eq!(a.stop(), 0);
        order(&server, PUT_BACK).await;
        assert_eq!(b.ended(), 4, "what it has in hand does not go with this ledger");
        let [mut a, b] = configs.each_ref().map(|config| Daemon::start(config));
        let held_of = |of: &str| {
            let all = held(&configs[0]).into_iter();
            all.filter(|i| i["analyzer"] == of && i["reason"] == "after-restore").count()
        };
        until(|| (held_of("bench-a"), held_of("bench-b")) == (4, 5));
        assert_eq!(ask(&configs[0], &["queue"])["receivers"][0]["paused"], true);
        let notices = ask(&configs[0], &["ledger", "notices"]);
        let kinds: Vec<_> = notices["items"]
            .as_array()
            .expect("a list")
            .iter()
            .map(|n| n["kind"].clone())
            .collect();
        assert_eq!(kinds, ["ledger-set-back", "ledger-set-back"], "one for each bench");
        run_strips(&mut a, &strips(201, 3)).await;
        done(&configs[0], &["queue", "resume", "lis"]);
        gather(&mut receiver, &mut got, || got_all(&configs[0])).await;
        assert_eq!(got.len(), 18, "only what is new went");
        unlike(&got);
        assert_eq!((a.stop(), b.stop()), (0, 0));
    });
}
