//! Reading again: held reports after a dialect was mended, and a whole tape with another dialect.

use std::io::Write;
use std::net::TcpStream;

use crate::kit::{Daemon, Folder, ask, configuration, run, until};

const PRINT: &str = include_str!("../../fixtures/listen/two-column/complete.cap");
const DIALECT: &str = include_str!("../../config/dialects/two-column.toml");
/// The line of the dialect that the first version of the file forgot.
const FORGOTTEN: &str = "    \"Operator {operator?}\",\n";

/// The analyst's first file does not know the operator's line: the report is held with that line. The
/// file is mended: it is read again from the tape, what differs is shown, and it goes out.
#[test]
fn a_mended_dialect_lets_go_what_it_held() {
    let folder = Folder::new("mended");
    assert!(DIALECT.contains(FORGOTTEN), "the dialect has that line");
    folder.write("bench.toml", &DIALECT.replace(FORGOTTEN, ""));
    let text = configuration("listen:127.0.0.1:0", "bench.toml", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &text);
    let mut daemon = Daemon::start(&config);
    let mut stream = TcpStream::connect(&daemon.lines[0]).expect("the line");
    let clock = wickline::clock::SiteClock::new("Europe/Lisbon").expect("a zone");
    let today = clock.rfc3339(wickline::clock::now_us())[..19].replace('T', " ");
    let print = PRINT.replace("2026-03-14 09:14:55", &today);
    stream.write_all(print.as_bytes()).expect("written");
    let read = daemon.wait_for(|e| e["event"] == "report");
    assert_eq!((&read["state"], &read["reason"]), (&"held".into(), &"unknown-analyte".into()));
    let code = |words: &[&str]| run(&config, words).status.code();
    assert_eq!(
        code(&["held", "reread", "--reason", "unknown-analyte"]),
        Some(1),
        "nothing was mended"
    );
    folder.write("bench.toml", DIALECT);
    let replayed =
        ask(&config, &["replay", "--into", &folder.0.join("scratch.db").to_string_lossy()]);
    assert_eq!(replayed["totals"], serde_json::json!({"same": 0, "different": 1}));
    let changed = &replayed["items"][0]["differences"];
    let state = |of: &serde_json::Value| {
        let found = of.as_array().expect("differences").iter().find(|d| d["what"] == "state");
        found.map(|d| (d["before"].clone(), d["after"].clone()))
    };
    assert_eq!(state(changed), Some(("held".into(), "waiting".into())));
    let held = ask(&config, &["held"])["totals"]["held"].clone();
    assert_eq!(held, 1, "a replay changes nothing");
    let reread = ask(&config, &["held", "reread", "--reason", "unknown-analyte"]);
    assert_eq!(reread["items"][0]["state"], "waiting", "{reread}");
    assert_eq!(state(&reread["items"][0]["differences"]), Some(("held".into(), "waiting".into())));
    until(|| ask(&config, &["queue"])["totals"]["accepted"] == 1);
    let again = folder.0.join("again.db");
    let same = ask(&config, &["replay", "--into", &again.to_string_lossy()]);
    assert_eq!(same["totals"], serde_json::json!({"same": 1, "different": 0}));
    assert_eq!(
        code(&["replay", "--into", &again.to_string_lossy()]),
        Some(2),
        "never into an old file"
    );
    assert_eq!(daemon.stop(), 0);
}
