//! Is anything wrong now? Asked of the real binary while a cable is pulled, a receiver paused, a daemon
//! killed; and what /readyz says meanwhile.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;

use serde_json::Value;
use wickline::simulate::analyzer::Style;
use wickline::simulate::port::SimPort;

use crate::kit::{Daemon, Folder, ask, configuration, run, until};
use crate::set_back::{run_strips, strips};
use crate::way::{analyzer, pty, runtime, script};

fn told(config: &Path, words: &[&str]) -> (i32, String) {
    let output = run(config, words);
    let text = [output.stdout, output.stderr].concat();
    (output.status.code().expect("a code"), String::from_utf8_lossy(&text).into_owned())
}

/// What status says of one thing.
fn of(config: &Path, about: &str, which: &str) -> Value {
    let status = ask(config, &["status"]);
    let items = status["items"].as_array().expect("items");
    let found = items.iter().find(|i| i["about"] == about && i["which"] == which);
    found.cloned().unwrap_or_else(|| panic!("no {about} {which} in {status}"))
}

pub fn get(address: &str, path: &str) -> String {
    let mut stream = TcpStream::connect(address).expect("the console");
    let ask = format!("GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n");
    stream.write_all(ask.as_bytes()).expect("asked");
    let mut page = String::new();
    stream.read_to_string(&mut page).expect("answered");
    page
}

/// The last word of a daemon, as if it had been so many seconds ago.
async fn long_ago(ledger: &Path, seconds: i64) {
    use sqlx::Connection;
    sqlx::any::install_default_drivers();
    let url = format!("sqlite://{}", ledger.display());
    let mut conn = sqlx::AnyConnection::connect(&url).await.expect("the ledger opens");
    let sql = "UPDATE daemon_state SET noted_at = noted_at - $1";
    let done = sqlx::query(sql).bind(seconds * 1_000_000).execute(&mut conn).await;
    assert!(done.expect("changed").rows_affected() > 0);
    conn.close().await.expect("closed");
}

/// What was noted of configurations, as if it had been an hour ago.
async fn read_long_ago(ledger: &Path) {
    use sqlx::Connection;
    sqlx::any::install_default_drivers();
    let url = format!("sqlite://{}", ledger.display());
    let mut conn = sqlx::AnyConnection::connect(&url).await.expect("the ledger opens");
    let sql = "UPDATE trail SET at = at - 3600000000 WHERE verb LIKE 'configuration%' OR object LIKE 'configuration%'";
    let done = sqlx::query(sql).execute(&mut conn).await;
    assert!(done.expect("changed").rows_affected() > 0);
    conn.close().await.expect("closed");
}

#[test]
fn whatever_is_wrong_is_seen_in_one_look() {
    let folder = Folder::new("status");
    std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
    runtime().block_on(async {
        let console = "[console]\nlisten = \"127.0.0.1:0\"\ndown_seconds = 1\n";
        let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", console);
        let config = folder.write("wickline.toml", &text);
        let (code, said) = told(&config, &["status"]);
        assert!(code == 3 && said.contains("the ledger cannot be reached"), "{code} {said}");
        assert!(said.contains("The daemon is stopped"), "{said}");
        assert!(!folder.0.join("ledger.db").exists(), "a question makes nothing");

        let (daemon, ready) = Daemon::start_ready(&config);
        let console = ready["console"].as_str().expect("an address").to_owned();
        until(|| {
            let (code, said) = told(&config, &["status"]);
            // Nobody has connected, and nobody had the time to.
            code == 0 && said.contains("being opened")
        });
        let address = ready["lines"][0]["address"].as_str().expect("it listens");
        let stream = tokio::net::TcpStream::connect(address).await.expect("a line");
        until(|| of(&config, "line", "bench-1")["up"] == true);
        assert_eq!(told(&config, &["status"]).0, 0);
        assert!(get(&console, "/readyz").starts_with("HTTP/1.1 200"));

        run(&config, &["queue", "pause", "lis", "--as", "J. Mast"]);
        let mut plan = script(3, 5);
        plan.run[1].specimen.clear();
        let mut bench = analyzer(SimPort::Tcp(stream), Style::Lis02);
        bench.run(&plan, |_, _| ()).await.expect("the line holds");
        until(|| ask(&config, &["held"])["items"].as_array().map(Vec::len) == Some(1));
        let (code, said) = told(&config, &["status"]);
        assert!(code == 1 && said.contains("paused by J. Mast since"), "{said}");
        assert!(said.contains("2 wait") && said.contains("last report 3"), "{said}");
        assert!(said.contains("`wickline queue resume lis`"), "{said}");
        assert_eq!(of(&config, "held", "reports")["by_age"]["of_today"], 1);
        // Each command tells its own, and the rest in a line.
        let (_, held) = told(&config, &["held"]);
        assert!(held.contains("also wrong: receiver lis; `wickline status` tells"), "{held}");
        let (_, queue) = told(&config, &["queue"]);
        assert!(queue.contains("also wrong: held reports"), "{queue}");
        let (_, day) = told(&config, &["day"]);
        assert!(day.contains("also wrong: receiver lis"), "{day}");

        drop(bench);
        until(|| of(&config, "line", "bench-1")["up"] == false);
        assert!(told(&config, &["status"]).1.contains("down since"), "the cable is out");
        until(|| get(&console, "/readyz").contains("line bench-1 is down for"));
        assert!(get(&console, "/readyz").starts_with("HTTP/1.1 503"));
        assert!(get(&console, "/healthz").starts_with("HTTP/1.1 200"), "it lives");

        daemon.kill();
        // A process that is gone has no line open, whatever it told last.
        let line = of(&config, "line", "bench-1");
        assert_eq!((&line["up"], &line["wrong"]), (&false.into(), &false.into()), "{line}");
        assert!(line["text"].as_str().is_some_and(|t| t.starts_with("closed: no daemon runs")));
        long_ago(&folder.0.join("ledger.db"), 60).await;
        let (code, said) = told(&config, &["status"]);
        assert!(code == 1 && said.contains("the daemon is not heard since"), "{said}");
        assert!(said.contains("closed: no daemon runs"), "{said}");
        let daemon = Daemon::start(&config);
        until(|| !told(&config, &["status"]).1.contains("not heard"));
        assert_eq!(daemon.stop(), 0);
        let (_, said) = told(&config, &["status"]);
        assert!(said.contains("the daemon was stopped at"), "{said}");
        let (_, said) = told(&config, &["held"]);
        assert!(said.contains("also wrong: daemon"), "{said}");
    });
}

/// A file that is wrong now hides nothing of a daemon that read it when it was right.
#[test]
fn a_configuration_that_became_wrong_hides_nothing() {
    let folder = Folder::new("status-wrong");
    std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
    let night = "[[alarm]]\nid = \"night\"\nto = \"http://127.0.0.1:9/\"\n";
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", night);
    let config = folder.write("wickline.toml", &text);
    assert_eq!(Daemon::start(&config).stop(), 0);
    runtime().block_on(read_long_ago(&folder.0.join("ledger.db")));
    let daemon = Daemon::start(&config);
    until(|| told(&config, &["status"]).0 == 0);
    let wrong = [
        text.replace("dialect = \"lis02\"", "dialect = \"nobodys\""),
        text.replace("[[receiver]]", "[[receiver]\nid = "),
    ];
    for wrong in &wrong {
        std::fs::write(&config, wrong).expect("written");
        let (code, said) = told(&config, &["status"]);
        assert_eq!(code, 1, "{said}");
        // A start reads it anew: an hour ago there was another process.
        let own = of(&config, "daemon", "configuration")["text"].clone();
        let row = said.lines().find(|line| line.contains("running since")).expect("a daemon");
        let since = row.rsplit_once("since ").map_or("", |(_, at)| at.trim());
        let read = format!("the daemon runs on what it read at {since}: ");
        assert!(own.as_str().is_some_and(|text| text.contains(&read)), "{read}: {own}");
        assert_eq!(of(&config, "alarm", "night")["wrong"], false, "{said}");
        let controls = of(&config, "controls", "-")["text"].clone();
        assert_eq!(controls, "not known: the file cannot be read");
        assert!(!said.contains("\\u{a}"), "lines are lines: {said}");
        assert!(said.contains("running since") && said.contains("bench-1"), "{said}");
        assert!(
            said.contains("the configuration is wrong:") && said.contains("`wickline check`"),
            "{said}"
        );
        assert!(of(&config, "daemon", "configuration")["faults"].is_string());
        let receiver = of(&config, "receiver", "lis");
        assert!(receiver["wrong"] == false && receiver["up"] == true, "{receiver}");
    }
    std::fs::write(&config, text.replace("[store]", "[stor]")).expect("written");
    let (code, said) = told(&config, &["status"]);
    assert!(code == 2 && said.contains("where the stores are cannot be read from it"), "{said}");
    std::fs::write(&config, &wrong[0]).expect("written");
    assert_eq!(daemon.stop(), 0);
    let (code, said) = told(&config, &["status"]);
    assert!(code == 1 && said.contains("no daemon starts with it"), "{said}");
    for about in ["controls", "receiver", "alarm"] {
        let text = of(&config, about, "-")["text"].clone();
        assert_eq!(text, "not known: the file cannot be read, and no daemon tells of it", "{said}");
    }
}

/// What nobody knows yet is not told as moving, and what waits for a receiver that was taken out waits for a person.
#[test]
fn a_receiver_of_which_nothing_is_known_is_told_as_that() {
    let folder = Folder::new("status-unknown");
    let text = |id: &str, address: &str| {
        let address = format!("mllp://{address}");
        let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", &address, "");
        text.replace("id = \"lis\"", &format!("id = \"{id}\""))
    };
    let config = folder.write("wickline.toml", &text("lis", "127.0.0.1:1"));
    let mut daemon = Daemon::start(&config);
    runtime().block_on(run_strips(&mut daemon, &strips(1, 3)));
    until(|| ask(&config, &["queue"])["totals"]["waiting"] == 3);
    assert_eq!(daemon.stop(), 0);
    // It takes the connection and says nothing.
    let mute = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = mute.local_addr().expect("its address").to_string();
    std::fs::write(&config, text("lis", &address)).expect("written");
    let daemon = Daemon::start(&config);
    let said = |which: &str| {
        of(&config, "receiver", which)["text"].as_str().unwrap_or_default().to_owned()
    };
    until(|| said("lis").starts_with("not known yet: no answer since the start at "));
    assert!(said("lis").contains("; 3 wait"), "{}", said("lis"));
    assert_eq!(daemon.stop(), 0);
    std::fs::write(&config, text("other", &address)).expect("written");
    let gone = of(&config, "receiver", "lis");
    let todo = gone["todo"].as_str().expect("what to do");
    assert!(
        todo.contains("put it back") && todo.contains("`wickline queue --receiver lis`"),
        "{gone}"
    );
    assert!(!todo.contains("have the receiver reached again"), "{gone}");
}

/// Nothing waits for it, and whether it is there nobody knows before it answered or took a connection.
#[test]
fn a_receiver_that_was_not_reached_yet_is_not_told_as_good() {
    let folder = Folder::new("status-slow");
    // Its backlog is full: whoever connects waits for an answer of the system.
    let full = runtime().block_on(async {
        let socket = tokio::net::TcpSocket::new_v4().expect("a socket");
        socket.bind("127.0.0.1:0".parse().expect("an address")).expect("bound");
        socket.listen(0).expect("it listens").into_std().expect("ours")
    });
    full.set_nonblocking(false).expect("set");
    let address = full.local_addr().expect("its address");
    let first = std::net::TcpStream::connect(address).expect("the one that it has room for");
    let lis = format!("mllp://{address}");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", &lis, "");
    let config = folder.write("wickline.toml", &text);
    let daemon = Daemon::start(&config);
    let said = || of(&config, "receiver", "lis")["text"].as_str().unwrap_or_default().to_owned();
    let text = said();
    assert!(text.starts_with("not known yet: no answer since the start at "), "{text}");
    // It has room again: a connection is made, and nothing waits.
    let (_accepted, _) = full.accept().expect("the first");
    drop(first);
    until(|| said().starts_with("nothing waits"));
    assert_eq!(daemon.stop(), 0);
}

/// A receiver that is gone is seen before there is a message for it, and one that is there again too.
#[test]
fn a_receiver_that_cannot_be_reached_is_seen_while_nothing_waits() {
    let folder = Folder::new("status-receiver");
    let place = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = place.local_addr().expect("bound");
    drop(place);
    let lis = format!("mllp://{address}");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", &lis, "");
    let config = folder.write("wickline.toml", &text);
    let mut daemon = Daemon::start(&config);
    daemon.wait_for(|e| e["event"] == "receiver-down");
    until(|| of(&config, "receiver", "lis")["wrong"] == true);
    let found = of(&config, "receiver", "lis");
    assert!(found["text"].as_str().is_some_and(|text| text.starts_with("away since")), "{found}");
    assert!(
        found["todo"].as_str().is_some_and(|todo| todo.contains("wickline queue --receiver lis"))
    );
    let place = std::net::TcpListener::bind(address).expect("the same port");
    let (first, _) = place.accept().expect("it connects");
    daemon.wait_for(|e| e["event"] == "receiver-up");
    until(|| of(&config, "receiver", "lis")["wrong"] == false);
    // Nothing is said on it. Lost, it is made again; one that keeps none is left alone then.
    first.set_nonblocking(true).expect("set");
    let silent = (&first).read(&mut [0]).expect_err("not a byte");
    assert_eq!(silent.kind(), std::io::ErrorKind::WouldBlock);
    drop(first);
    let (second, _) = place.accept().expect("it connects again");
    drop((second, place));
    let said = daemon.tells(std::time::Duration::from_secs(4), |e| e["event"] == "receiver-down");
    assert_eq!(said, None, "it hangs up on each connection: it is left alone");
    assert_eq!(daemon.stop(), 0);
}

/// Another tape in the place of the one that was read: that is what is said, before a daemon has met it and after.
#[test]
fn a_tape_that_was_exchanged_while_nothing_ran_is_told_as_one() {
    let (folder, other) = (Folder::new("status-tape"), Folder::new("status-tape-other"));
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
    let [config, elsewhere] = [&folder, &other].map(|at| at.write("wickline.toml", &text));
    for config in [&config, &elsewhere] {
        assert_eq!(Daemon::start(config).stop(), 0);
    }
    let (_, said) = told(&config, &["status"]);
    assert!(said.contains("the daemon was stopped at") && !said.contains("another tape"), "{said}");
    std::fs::copy(other.0.join("tape.db"), folder.0.join("tape.db")).expect("exchanged");
    let (_, said) = told(&config, &["status"]);
    let another = "it worked with another tape than the one that stands here";
    assert!(said.contains(another) && said.contains("no daemon runs"), "{said}");
    assert!(!said.contains("the daemon was stopped at"), "{said}");
    assert!(said.contains("put the tape back that stood here"), "{said}");
    let daemon = Daemon::start(&config);
    until(|| told(&config, &["status"]).1.contains("running since"));
    let (_, said) = told(&config, &["status"]);
    assert!(said.contains(another) && !said.contains("no daemon runs"), "{said}");
    assert!(!said.contains("the daemon was stopped at"), "{said}");
    assert_eq!(daemon.stop(), 0);
}

/// A tape that is not there is said to be so, before a start begins another; before the first start it is no fault.
#[test]
fn a_tape_that_is_gone_is_told_by_status_and_by_check() {
    let folder = Folder::new("status-gone");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &text);
    assert_eq!(told(&config, &["check"]).0, 0, "{}", told(&config, &["check"]).1);
    assert_eq!(Daemon::start(&config).stop(), 0);
    assert!(!told(&config, &["status"]).1.contains("tape.db is not there"));
    for tail in ["", "-wal", "-shm"] {
        let _ = std::fs::remove_file(folder.0.join(format!("tape.db{tail}")));
    }
    let tape = of(&config, "store", "tape");
    assert_eq!((&tape["wrong"], &tape["urgent"]), (&true.into(), &true.into()), "{tape}");
    let todo = tape["todo"].as_str().expect("what to do");
    assert!(tape["text"].as_str().is_some_and(|t| t.contains("tape.db is not there")), "{tape}");
    assert!(todo.starts_with("put it back") && todo.contains("begins a new tape"), "{tape}");
    let (code, said) = told(&config, &["check"]);
    let own = said.lines().find(|line| line.contains("tape.db is not there")).expect("a line");
    assert!(code == 3 && own.starts_with("bad   store.tape: ") && own.contains(todo), "{said}");
    assert!(!said.contains("note  store.tape"), "{said}");
}

/// What people and programs say may have several lines: in a table they are one, of plain text.
#[test]
fn what_has_several_lines_is_told_in_one() {
    let folder = Folder::new("status-lines");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &text);
    let daemon = Daemon::start(&config);
    let nowhere = folder.0.join("none\n and\r\nnone").join("backups").display().to_string();
    assert_ne!(run(&config, &["backup", &nowhere, "--as", "J.\nMast"]).status.code(), Some(0));
    let (_, said) = told(&config, &["status"]);
    let line = said.lines().find(|line| line.contains("by J.; Mast failed: ")).expect("one line");
    assert!(line.contains("none; and; none") && line.contains("make it first"), "{line}");
    assert!(!said.contains("\\u{"), "{said}");
    assert_eq!(of(&config, "store", "backup")["text"].as_str().map(|t| t.lines().count()), Some(1));
    assert_eq!(daemon.stop(), 0);
}

/// Who starts a service and looks must not read that it is stopped.
#[test]
fn what_is_ready_is_known_to_be_there() {
    let folder = Folder::new("status-ready");
    runtime().block_on(async {
        let (_port, wire) = pty();
        let text = configuration(&wire, "lis02", "ten-pad", "dir:out", "");
        let config = folder.write("wickline.toml", &text);
        std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
        for _ in 0..4 {
            let (daemon, _) = Daemon::start_ready(&config);
            let looked = run(&config, &["status"]);
            let said = String::from_utf8_lossy(&looked.stdout).into_owned();
            for wrong in ["was stopped", "no daemon tells", "does not run", "closed"] {
                assert!(!said.contains(wrong), "{wrong}: {said}");
            }
            assert_eq!(daemon.stop(), 0);
        }
    });
}
