//! Lines in real life: a port that somebody else has, settings that a port does not take, hours without a word, a
//! second program that listens as well.

use std::fs::File;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::time::Duration;

use rustix::fs::{FlockOperation, flock};
use wickline::simulate::port::SimPort;
use wickline::store::tape::Tape;

use crate::faults::preload;
use crate::kit::{Daemon, Folder, ask, configuration, run, until};
use crate::outage::printed;
use crate::way::{pty, runtime};

const PRINT: &[u8] = include_bytes!("../../fixtures/listen/two-column/complete.cap");

/// A configuration whose receiver is a folder, with further keys of the analyzer.
fn with(line: &str, keys: &str) -> String {
    let text = configuration(line, "two-column", "ten-pad", "dir:out", "");
    text.replace("strip = \"ten-pad\"\n", &format!("strip = \"ten-pad\"\n{keys}\n"))
}

/// The first event of this kind, which may have come before the daemon was ready.
fn first(daemon: &mut Daemon, kind: &str) -> serde_json::Value {
    let early = daemon.seen.iter().find(|e| e["event"] == kind).cloned();
    early.unwrap_or_else(|| daemon.wait_for(|e| e["event"] == kind))
}

fn the_line(config: &Path) -> serde_json::Value {
    beside(config, "bench-1").expect("the line")
}

/// What is told of a line, or beside it.
fn beside(config: &Path, which: &str) -> Option<serde_json::Value> {
    let status = ask(config, &["status"]);
    let items = status["items"].as_array().expect("findings").clone();
    items.into_iter().find(|item| item["about"] == "line" && item["which"] == which)
}

/// What holds a line up is told anew when it changes: first nothing is plugged in, then another program has the port.
#[test]
fn a_port_that_appears_later_and_is_held_by_another_program() {
    let folder = Folder::new("held-port");
    runtime().block_on(async {
        let (port, path) = pty();
        let path = path.strip_prefix("serial:").expect("a path").to_owned();
        let name = folder.0.join("by-path");
        let config =
            folder.write("wickline.toml", &with(&format!("serial:{}", name.display()), ""));
        let mut daemon = Daemon::start(&config);
        let down = first(&mut daemon, "line-down");
        let why = down["why"].as_str().expect("words");
        assert!(why.contains("is the adapter plugged in?"), "{why}");
        let holder = File::open(&path).expect("the port");
        flock(&holder, FlockOperation::NonBlockingLockExclusive).expect("it is free");
        std::os::unix::fs::symlink(&path, &name).expect("a link");
        let down = daemon.wait_for(|e| e["event"] == "line-down");
        let comm = std::fs::read_to_string("/proc/self/comm").expect("a name");
        let held = format!("it is held by {} {}", std::process::id(), comm.trim());
        let why = down["why"].as_str().expect("words").to_owned();
        assert!(why.contains(&held), "{why}");
        until(|| the_line(&config)["text"].as_str().is_some_and(|text| text.contains(&held)));
        let again = daemon.tells(Duration::from_secs(3), |e| e["event"] == "line-down");
        assert!(again.is_none(), "told once, however often it is tried: {again:?}");
        // A person who listens by hand is told the same.
        let listens = run(&config, &["listen", &path, "--seconds", "5"]);
        assert_eq!(listens.status.code(), Some(3));
        let said = String::from_utf8_lossy(&listens.stderr).into_owned();
        assert!(said.contains(&held), "{said}");
        let checked = run(&config, &["check"]);
        let checked = String::from_utf8_lossy(&checked.stdout).into_owned();
        let has = format!("at present {} {} has it", std::process::id(), comm.trim());
        assert!(checked.contains(&has), "{checked}");
        drop(holder);
        daemon.wait_for(|e| e["event"] == "line-up");
        let second = File::open(&path)
            .and_then(|file| Ok(flock(&file, FlockOperation::NonBlockingLockExclusive)?));
        assert!(second.is_err(), "now it is ours alone");
        assert_eq!(daemon.stop(), 0);
        drop(port);
    });
}

/// A byte that a plug made, and then a strip: the byte is over long before a silence, the strip is read by itself, and
/// the tape read once more says the same.
#[test]
fn a_byte_of_noise_is_over_before_the_strip_and_the_tape_says_the_same() {
    let folder = Folder::new("noise-byte");
    let dialect =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/dialects/two-column.toml");
    let shipped = std::fs::read_to_string(dialect).expect("it is shipped");
    // Longer than anybody here waits: the silence ends nothing.
    let slow = shipped.replace("silence_ms = 3000", "silence_ms = 60000");
    assert_ne!(slow, shipped);
    folder.write("slow.toml", &slow);
    let text = with("listen:127.0.0.1:0", "").replace("\"two-column\"", "\"slow.toml\"");
    let config = folder.write("wickline.toml", &text);
    let mut daemon = Daemon::start(&config);
    let mut line = TcpStream::connect(&daemon.lines[0]).expect("a line");
    line.write_all(b"\xFE").expect("heard");
    until(|| the_line(&config)["noise"] == "1 byte in 1 burst");
    // Of today: else the analyzer's clock is what holds it.
    let clock = wickline::clock::SiteClock::new("Europe/Lisbon").expect("a zone");
    let today = clock.rfc3339(wickline::clock::now_us())[..10].to_owned();
    let (mut print, date) = (PRINT.to_vec(), b"2026-03-14");
    let at = memchr::memmem::find(&print, date).expect("its date");
    print[at..at + date.len()].copy_from_slice(today.as_bytes());
    line.write_all(&print).expect("heard");
    let report = daemon.wait_for(|e| e["event"] == "report");
    let reason = report["reason"].as_str().unwrap_or_default().to_owned();
    assert!(!["incomplete", "unreadable"].contains(&reason.as_str()), "{report}");
    drop(line);
    assert_eq!(daemon.stop(), 0);
    let scratch = folder.0.join("scratch.db").display().to_string();
    let again = ask(&config, &["replay", "--into", &scratch]);
    assert_eq!(again["totals"], serde_json::json!({"same": 1, "different": 0}), "{again}");
}

/// What a refused peer sends is not read: that it was there stands on the sheet of the day and in `status`, also when
/// it is long over, and after a start.
#[test]
fn who_was_turned_away_from_a_line_stands_on_the_sheet_of_the_day() {
    let folder = Folder::new("turned-away");
    let config = folder.write("wickline.toml", &with("listen:127.0.0.1:0", ""));
    let daemon = Daemon::start(&config);
    let address = daemon.lines[0].clone();
    let mut first = TcpStream::connect(&address).expect("a line");
    first.write_all(&PRINT[..40]).expect("heard");
    until(|| the_line(&config)["up"] == true);
    assert_eq!(ask(&config, &["day"]).get("turned_away"), None);
    for _ in 0..3 {
        let mut second = TcpStream::connect(&address).expect("it knocks");
        // A strip that nobody hears.
        let _ = second.write_all(PRINT);
        while second.read(&mut [0; 64]).is_ok_and(|count| count > 0) {}
    }
    until(|| the_line(&config)["turned_away"] == 3);
    assert_eq!(daemon.stop(), 0);
    let daemon = Daemon::start(&config);
    let text = the_line(&config)["text"].as_str().expect("words").to_owned();
    assert!(
        text.contains("; 3 connection(s) turned away today and not read, the last at "),
        "{text}"
    );
    let day = ask(&config, &["day"]);
    let told = day["turned_away"][0].as_str().expect("a sentence").to_owned();
    assert!(told.starts_with("bench-1 turned 3 connections away from "), "{told}");
    assert!(told.contains("of 127.0.0.1 (") && told.contains("are to be sent again"), "{told}");
    assert_eq!(day["turned_away"].as_array().map(Vec::len), Some(1), "{day}");
    let shown = run(&config, &["day"]);
    assert!(String::from_utf8_lossy(&shown.stdout).contains(&told), "on the screen");
    let page = folder.0.join("day.html").display().to_string();
    // One report of the first was cut.
    assert_eq!(run(&config, &["day", "--html", &page]).status.code(), Some(1));
    let paper = std::fs::read_to_string(&page).expect("a page");
    assert!(paper.contains("bench-1 turned 3 connections away from "), "on paper");
    assert_eq!(daemon.stop(), 0);
}

/// A line is not heard in other settings than it was given; what can be known beforehand is refused when it is read.
#[test]
fn modem_lines_that_are_not_there_or_are_not_ours_to_move() {
    let folder = Folder::new("modem");
    runtime().block_on(async {
        let (_port, line) = pty();
        let config = folder.write("wickline.toml", &with(&line, "dtr = \"on\""));
        let mut daemon = Daemon::start(&config);
        let down = first(&mut daemon, "line-down");
        let why = down["why"].as_str().expect("words");
        assert!(why.contains("a port without it has dtr = \"leave\""), "{why}");
        std::fs::write(&config, with(&line, "dtr = \"leave\"")).expect("written");
        daemon.hang_up();
        daemon.wait_for(|e| e["event"] == "line-up");
        assert_eq!(daemon.stop(), 0);
        for (line, keys, words) in [
            (line.as_str(), "flow = \"rts-cts\"\nrts = \"on\"", "the port itself moves it"),
            ("tcp:192.0.2.1:4001", "dtr = \"off\"", "only serial: and rfc2217: lines"),
            (line.as_str(), "rts = \"up\"", "\"leave\", \"on\", \"off\""),
            (line.as_str(), "hours = [\"Mon 07:00-19:00\"]", "Mo-Fr 07:00-19:00"),
            (line.as_str(), "tee = \"listen:0.0.0.0:4010\"", "an address of this machine alone"),
            (line.as_str(), "tee = \"out.txt\"", "file:PATH"),
            (line.as_str(), "tee = \"file:tape.db-wal\"", "this one is a store's"),
            (
                "listen:127.0.0.1:4017",
                "tee = \"listen:127.0.0.1:4017\"",
                "nothing else here listens on",
            ),
        ] {
            std::fs::write(&config, with(line, keys)).expect("written");
            let checked = run(&config, &["check", "--offline"]);
            let said = String::from_utf8_lossy(&checked.stderr).into_owned()
                + &String::from_utf8_lossy(&checked.stdout);
            assert_eq!(checked.status.code(), Some(2), "{keys}: {said}");
            assert!(said.contains(words), "{keys}: {said}");
        }
    });
}

#[test]
fn nothing_in_working_hours_is_told_until_something_comes() {
    let folder = Folder::new("working-hours");
    let keys = "hours = [\"Mo-Su 00:00-24:00\"]\nsilent_minutes = 1";
    let config = folder.write("wickline.toml", &with("listen:127.0.0.1:0", keys));
    // The line is new for an hour: nobody listened before, so nothing was silent.
    let library = preload(&folder);
    let clock = folder.write("clock", "-3600");
    let mut daemon = Daemon::start_with(&config, &library, &folder.0);
    until(|| ask(&config, &["trail", "configuration"])["totals"]["configurations"] == 1);
    std::fs::write(&clock, "0").expect("the clock can be set");
    let silent = first(&mut daemon, "line-silent");
    assert!(silent["minutes"].as_i64().is_some_and(|n| (59..=65).contains(&n)), "{silent}");
    let line = the_line(&config);
    assert_eq!(line["silent"], true, "{line}");
    let told = beside(&config, "bench-1, silent").expect("told by itself");
    let text = told["text"].as_str().expect("words");
    assert!(told["wrong"] == true && text.contains("silent in its working hours since"), "{text}");
    let mut port = TcpStream::connect(&daemon.lines[0]).expect("it listens");
    // A plug that is drawn: a byte that is no word of the analyzer, and nothing that a person could settle.
    port.write_all(b"\xff").expect("it takes it");
    let noise = daemon.wait_for(|e| e["event"] == "line-noise");
    assert_eq!(noise["all"]["bytes"], 1, "{noise}");
    until(|| the_line(&config)["noise"] == "1 byte in 1 burst");
    let line = the_line(&config);
    assert!(line["silent"] == true && line["wrong"] == false, "{line}");
    assert_eq!(ask(&config, &["held"])["items"].as_array().map(Vec::len), Some(0));
    assert!(!daemon.seen.iter().any(|e| e["event"] == "line-speaks"));
    port.write_all(PRINT).expect("it takes it");
    daemon.wait_for(|e| e["event"] == "line-speaks");
    assert_eq!(the_line(&config)["silent"], false);
    assert_eq!(beside(&config, "bench-1, silent"), None);
    assert_eq!(daemon.stop(), 0);
}

/// A copy comes, goes elsewhere and ends by reloads, of which the line itself notices nothing.
#[test]
fn a_second_program_gets_what_the_analyzer_says() {
    let folder = Folder::new("tee");
    runtime().block_on(async {
        let (mut port, line) = pty();
        let config = folder.write("wickline.toml", &with(&line, "tee = \"file:copy\""));
        let mut daemon = Daemon::start(&config);
        port.write_all(PRINT).await.expect("it takes it");
        let copy = folder.0.join("copy");
        until(|| std::fs::read(&copy).is_ok_and(|there| there == PRINT));
        let all: Vec<u8> = (0..=255).collect();
        std::fs::write(&config, with(&line, "tee = \"listen:127.0.0.1:0\"")).expect("written");
        daemon.hang_up();
        let told =
            daemon.wait_for(|e| e["event"] == "tee" && e["why"] == "nobody is connected to it");
        let address =
            told["to"].as_str().and_then(|to| to.strip_prefix("listen:")).expect("an address");
        until(|| the_line(&config)["tee"] == false);
        let mut program = TcpStream::connect(address).expect("it listens");
        daemon.wait_for(|e| e["event"] == "tee" && e["up"] == true);
        port.write_all(&all).await.expect("it takes it");
        let mut got = vec![0; all.len()];
        program.read_exact(&mut got).expect("copied");
        assert_eq!(got, all, "every byte as it was said");
        assert_eq!(std::fs::read(&copy).expect("there"), PRINT, "and nowhere else");
        std::fs::write(&config, with(&line, "")).expect("written");
        daemon.hang_up();
        daemon.wait_for(|e| e["event"] == "ready");
        assert_eq!(program.read(&mut [0]).expect("it ends"), 0);
        until(|| the_line(&config)["tee"].is_null());
        port.write_all(b"\r\n\r\n").await.expect("it takes it");
        let opened = daemon.seen.iter().filter(|e| e["event"] == "line-up").count();
        assert_eq!(opened, 1, "the line stayed open");
        assert_eq!(daemon.stop(), 0);
        drop::<SimPort>(port);
    });
}

/// While another line fills the tape, what comes of this one without a report is read on, and is no set back.
#[test]
fn a_line_that_says_little_beside_one_that_says_much_is_read_on() {
    let folder = Folder::new("little");
    let loud = "[[analyzer]]\nid = \"loud\"\nline = \"listen:127.0.0.2:0\"\ndialect = \"two-column\"\n\
                strip = \"ten-pad\"\ncontrols = \"none\"\n";
    let text = configuration("listen:127.0.0.1:0", "two-column", "ten-pad", "dir:out", loud);
    let config = folder.write("wickline.toml", &text);
    let mut daemon = Daemon::start(&config);
    let accepted = |daemon: &mut Daemon| {
        daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
    };
    printed(&daemon.lines[0], 0, 1);
    accepted(&mut daemon);
    runtime().block_on(async {
        let tape = Tape::look(&folder.0.join("tape.db")).await.expect("a tape");
        // Far more than what is read without noting how far.
        while tape.end("loud").await.expect("its end").0 < 1200 {
            drop(TcpStream::connect(&daemon.lines[1]).expect("it listens"));
        }
    });
    // It is connected anew, which is no report.
    drop(TcpStream::connect(&daemon.lines[0]).expect("it listens"));
    daemon.wait_for(|e| e["event"] == "line-down" && e["analyzer"] == "bench-1");
    printed(&daemon.lines[0], 1, 1);
    accepted(&mut daemon);
    assert_eq!(daemon.stop(), 0);
}
