//! Who is told of a line to which an analyzer connects: that nobody is there, once, and that somebody is again.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::mpsc::{Receiver, channel};

use serde_json::Value;

use crate::faults::preload;
use crate::kit::{Daemon, Folder, PATIENCE, ask, configuration, run};

/// A place of the web that takes each message (RFC 9110, 204): what was posted, in order.
fn place() -> (u16, Receiver<Value>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("its address").port();
    let (send, posts) = channel();
    std::thread::spawn(move || {
        while let Ok((stream, _)) = listener.accept() {
            let Some(post) = taken(stream) else { continue };
            if send.send(post).is_err() {
                return;
            }
        }
    });
    (port, posts)
}

fn taken(mut stream: TcpStream) -> Option<Value> {
    let mut reader = BufReader::new(stream.try_clone().ok()?);
    let (mut line, mut length) = (String::new(), 0);
    while reader.read_line(&mut line).ok()? > 2 {
        if let Some((name, value)) = line.split_once(':')
            && name.eq_ignore_ascii_case("content-length")
        {
            length = value.trim().parse().ok()?;
        }
        line.clear();
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body).ok()?;
    stream.write_all(b"HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n").ok()?;
    serde_json::from_slice(&body).ok()
}

/// Whether a message has a thing in one of its lists.
fn has(post: &Value, list: &str, about: &str, which: &str) -> bool {
    let items = post[list].as_array().expect("a list");
    items.iter().any(|item| item["about"] == about && item["which"] == which)
}

/// Messages up to the one that says this.
fn until_told(posts: &Receiver<Value>, list: &str, about: &str, which: &str) -> Vec<Value> {
    let mut all = Vec::new();
    while !all.last().is_some_and(|post| has(post, list, about, which)) {
        all.push(posts.recv_timeout(PATIENCE).unwrap_or_else(|why| panic!("{why}: {all:?}")));
    }
    all
}

#[test]
fn a_line_to_which_nobody_connects_is_told_once_and_that_it_is_over() {
    let (port, posts) = place();
    let folder = Folder::new("alarm-listen");
    let to = format!("http://127.0.0.1:{port}/");
    let more = format!(
        "[[alarm]]\nid = \"ops\"\nto = \"{to}\"\nafter_minutes = 0\nabout = [\"line\", \"receiver\"]\n"
    );
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", &more);
    let config = folder.write("wickline.toml", &text);
    let daemon = Daemon::start(&config);
    let told = until_told(&posts, "begun", "line", "bench-1");
    let down = told.last().expect("one");
    let item = down["begun"].as_array().expect("a list").iter().find(|i| i["about"] == "line");
    let text = item.and_then(|item| item["text"].as_str()).expect("words");
    assert!(text.starts_with("down since"), "{text}");
    let status = ask(&config, &["status"]);
    let line = status["items"].as_array().expect("items").iter().find(|i| i["about"] == "line");
    let line = line.expect("the line");
    assert_eq!((&line["wrong"], &line["up"]), (&true.into(), &false.into()), "{line}");
    // What happens meanwhile is told, and the line no second time.
    assert_eq!(run(&config, &["queue", "pause", "lis"]).status.code(), Some(0));
    for post in until_told(&posts, "begun", "receiver", "lis") {
        for list in ["begun", "still", "over"] {
            assert!(!has(&post, list, "line", "bench-1"), "{list}: {post}");
        }
    }
    let device = TcpStream::connect(&daemon.lines[0]).expect("it listens");
    let over = until_told(&posts, "over", "line", "bench-1");
    assert_eq!(over.len(), 1, "at once, and by itself: {over:?}");
    // Unplugged, it is told anew.
    drop(device);
    until_told(&posts, "begun", "line", "bench-1");
    assert_eq!(daemon.stop(), 0);
}

/// A new tape begins, and the old one comes back: the service runs, and nobody is woken by the daemon of the tape that
/// is away. It looks as under its unit, which hides the kernel's list of locks (ProcSubset=pid).
#[test]
fn who_changes_the_tape_is_not_told_that_a_daemon_that_runs_was_stopped() {
    let (port, posts) = place();
    let folder = Folder::new("alarm-tape");
    let library = preload(&folder);
    folder.write("hidden", "");
    let alarm =
        format!("[[alarm]]\nid = \"ops\"\nto = \"http://127.0.0.1:{port}/\"\nafter_minutes = 0\n");
    let more = format!("{alarm}about = [\"line\", \"daemon\"]\n");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", &more);
    let config = folder.write("wickline.toml", &text);
    let aside = |from: &str, to: &str| {
        for tail in ["", "-wal", "-shm"] {
            let (from, to) = (format!("{from}{tail}"), format!("{to}{tail}"));
            let _ = std::fs::rename(folder.0.join(from), folder.0.join(to));
        }
    };
    for (from, to) in [("", ""), ("tape.db", "old.db"), ("tape.db", "new.db")] {
        if !from.is_empty() {
            aside(from, to);
        }
        if to == "new.db" {
            aside("old.db", "tape.db");
        }
        let daemon = Daemon::start_with(&config, &library, &folder.0);
        let mut told = until_told(&posts, "begun", "line", "bench-1");
        let device = TcpStream::connect(&daemon.lines[0]).expect("it listens");
        told.extend(until_told(&posts, "over", "line", "bench-1"));
        for post in &told {
            let begun = post["begun"].as_array().expect("a list");
            assert!(begun.iter().all(|item| item["about"] != "daemon"), "{to}: {post}");
        }
        drop(device);
        until_told(&posts, "begun", "line", "bench-1");
        assert_eq!(daemon.stop(), 0);
        std::fs::remove_file(folder.0.join("tape.alarm-ops")).expect("what was told");
    }
}
