//! The rarer notations of a dialect, by the program itself: what they hold is never read as right.

use std::collections::BTreeSet;
use std::io::Write;
use std::net::TcpStream;
use std::path::PathBuf;

use serde_json::Value;

use crate::kit::{Daemon, Folder, ask, configuration, until};

/// The shipped dialect of two columns with these pieces of its text in place of others.
fn dialect(changes: &[(&str, &str)]) -> String {
    let mut text = include_str!("../../config/dialects/two-column.toml").to_owned();
    for (from, to) in changes {
        assert!(text.contains(from), "{from}");
        text = text.replacen(from, to, 1);
    }
    text
}

/// A configuration by which an analyzer of this dialect is read, and a capture of these bytes.
fn laboratory(dialect: &str, capture: &[u8]) -> (Folder, PathBuf, String) {
    let folder = Folder::new("notation");
    folder.write("own.toml", dialect);
    let path = folder.0.join("bench.cap");
    std::fs::write(&path, capture).expect("a folder of our own");
    let text = configuration("listen:127.0.0.1:0", "own.toml", "ten-pad", "dir:out", "");
    let config = folder.write("w.toml", &text);
    let path = path.to_string_lossy().into_owned();
    (folder, config, path)
}

/// What becomes of each report of a capture.
fn reports(dialect: &str, capture: &[u8]) -> Vec<Value> {
    let (_folder, config, path) = laboratory(dialect, capture);
    ask(&config, &["explain", &path])["reports"].as_array().expect("reports").clone()
}

/// Each reason that holds a report, with what it says.
fn holds(report: &Value) -> Vec<(String, String)> {
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let holds = report["holds"].as_array().expect("a list");
    holds.iter().map(|hold| (text(&hold["reason"]), text(&hold["detail"]))).collect()
}

fn capture(name: &str) -> String {
    let path = crate::prove::root(&format!("fixtures/listen/{name}.cap"));
    std::fs::read_to_string(path).expect("it comes with the source")
}

#[test]
fn a_value_in_two_unit_systems_is_held_where_the_two_differ() {
    let both = dialect(&[("unit_implied = false", "both_units = true")]);
    let print = capture("two-column/complete");
    let glucose = print.lines().find(|line| line.starts_with("GLU ")).expect("glucose").trim();
    for (value, differs) in [
        ("GLU 2+ 400 mg/dL", false),
        ("GLU 2+ 400 mg/dL (22 mmol/L)", false),
        ("GLU 2+ 400 mg/dL (22.2 mmol/L)", false),
        ("GLU 2+ 400 mg/dL (2.2 mmol/L)", true),
        ("GLU 2+ 400 mg/dL (67 mmol/L)", true),
        ("GLU 2+ 400 mg/dL (22 umol/L)", true),
        ("GLU 4+ >=2400 mg/dL = >=133 mmol/L", false),
        ("GLU 4+ >=2400 mg/dL = <133 mmol/L", true),
    ] {
        let report = reports(&both, print.replace(glucose, value).as_bytes()).remove(0);
        let holds = holds(&report);
        let told = holds.iter().any(|(_, detail)| detail.contains("mol/L"));
        assert_eq!(told, differs, "{value}: {holds:?}");
        assert_eq!(report["state"] == "held", differs, "{value}: {holds:?}");
    }
}

/// The proof of a dialect by a capture of it: no case may differ, and every class is among them. How many cases were
/// held against what they should be, and the first that could not be printed of each pad.
fn proved(dialect: &str, capture: &[u8], classes: &[&str]) -> (usize, Vec<String>) {
    let (_folder, config, path) = laboratory(dialect, capture);
    let proof = ask(&config, &["prove", "--capture", &path]);
    let cases = proof["cases"].as_array().unwrap_or_else(|| panic!("no cases: {proof}"));
    let with = |verdict: &str| -> Vec<&Value> {
        cases.iter().filter(|case| case["verdict"] == verdict).collect()
    };
    assert_eq!(with("differs").first(), None, "{} differ", with("differs").len());
    for class in classes {
        assert!(cases.iter().any(|case| case["class"] == *class), "no case is {class}");
    }
    let unprintable = with("not-printable");
    let names = unprintable.iter().map(|case| case["case"].as_str().unwrap_or_default().to_owned());
    (with("as-expected").len(), names.collect())
}

#[test]
fn a_print_in_two_unit_systems_is_proved_with_both_values() {
    let both = dialect(&[("unit_implied = false", "both_units = true")]);
    let print = capture("two-column/complete")
        .replace("GLU   2+     400 mg/dL *", "GLU   2+     400 mg/dL (22 mmol/L) *")
        .replace("URO   NORM   0.3 mg/dL", "URO   NORM   0.3 mg/dL (5.1 umol/L)");
    let (as_expected, unprintable) = proved(&both, print.as_bytes(), &["routine", "control"]);
    assert!(as_expected > 300 && unprintable.len() < 40, "{as_expected} {unprintable:?}");
}

/// Forty strips on one page, whose header no dialect knows at first: each is a report of its own in the ledger, and
/// each is found and read again by itself, also where its header stands far above it.
#[test]
fn several_reports_on_a_page_are_kept_and_read_again_each_by_itself() {
    let page =
        dialect(&[("first_line =", "each = [\"No.\"]\nfirst_line ="), ("blank_lines = 1\n", "")]);
    let forgotten = "    \"Operator {operator?}\",\n";
    assert!(page.contains(forgotten));
    let folder = Folder::new("notation-page");
    folder.write("own.toml", &page.replace(forgotten, ""));
    let text = configuration("listen:127.0.0.1:0", "own.toml", "ten-pad", "dir:out", "");
    let config = folder.write("w.toml", &text);
    let daemon = Daemon::start(&config);
    let clock = wickline::clock::SiteClock::new("Europe/Lisbon").expect("a zone");
    let today = clock.rfc3339(wickline::clock::now_us())[..19].replace('T', " ");
    let strip = capture("two-column/complete");
    let (_, pads) = strip.split_once("Operator op7").expect("an operator");
    let one = |n: usize| format!("No. {n:04}\r\nID KP-317{n:02}\r\n{}\r\n", pads.trim());
    let all: String = (1..=40).map(one).collect();
    let print = format!("KESTREL POINT CLINIC\r\n{today}\r\nOperator op7\r\n{all}\x0c");
    assert!(print.len() > 4_096 + 300, "the last stands far below the header");
    let mut stream = TcpStream::connect(&daemon.lines[0]).expect("the line");
    stream.write_all(print.as_bytes()).expect("written");
    until(|| ask(&config, &["held"])["totals"]["held"] == 40);
    folder.write("own.toml", &page);
    let reread = ask(&config, &["held", "reread", "--reason", "unknown-analyte"]);
    let states: Vec<&Value> =
        reread["items"].as_array().expect("items").iter().map(|i| &i["state"]).collect();
    assert_eq!(states, vec!["waiting"; 40], "{reread}");
    until(|| ask(&config, &["queue"])["totals"]["accepted"] == 40);
    let out = std::fs::read_dir(folder.0.join("out")).expect("messages");
    let specimens: BTreeSet<String> = out
        .map(|file| std::fs::read_to_string(file.expect("a file").path()).expect("a message"))
        .map(|message| {
            let at = message.find("KP-317").expect("its specimen");
            message[at..at + 8].to_owned()
        })
        .collect();
    assert_eq!(specimens.len(), 40, "{specimens:?}");
    assert_eq!(daemon.stop(), 0);
}
