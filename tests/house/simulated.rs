//! The analyzer to practise with waits for its line, as one does that was switched on first; and not for ever.

use std::io::{BufRead, BufReader, Read};
use std::net::TcpListener;
use std::process::Stdio;
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::kit::program;

const PRINTS: [&str; 8] =
    ["--dialect", "two-column", "--reports", "2", "--speed-up", "0", "--settle", "0"];

/// An address at which nobody listens.
fn free() -> String {
    let held = TcpListener::bind("127.0.0.1:0").expect("a port");
    held.local_addr().expect("its address").to_string()
}

#[test]
fn it_waits_for_a_line_that_does_not_listen_yet() {
    let address = free();
    let mut child = program()
        .args(["--json", "simulate", "--connect", &address, "--wait", "90"])
        .args(PRINTS)
        .stdout(Stdio::piped())
        .spawn()
        .expect("it can be started");
    let mut told = BufReader::new(child.stdout.take().expect("its output")).lines();
    let first = told.next().expect("a line").expect("text");
    let first: Value = serde_json::from_str(&first).expect("JSON");
    assert_eq!((&first["event"], &first["address"]), (&"waiting".into(), &address.clone().into()));
    let line = TcpListener::bind(&address).expect("it is still free");
    let (mut stream, _) = line.accept().expect("it comes");
    let mut heard = Vec::new();
    stream.read_to_end(&mut heard).expect("it prints");
    assert!(memchr::memmem::find(&heard, b"GLU").is_some(), "{}", heard.len());
    let rest: Vec<String> = told.map_while(Result::ok).collect();
    assert!(!rest.iter().any(|line| line.contains("waiting")), "told once: {rest:?}");
    assert_eq!(child.wait().expect("it ends").code(), Some(0));
}

#[test]
fn it_does_not_wait_for_ever_nor_for_an_address_that_is_none() {
    let address = free();
    for (connect, wait, least) in
        [(address.as_str(), "0", 0), (&address, "1", 1), ("nowhere", "3600", 0)]
    {
        let begun = Instant::now();
        let done = program()
            .args(["simulate", "--connect", connect, "--wait", wait])
            .args(PRINTS)
            .output()
            .expect("it can be run");
        let said = String::from_utf8_lossy(&done.stderr).into_owned();
        assert_eq!(done.status.code(), Some(3), "{connect}: {said}");
        assert!(said.contains(connect), "{connect}: {said}");
        assert_eq!(said.contains("trying again for up to"), least > 0, "{connect}: {said}");
        assert!(begun.elapsed() >= Duration::from_secs(least), "{connect} was given up early");
    }
}

/// A second go on the same day goes on behind the first.
#[test]
fn its_strips_begin_with_the_number_that_is_wanted() {
    let folder = crate::kit::Folder::new("simulated-first");
    let orders = folder.0.join("orders.toml");
    let text = "[[order]]\nnumber = \"K3\"\nspecimen = \"KP-30003\"\n\
                [[order]]\nnumber = \"K4\"\nspecimen = \"KP-30004\"\n";
    std::fs::write(&orders, text).expect("written");
    let orders = orders.display().to_string();
    for from in [&["--reports", "2"][..], &["--orders", &orders]] {
        let line = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = line.local_addr().expect("its address").to_string();
        let child = program()
            .args(["--json", "simulate", "--connect", &address, "--first", "41"])
            .args(["--dialect", "two-column", "--speed-up", "0", "--settle", "0"])
            .args(from)
            .stdout(Stdio::piped())
            .spawn()
            .expect("it can be started");
        let (mut stream, _) = line.accept().expect("it comes");
        let mut heard = Vec::new();
        stream.read_to_end(&mut heard).expect("it prints");
        let done = child.wait_with_output().expect("it ends");
        assert_eq!(done.status.code(), Some(0));
        let told: Vec<Value> = String::from_utf8_lossy(&done.stdout)
            .lines()
            .map(|line| serde_json::from_str(line).expect("JSON"))
            .collect();
        let numbers: Vec<&str> = told.iter().filter_map(|one| one["number"].as_str()).collect();
        assert_eq!(numbers, ["41", "42"], "{from:?}");
    }
}

/// Who ended the connection is named, and how far it came.
#[test]
fn a_line_that_hangs_up_is_told_by_its_address() {
    let line = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = line.local_addr().expect("its address").to_string();
    let child = program()
        .args(["simulate", "--connect", &address, "--reports", "500"])
        .args(["--dialect", "two-column", "--speed-up", "0", "--settle", "0"])
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .expect("it can be started");
    drop(line.accept().expect("it comes"));
    drop(line);
    let done = child.wait_with_output().expect("it ends");
    let said = String::from_utf8_lossy(&done.stderr).into_owned();
    assert_eq!(done.status.code(), Some(3), "{said}");
    assert!(said.contains(&format!("what listens at {address} ended the connection")), "{said}");
    assert!(said.contains("of 500 strips were run before"), "{said}");
}
