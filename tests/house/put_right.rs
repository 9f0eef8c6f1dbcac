//! What went out is put right: a number used twice is a correction, a wrong specimen is withdrawn.

use std::path::Path;
use std::process::Command;

use wickline_forward::hl7::Message;

use crate::kit::{Daemon, Folder, ask, binary, configuration, run, until};
use crate::peer::{Peer, agree};

/// One strip on the analyzer's line.
fn strip(folder: &Folder, address: &str, number: &str, specimen: &str, glucose: usize) {
    let script = format!(
        "[[run]]\nnumber = \"{number}\"\nspecimen = \"{specimen}\"\nrungs = {{ GLU = {glucose} }}\n"
    );
    let script = folder.write("script.toml", &script);
    let words = ["simulate", "--connect", address, "--speed-up", "0", "--settle", "0", "--script"];
    let done = Command::new(binary()).args(words).arg(script).output().expect("an analyzer");
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
}

/// The next message that comes, waited for.
fn next(peer: &Peer, seen: &mut usize) -> Message {
    *seen += 1;
    until(|| peer.arrivals().len() >= *seen);
    Message::read(&peer.arrivals()[*seen - 1].body).expect("a message")
}

/// OBR-3, OBR-25, SPM-2, and OBX-11 of each result.
fn gist(message: &Message) -> [String; 4] {
    let of = |segment, field| message.component(segment, 1, field, 1);
    let statuses = (1..=message.count("OBX")).map(|n| message.component("OBX", n, 11, 1));
    [of("OBR", 3), of("OBR", 25), of("SPM", 2), statuses.collect()]
}

fn words(config: &Path, words: &[&str]) -> String {
    let done = run(config, words);
    let both = [done.stdout, done.stderr].concat();
    String::from_utf8(both).expect("text")
}

#[test]
fn a_number_used_twice_is_a_correction_and_a_wrong_specimen_is_withdrawn() {
    let folder = Folder::new("put-right");
    let peer = Peer::new(agree);
    let address = format!("mllp://{}", peer.address);
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", &address, "");
    let config = folder.write("wickline.toml", &text);
    let mut daemon = Daemon::start(&config);
    let line = daemon.lines[0].clone();
    let mut seen = 0;

    strip(&folder, &line, "7", "KP-20417", 0);
    let first = gist(&next(&peer, &mut seen));
    assert_eq!([&first[1], &first[2]], ["F", "KP-20417"]);
    strip(&folder, &line, "7", "KP-20417", 3);
    let held = daemon.wait_for(|e| e["event"] == "report" && e["state"] == "held");
    assert_eq!(held["reason"], "number-reused");
    let id = held["id"].as_str().expect("an id").to_owned();
    let shown = ask(&config, &["held", "show", &id]);
    assert_eq!(shown["beside"]["id"], "1");
    let glucose = shown["beside"]["readings"].as_array().expect("both versions");
    let glucose = glucose.iter().find(|r| r["what"] == "GLU").expect("a pad");
    assert_ne!(glucose["before"], glucose["after"]);
    let paper = words(&config, &["held", "show", &id]);
    assert!(
        paper.contains("report 1, sent") && paper.contains(&format!("held decide {id} ")),
        "{paper}"
    );

    let why = ["--reason", "strip was misplaced", "--as", "J. Mast"];
    let range = format!("{id}-{id}");
    let decide = [&["held", "decide", &range, "correction"], &why[..]].concat();
    assert_eq!(ask(&config, &decide)["items"][0]["state"], "waiting");
    let message = next(&peer, &mut seen);
    let second = gist(&message);
    assert_eq!([&second[0], &second[1]], [&first[0], "C"]);
    let corrected = second[3].matches('C').count();
    assert!(corrected >= 1 && second[3].matches('F').count() >= 9, "{second:?}");
    assert_eq!(message.component("NTE", 1, 3, 1), "Corrected: strip was misplaced");
    until(|| ask(&config, &["held", "show", &id])["state"] == "accepted");

    let same = words(&config, &[&["report", "correct", &id], &why[..]].concat());
    assert!(same.contains("nothing that was read differs"), "{same}");
    let old = run(&config, &[&["report", "withdraw", "1"], &why[..]].concat());
    assert_eq!(old.status.code(), Some(2), "the correction speaks for both");

    let to = ["--specimen", "KP-20418", "--again", "KP-20418"];
    let done = ask(&config, &[&["report", "withdraw", &id], &why[..], &to[..]].concat());
    assert_eq!(done["withdrawn"][0]["said"], "withdrawn", "{done}");
    assert_eq!(done["anew"][0]["said"], "sent");
    let gone = gist(&next(&peer, &mut seen));
    assert_eq!([&gone[0], &gone[1], &gone[2]], [&first[0], "C", "KP-20417"]);
    assert!(gone[3].chars().all(|status| status == 'W'), "{gone:?}");
    let anew = gist(&next(&peer, &mut seen));
    assert_eq!([&anew[1], &anew[2]], ["F", "KP-20418"]);
    assert!(anew[0] != first[0] && anew[3].chars().all(|status| status == 'F'), "{anew:?}");
    until(|| ask(&config, &["queue"])["items"] == serde_json::json!([]));
    let item = ask(&config, &["held", "show", &id]);
    assert_eq!((&item["state"], &item["specimen"]), (&"accepted".into(), &"KP-20418".into()));
    let day = ask(&config, &["day"]);
    assert_eq!(day["totals"]["set-aside"], 1, "what was corrected and then withdrawn: {day}");
    assert_eq!(daemon.stop(), 0);
}
