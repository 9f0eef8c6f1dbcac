//! The rarer notations of a dialect, by the program itself: what they hold is never read as right.

use std::collections::BTreeSet;
use std::io::Write;
use std::net::TcpStream;
use std::path::PathBuf;

use serde_json::Value;

use crate::kit::{Daemon, Folder, ask, configuration, run, until};

/// The shipped dialect of two columns with these pieces of its text in place of others.
fn dialect(changes: &[(&str, &str)]) -> String {
    let mut text = include_str!("../../config/dialects/two-column.toml").to_owned();
    for (from, to) in changes {
        assert!(text.contains(from), "{from}");
        text = text.replacen(from, to, 1);
    }
    text
}

/// The shipped dialect of two columns with these tables in place of its own.
fn tables(tables: &str) -> String {
    let names: Vec<&str> = tables.lines().filter(|line| line.starts_with('[')).collect();
    let mut keep = true;
    let kept: Vec<&str> = include_str!("../../config/dialects/two-column.toml")
        .lines()
        .filter(|line| {
            if line.starts_with('[') {
                keep = !names.contains(line);
            }
            keep
        })
        .collect();
    format!("{}\n{tables}", kept.join("\n"))
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
    let done = run(&config, &["--json", "prove", "--capture", &path]);
    let told = String::from_utf8_lossy(&done.stderr);
    let proof: Value = serde_json::from_slice(&done.stdout).unwrap_or_else(|_| panic!("{told}"));
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

/// The head of a print by which two columns are read, and the lines of its readings.
fn halves() -> (String, Vec<String>) {
    let print = capture("two-column/complete");
    let (head, pads) = print.split_once("Operator op7").expect("an operator");
    let pads = pads.trim().lines().map(|line| line.trim_end().to_owned()).collect();
    (format!("{head}Operator op7\r\n"), pads)
}

#[test]
fn a_print_that_counts_its_readings_is_proved() {
    let counts = dialect(&[("\"No. {number}\"", "\"~{count}\", \"No. {number}\"")]);
    let (head, pads) = halves();
    let print = format!("{head}{}\r\n~10\r\n\r\n", pads.join("\r\n"));
    let (as_expected, unprintable) = proved(&counts, print.as_bytes(), &["routine", "control"]);
    assert!(as_expected > 300 && unprintable.len() < 40, "{as_expected} {unprintable:?}");
}

/// Every case has other marks, and a number of them that is not its own would hold it.
#[test]
fn a_print_that_counts_its_marked_readings_is_proved() {
    let counts =
        dialect(&[("\"No. {number}\"", "\"~{count}, {marked} marked\", \"No. {number}\"")]);
    let (head, pads) = halves();
    let marked = pads.iter().filter(|line| line.ends_with(['*', 'H', 'L'])).count();
    let print = format!("{head}{}\r\n~10, {marked} marked\r\n\r\n", pads.join("\r\n"));
    let (as_expected, unprintable) = proved(&counts, print.as_bytes(), &["routine", "control"]);
    assert!(as_expected > 300 && unprintable.len() < 40, "{as_expected} {unprintable:?}");
}

#[test]
fn a_print_whose_header_has_other_letters_is_proved() {
    let (head, pads) = halves();
    let head = head.replace("No. ", "Prüfung Nr. ").replace("ID ", "Für Kürzel ");
    let print = format!("{head}{}\r\n\r\n", pads.join("\r\n"));
    let forms = [
        ("\"No. {number}\"", "\"Prüfung Nr. {number}\""),
        ("\"ID {specimen?}\"", "\"Für Kürzel {specimen?}\""),
    ];
    for (encoding, bytes) in [
        ("utf-8", print.as_bytes().to_vec()),
        (
            "latin-1",
            print.chars().map(|c| u8::try_from(u32::from(c)).expect("a letter of it")).collect(),
        ),
    ] {
        let encoded = format!("encoding = \"{encoding}\"");
        let german = dialect(&[&[("encoding = \"utf-8\"", encoded.as_str())], &forms[..]].concat());
        let (as_expected, unprintable) = proved(&german, &bytes, &["routine", "control"]);
        assert!(
            as_expected > 300 && unprintable.len() < 40,
            "{encoding}: {as_expected} {unprintable:?}"
        );
    }
}

const LABELS: [&str; 10] = ["GLU", "BIL", "KET", "SG", "BLD", "PH", "PRO", "URO", "NIT", "LEU"];

#[test]
fn readings_in_a_fixed_order_are_proved() {
    let ordered = tables(&format!(
        "[results]\nsplit = \"blanks\"\ncells = [\"result\"]\norder = {LABELS:?}\nunread = [\"----\"]\n"
    ));
    let (head, pads) = halves();
    let bare: Vec<&str> = pads.iter().map(|line| line[4..].trim()).collect();
    let print = format!("{head}{}\r\n\r\n", bare.join("\r\n"));
    let (as_expected, unprintable) = proved(&ordered, print.as_bytes(), &["routine", "control"]);
    // It prints no names, has no place for other pads, and without one nobody knows which the others are.
    let other = |case: &&String| {
        let own = LABELS.iter().any(|label| case.contains(&format!("/{label}/")));
        own && !case.contains(" named ") && !case.contains("/missing/")
    };
    let unprintable: Vec<&String> = unprintable.iter().filter(other).collect();
    assert!(as_expected > 200 && unprintable.len() < 80, "{as_expected} {unprintable:?}");
}

#[test]
fn a_table_that_is_headed_once_is_proved() {
    let headed = tables(
        "[results]\nsplit = \";\"\nheaded = \"PADS\"\nblank = [\"-\"]\nunread = [\"----\"]\n\
         rows = { GRADE = \"grade\", VALUE = \"value\", UNIT = \"unit\", MARK = \"mark\" }\n",
    );
    let (head, _) = halves();
    let print = format!(
        "{head}PADS;{}\r\nGRADE;2+;NEG;TR;-;1+;-;TR;NORM;NEG;NEG\r\n\
         VALUE;400;-;8;>=1.028;20;6.0;12;0.3;-;-\r\n\
         UNIT;mg/dL;-;mg/dL;-;/µL;-;mg/dL;mg/dL;-;-\r\nMARK;*;-;-;-;-;-;-;-;-;-\r\n\r\n",
        LABELS.join(";")
    );
    let (as_expected, unprintable) = proved(&headed, print.as_bytes(), &["routine", "control"]);
    assert!(as_expected > 200 && unprintable.len() < 80, "{as_expected} {unprintable:?}");
}

#[test]
fn names_and_values_in_a_record_are_proved() {
    let pairs = tables(
        "[record]\nsplit = \";\"\n[header]\nlines = [\"NO={number}\", \"ID={specimen?}\", \"AT={date} {time}\", \
         \"KESTREL{any}\"]\ncontrol = [\"CONTROL LEVEL {level} LOT {lot}\"]\n\
         [results]\nsplit = \"=\"\ncells = [\"label\", \"result\"]\nunread = [\"----\"]\n",
    );
    let (_, pads) = halves();
    let pads: Vec<String> = pads
        .iter()
        .map(|line| {
            let words: Vec<&str> = line.split_whitespace().collect();
            format!("{}={}", words[0], words[1..].join(" "))
        })
        .collect();
    let print = format!(
        "KESTREL POINT CLINIC\r\nNO=0042;ID=KP-31742;AT=2026-03-14 09:14;{}\r\n\r\n",
        pads.join(";")
    );
    let (as_expected, unprintable) = proved(&pairs, print.as_bytes(), &["routine", "control"]);
    assert!(as_expected > 200 && unprintable.len() < 80, "{as_expected} {unprintable:?}");
}

#[test]
fn a_print_with_check_characters_is_proved() {
    let (head, pads) = halves();
    let sum = |bytes: &str| bytes.bytes().fold(0_u8, u8::wrapping_add);
    let lines: Vec<String> = head.lines().map(str::to_owned).chain(pads).collect();
    let each: String = lines.iter().map(|line| format!("{line}*{:02X}\r\n", sum(line))).collect();
    let own = format!("{}\r\nCHK {:02X}\r\n", lines.join("\r\n"), sum(&lines.concat()));
    for (check, print) in [("behind = \"*\"", each), ("own_line = \"CHK\"", own)] {
        let checked = tables(&format!("[check]\nkind = \"add\"\n{check}\n"));
        let print = format!("{print}\r\n");
        let (as_expected, unprintable) =
            proved(&checked, print.as_bytes(), &["routine", "control"]);
        assert!(
            as_expected > 300 && unprintable.len() < 40,
            "{check}: {as_expected} {unprintable:?}"
        );
    }
}

#[test]
fn lines_of_a_fixed_length_are_proved() {
    let fixed =
        tables("[line]\nlength = 40\n[report]\nfirst_line = [\"KESTREL\"]\nsilence_ms = 3000\n");
    let (head, pads) = halves();
    let ascii = |line: &str| line.replace('µ', "u");
    let lines = head.lines().map(ascii).chain(pads.iter().map(|line| ascii(line)));
    let print: String = lines.map(|line| format!("{line:40}")).collect();
    let (as_expected, unprintable) = proved(&fixed, print.as_bytes(), &["routine", "control"]);
    assert!(as_expected > 300 && unprintable.len() < 40, "{as_expected} {unprintable:?}");
}

#[test]
fn a_report_over_several_pages_is_proved() {
    let paged = tables(
        "[report]\nlast_line = [\"END\"]\nmust_end = true\nsilence_ms = 3000\npage_bytes = [\"FF\"]\n",
    );
    let paged =
        paged.replace("\"No. {number}\"", "\"Page {page} of {pages}\", \"END\", \"No. {number}\"");
    let (head, pads) = halves();
    let page =
        |n: usize, pads: &[String]| format!("{head}Page {n} of 2\r\n{}\r\n\x0c", pads.join("\r\n"));
    let print = format!("{}{}END\r\n", page(1, &pads[..5]), page(2, &pads[5..]));
    let (as_expected, unprintable) = proved(&paged, print.as_bytes(), &["routine", "control"]);
    assert!(as_expected > 300 && unprintable.len() < 40, "{as_expected} {unprintable:?}");
}

#[test]
fn one_report_of_several_on_a_page_is_proved() {
    let each =
        dialect(&[("first_line =", "each = [\"No.\"]\nfirst_line ="), ("blank_lines = 1\n", "")]);
    let (head, pads) = halves();
    let pads = pads.join("\r\n");
    let head = head.replace("No. 0042\r\nID KP-31742\r\n", "");
    let one = |n: usize| format!("No. {n:04}\r\nID KP-317{n}\r\n{pads}\r\n");
    let print = format!("{head}{}{}\x0c", one(42), one(43));
    let (as_expected, unprintable) = proved(&each, print.as_bytes(), &["routine", "control"]);
    assert!(as_expected > 300 && unprintable.len() < 40, "{as_expected} {unprintable:?}");
}
