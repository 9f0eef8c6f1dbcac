//! `prove`: every rung of the invented ladders, every built-in dialect, and what a change alters.

use std::collections::BTreeSet;
use std::path::Path;
use std::process::{Command, Stdio};

use serde_json::Value;

use crate::controls::material;
use crate::hints::at_a_terminal;
use crate::kit::{Daemon, Folder, ask, binary, configuration, run};
use crate::way::runtime;

const DIALECTS: [&str; 5] = ["lis02", "two-column", "three-field", "wide-label", "ticket"];
const STRIPS: [&str; 4] = ["ten-pad", "eleven-pad", "twelve-pad", "fourteen-pad"];

pub fn root(path: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").join(path)
}

/// A configuration with references and marks of every class.
pub fn config(dialect: &str, strip: &str, prints: &str, address: &str, more: &str) -> String {
    let text = configuration("listen:127.0.0.1:0", dialect, strip, address, more);
    // Where the number's first digit is the class, no mark stands before it.
    let signs = if dialect == "wide-label" {
        "control_specimens = [\"QC-*=1\"]"
    } else {
        "stat_marks = [\"S\"]\ncontrol_marks = [\"Q1=1\", \"R\"]\ncontrol_specimens = [\"QC-L[0-9]\"]"
    };
    let usual = "control_marks = [\"Q1=1\", \"Q2=2\"]\ncontrol_specimens = [\"QC-L1=1\"]";
    assert!(text.contains(usual), "{text}");
    text.replace(usual, &format!("units = \"{prints}\"\n{signs}"))
        + "[reference]\nGLU = \"NEG\"\nPH = \"5.0-8.0\"\n"
}

/// What stands in for somebody's reading of the paper where that is not what a test is about.
pub const UNREAD: [&str; 8] = [
    "--accept",
    "truth-routine=read elsewhere",
    "--accept",
    "truth-stat=read elsewhere",
    "--accept",
    "truth-control=read elsewhere",
    "--accept",
    "ends=read elsewhere",
];

/// `prove` where nobody has read a paper.
pub fn unread(file: &Path, options: &[&str]) -> std::process::Output {
    run(file, &[options, &UNREAD].concat())
}

pub fn cases(proof: &Value) -> &Vec<Value> {
    proof["cases"].as_array().expect("a list of cases")
}

pub fn text(value: &Value) -> &str {
    value.as_str().expect("text")
}

#[test]
fn every_built_in_strip_is_proved_in_every_built_in_dialect() {
    for (n, dialect) in DIALECTS.iter().enumerate() {
        for (m, strip) in STRIPS.iter().enumerate() {
            let folder = Folder::new("prove");
            let (prints, sends) = [("conventional", "si"), ("si", "conventional")][(n + m) % 2];
            let more = format!("units = \"{sends}\"");
            let file = folder.write("w.toml", &config(dialect, strip, prints, "dir:out", &more));
            let proof = ask(&file, &["prove"]);
            let odd: Vec<_> = cases(&proof).iter().filter(|c| c["verdict"] == "differs").collect();
            assert!(odd.is_empty(), "{dialect} {strip}: {:?}", odd.first());
            assert_eq!(proof["notes"], serde_json::json!([]), "{dialect} {strip}");
            let classes: BTreeSet<_> = cases(&proof).iter().map(|c| text(&c["class"])).collect();
            assert_eq!(classes.len(), 3, "{dialect}");
            // Only the ticket has columns too narrow for the words of colours and clarity and for mg/mmol.
            let unprintable = cases(&proof).iter().filter(|c| c["verdict"] == "not-printable");
            // A name or a word of several words has no room between columns that end with a blank.
            let way = |c: &&Value| {
                [" said ", " in ", " named ", " with ", "/unread "]
                    .iter()
                    .any(|w| text(&c["case"]).contains(w))
            };
            for case in unprintable.filter(|c| !way(c)) {
                assert_eq!(*dialect, "ticket", "{case}");
                let narrow = ["COL", "CLA"].contains(&text(&case["pad"]))
                    || (["ACR", "PCR"].contains(&text(&case["pad"])) && case["units"] == "si");
                assert!(narrow || text(&case["rung"]).ends_with("turned"), "{case}");
            }
            assert!(!folder.0.join("out").exists(), "nothing is sent unasked");
        }
    }
}

/// Every reason that this analyzer can bring about holds a case, and no other is expected. What stands for a result on
/// the same day, and what comes back with a restored ledger, hangs on the ledger and on no print.
#[test]
fn every_reason_for_a_hold_is_provoked() {
    use wickline_normalize::Reason;
    let of_records = ["correction-heard", "not-final", "sender-unexpected", "test-message"];
    for dialect in DIALECTS {
        let folder = Folder::new("prove-holds");
        let sender = if dialect == "lis02" { "sender = \"STRIP1\"\n" } else { "" };
        let text_of = config(dialect, "ten-pad", "conventional", "dir:out", &material());
        let text_of = text_of.replace("units = \"conv", &format!("{sender}units = \"conv"));
        let proof = ask(&folder.write("w.toml", &text_of), &["prove"]);
        let held = cases(&proof).iter().filter(|case| case["verdict"] == "as-expected");
        let reasons = held.filter_map(|case| case["expected"]["held"].as_array());
        let found: BTreeSet<&str> = reasons.flatten().map(text).collect();
        let own = |code: &&str| match *code {
            "after-restore" | "second-result" => false,
            "controls-not-passed" => dialect == "wide-label",
            code => dialect == "lis02" || !of_records.contains(&code),
        };
        // A proof has no orders.
        let all = Reason::ALL.iter().filter(|reason| !reason.is_of_orders());
        let wanted: BTreeSet<&str> = all.map(|r| r.code()).filter(own).collect();
        assert_eq!(found, wanted, "{dialect}");
        let odd = cases(&proof).iter().find(|case| case["verdict"] == "differs");
        assert_eq!(odd, None, "{dialect}");
    }
}

/// R-7 as table 0078 has it: each letter is printed, and means what that table says.
#[test]
fn every_mark_of_a_record_is_proved() {
    let folder = Folder::new("prove-marks");
    let others =
        "drop = [\"BIL\", \"CLA\", \"COL\", \"KET\", \"LEU\", \"NIT\", \"PRO\", \"SG\", \"URO\"]";
    folder.write(
        "few.toml",
        &format!("id = \"few\"\nname = \"Few\"\nextends = \"ten-pad\"\n{others}\n"),
    );
    let file = folder.write("w.toml", &config("lis02", "few.toml", "conventional", "dir:out", ""));
    let proof = ask(&file, &["prove"]);
    let marks: BTreeSet<&str> = cases(&proof).iter().map(|case| text(&case["mark"])).collect();
    let wanted = BTreeSet::from(["-", "<", ">", "A", "AA", "H", "HH", "L", "LL", "N"]);
    assert_eq!(marks, wanted);
    let case = |mark: &str| {
        let name = format!("few/BLD/00-NEG/conventional/{mark}/routine");
        cases(&proof).iter().find(|case| case["case"] == name.as_str()).expect("a case")
    };
    for (mark, end) in
        [("AA", "held"), ("HH", "held"), (">", "held"), ("LL", "held"), ("<", "sent")]
    {
        assert!(case(mark)["sent"][end].is_array(), "{}", case(mark));
        assert_eq!(case(mark)["verdict"], "as-expected", "{mark}");
    }
}

/// Whatever a receiver asks for, a reader that knows only the standard finds what its keys say.
#[test]
fn every_layout_of_a_receiver_is_proved() {
    for (n, more) in [
        "names = \"local\"",
        "names = \"local-first\"\nnames_of = [\"GLU grade=loinc\"]\nunits = \"si\"",
        "names = \"loinc\"\nname_of = [\"GLU number=UGLU^Glucose^99KPC\", \"COL=UCOL^Colour^99KPC\"]",
        "names = \"local\"\nname_of = [\"GLU number=UGLU^Glucose^99KPC\", \"PRO=UPRO^Protein^99KPC\"]",
        "version = \"2.3.1\"\ngrades = \"never\"\nflags = \"both\"",
        "version = \"2.4\"\ngrades = \"only\"\ncoded = \"ST\"\nstatus = \"preliminary\"",
        "version = \"2.5\"\ncoded = \"SN\"\nends = \"ST\"\nends_of = [\"SG=SN\"]\nflags = \"both\"",
        "structure = \"OUL^R22\"\ncoded = \"CWE\"\ncoded_of = [\"GLU=SN\", \"LEU=ST\"]\nstatus = \"unverified\"",
        "order = [\"PRO\", \"*\", \"GLU\"]\ncodes = \"manual\"",
        "order = [\"SG\", \"GLU\", \"BLD\"]",
        "snomed = true\ngrade_codes = \"snomed-first\"",
    ]
    .into_iter()
    .enumerate()
    {
        let folder = Folder::new("prove-layout");
        let dialect = ["two-column", "lis02"][n % 2];
        let file = folder.write("w.toml", &config(dialect, "ten-pad", "conventional", "dir:out", more));
        let proof = ask(&file, &["prove"]);
        let odd: Vec<_> = cases(&proof).iter().filter(|c| c["verdict"] == "differs").collect();
        assert!(odd.is_empty(), "{more}: {} of {}: {:?}", odd.len(), cases(&proof).len(), odd.first());
        assert!(cases(&proof).len() > 500);
    }
}

/// Each row of the invented ladder, in both unit systems: code, value, unit and grade as it says.
#[test]
fn all_of_the_invented_ladder_arrives() {
    let ladder = std::fs::read_to_string(root("fixtures/prove/ladder.csv")).expect("the ladder");
    let rows: Vec<Vec<&str>> = ladder.lines().skip(2).map(|l| l.split(',').collect()).collect();
    assert_eq!(rows.len(), 92);
    for (system, at, code) in [("conventional", 3, 10), ("si", 6, 11)] {
        for dialect in ["lis02", "two-column"] {
            let folder = Folder::new("prove");
            let more = format!("units = \"{system}\"\ncodes = \"manual\"");
            let text_of = config(dialect, "fourteen-pad", system, "dir:out", &more);
            let proof = ask(&folder.write("w.toml", &text_of), &["prove"]);
            for row in &rows {
                let grade = row[2].to_uppercase().replace(' ', "-");
                let rung: usize = row[1].parse().expect("a number");
                let wanted = if grade == "VAL" { String::new() } else { grade.clone() };
                let prefix = format!("fourteen-pad/{}/{rung:02}-{grade}/", row[0]);
                let case = cases(&proof).iter().find(|c| {
                    let case = text(&c["case"]);
                    case.starts_with(&prefix) && case.ends_with(&format!("/{system}/-/routine"))
                });
                let case = case.unwrap_or_else(|| panic!("no case for {row:?}"));
                assert_eq!(case["verdict"], "as-expected", "{case}");
                let sent = case["sent"]["sent"].as_array().expect("what was sent");
                if !wanted.is_empty() {
                    let found =
                        sent.iter().find(|o| o["kind"] == "CE" && o["value"] == wanted.as_str());
                    let found = found.unwrap_or_else(|| panic!("{row:?}: {case}"));
                    assert!(row[9].is_empty() || found["code"] == row[9], "{row:?}: {found}");
                }
                if !row[at + 1].is_empty() {
                    let value = format!("{}{}", row[at], row[at + 1]);
                    let found = sent.iter().find(|o| o["value"] == value.as_str());
                    let found = found.unwrap_or_else(|| panic!("{row:?}: {case}"));
                    let unit = if row[at + 2] == "1" { "" } else { row[at + 2] };
                    assert_eq!(found["unit"], unit, "{row:?}");
                    assert!(row[code].is_empty() || found["code"] == row[code], "{row:?}: {found}");
                }
                let numbers = usize::from(!row[at + 1].is_empty());
                assert_eq!(sent.len(), usize::from(!wanted.is_empty()) + numbers, "{case}");
            }
        }
    }
}

#[test]
fn a_change_of_a_strip_is_shown_case_by_case() {
    let folder = Folder::new("prove");
    let strip = std::fs::read_to_string(root("config/strips/ten-pad.toml")).expect("the strip");
    let strip = strip.replace("id = \"ten-pad\"", "id = \"site-pad\"");
    folder.write("site.toml", &strip);
    let text_of = config("two-column", "site.toml", "conventional", "dir:out", "units = \"si\"");
    let file = folder.write("w.toml", &text_of);
    let path = |name: &str| folder.0.join(name).to_string_lossy().into_owned();
    let (csv, html) = (path("old.csv"), path("proof.html"));
    let first = unread(&file, &["prove", "--csv", &csv, "--html", &html]);
    assert_eq!(first.status.code(), Some(0), "{}", String::from_utf8_lossy(&first.stdout));
    let same = ask(&file, &["prove", "--compare", &csv]);
    assert_eq!(same["changes"], serde_json::json!([]));
    assert_eq!(same["changed_facts"], serde_json::json!([]));
    let page = std::fs::read_to_string(&html).expect("a page");
    let fingerprint = text(&same["fingerprint"]);
    assert!(page.matches(fingerprint).count() >= 3, "the fingerprint stands on every page");
    assert!(
        page.contains("Signature") && page.contains("size: A4") && page.contains("counter(page)")
    );

    folder.write("site.toml", &strip.replace("\"400\", si = \"22\"", "\"400\", si = \"21.9\""));
    let now = unread(&file, &["--json", "prove", "--compare", &csv]);
    assert_eq!(now.status.code(), Some(1));
    let now: Value = serde_json::from_slice(&now.stdout).expect("a document");
    assert_ne!(text(&now["fingerprint"]), fingerprint);
    let said = serde_json::json!(["si of site-pad GLU rung 4: was 22, is 21.9"]);
    assert_eq!(now["changed_facts"], said);
    let changed: BTreeSet<&str> =
        now["changes"].as_array().expect("changes").iter().map(|c| text(&c["case"])).collect();
    // Patients' cases that send the label; and where the other units are printed, the print itself.
    let meant: BTreeSet<&str> = cases(&now)
        .iter()
        .filter(|c| c["pad"] == "GLU" && text(&c["case"]).contains("/03-2+"))
        .filter(|c| c["units"] == "si" || c["sent"]["sent"].is_array())
        .map(|c| text(&c["case"]))
        .collect();
    assert!(meant.len() > 10);
    assert_eq!(changed, meant);

    let text_of = text_of.replace("site.toml", "ten-pad");
    let other = run(&folder.write("w.toml", &text_of), &["prove", "--compare", &csv]);
    let said = String::from_utf8_lossy(&other.stdout);
    assert_eq!(other.status.code(), Some(1));
    assert!(said.contains("appeared ten-pad/") && said.contains("vanished site-pad/"), "{said}");
    assert!(said.contains("every strip of the proof: was site-pad, is ten-pad"), "{said}");
    assert!(said.contains("strip of analyzer bench-1: was site.toml, is ten-pad"), "{said}");
    let wrong = run(&file, &["prove", "--compare", &html]);
    assert_eq!(wrong.status.code(), Some(2), "a page is no CSV");
}

/// What changes no case is told all the same, a comment is not, and a table of an older program is still compared.
#[test]
fn a_comparison_and_the_fingerprint_tell_the_same() {
    let folder = Folder::new("prove-facts");
    let text_of = config("two-column", "ten-pad", "conventional", "dir:out", "units = \"si\"");
    let file = folder.write("w.toml", &text_of);
    let csv = folder.0.join("old.csv").to_string_lossy().into_owned();
    let first = unread(&file, &["prove", "--csv", &csv]);
    assert_eq!(first.status.code(), Some(0), "{}", String::from_utf8_lossy(&first.stdout));
    let asked = |configuration: &str| -> (Value, Value, Option<i32>) {
        let file = folder.write("w.toml", configuration);
        let done = unread(&file, &["--json", "prove", "--compare", &csv]);
        let proof: Value = serde_json::from_slice(&done.stdout).expect("a document");
        assert_eq!(proof["changes"], serde_json::json!([]), "{configuration}");
        (proof["fingerprint"].clone(), proof["changed_facts"].clone(), done.status.code())
    };
    let (print, said, code) = asked(&format!("# a comment\n\n{text_of}"));
    assert_eq!((said, code), (serde_json::json!([]), Some(0)));
    let facility = text_of.replace("units = \"si\"", "units = \"si\"\nfacility = \"KPC-LAB\"");
    let (other, said, code) = asked(&facility);
    assert_ne!(print, other);
    let change = "facility of receiver lis: was empty, is KPC-LAB";
    assert_eq!((said, code), (serde_json::json!([change]), Some(1)));
    // As an older program wrote it: cases alone.
    let text = std::fs::read_to_string(&csv).expect("the table");
    let cases: String =
        text.split_inclusive("\r\n").filter(|l| !l.starts_with("\"fact/")).collect();
    assert!(cases.len() < text.len());
    std::fs::write(&csv, cases).expect("the folder is ours");
    let file = folder.write("w.toml", &facility);
    let done = unread(&file, &["prove", "--compare", &csv]);
    let said = String::from_utf8_lossy(&done.stdout);
    assert_eq!(done.status.code(), Some(0), "{said}");
    assert!(said.contains("carries no facts: its cases alone are compared"), "{said}");
}

/// A receiver of test messages that answers so and keeps them; its address.
fn listening(answers: &str, saved: &Path) -> (std::process::Child, String) {
    let mut receiver = Command::new(binary())
        .args(["--json", "receive", "--listen", "127.0.0.1:0", "--answer", answers, "--save"])
        .arg(saved)
        .stdout(Stdio::piped())
        .spawn()
        .expect("a receiver");
    let output = receiver.stdout.take().expect("its output is ours");
    let mut lines = std::io::BufRead::lines(std::io::BufReader::new(output));
    let first = lines.next().expect("it listens").expect("a line");
    std::thread::spawn(move || lines.map_while(Result::ok).for_each(drop));
    let first: Value = serde_json::from_str(&first).expect("JSON");
    (receiver, format!("mllp://{}", text(&first["address"])))
}

/// Every message that was kept, as its segments.
fn kept(saved: &Path) -> Vec<Vec<String>> {
    let folder = std::fs::read_dir(saved).into_iter().flatten().flatten();
    let read = |entry: std::fs::DirEntry| std::fs::read_to_string(entry.path()).expect("a message");
    folder.map(|e| read(e).split(['\r', '\n']).map(str::to_owned).collect()).collect()
}

/// Nobody can take one for a patient's result: MSH-11, the specimen, the status and a note say so.
#[test]
fn test_messages_are_sent_and_their_answers_recorded() {
    let folder = Folder::new("prove");
    let saved = folder.0.join("saved");
    for (answers, exit, word) in [("aa", 0, "accepted"), ("ae", 1, "refused")] {
        let (mut receiver, address) = listening(answers, &saved);
        let text_of = config("two-column", "ten-pad", "conventional", &address, "");
        let text_of = text_of.replace("[site]", "[site]\nprove_specimen = \"TEST-0001\"");
        let file = folder.write("w.toml", &text_of);
        // The trail that it is noted in is in the ledger, which the daemon makes.
        if !folder.0.join("ledger.db").exists() {
            assert_eq!(Daemon::start(&file).stop(), 0);
        }
        let done = unread(&file, &["--json", "prove", "--send", "--not-a-test-system"]);
        receiver.kill().expect("it ends");
        receiver.wait().expect("it has ended");
        assert_eq!(done.status.code(), Some(exit));
        let proof: Value = serde_json::from_slice(&done.stdout).expect("a document");
        for case in cases(&proof) {
            let answered = text(&case["answered"]).split(':').next().unwrap_or("");
            let wanted = if case["message"].is_null() { "" } else { word };
            assert_eq!(answered, wanted, "{case}");
        }
        // Nobody is there any more.
        let again = run(&file, &["prove", "--send", "--not-a-test-system"]);
        assert_eq!(again.status.code(), Some(3));
    }
    let messages = kept(&saved);
    assert!(messages.len() > 100, "{} messages", messages.len());
    for message in &messages {
        let field = |name: &str, n: usize| {
            let line = message.iter().find(|line| line.starts_with(name));
            line.and_then(|line| line.split('|').nth(n)).unwrap_or("").to_owned()
        };
        assert!(field("MSH", 9).starts_with("PRV") && field("MSH", 10).starts_with('T'));
        assert!(field("SPM", 2).contains("TEST-0001"), "{message:?}");
        assert_eq!(field("OBR", 25), "P", "{message:?}");
        assert!(
            message.iter().any(|line| line.starts_with("NTE") && line.contains("Test message"))
        );
        // The time of the proof, not that of the capture.
        assert!(field("OBR", 7).starts_with(&field("MSH", 6)[..8]), "{message:?}");
    }
    let file = folder.0.join("w.toml");
    assert_eq!(ask(&file, &["queue"])["items"], Value::Array(Vec::new()), "past the queue");
    // What is sent and what came of it are acts, for each of the four times.
    let trail = ask(&file, &["trail", "--object", "receiver lis"]);
    let rows = trail["items"].as_array().expect("rows");
    assert_eq!(rows.len(), 8);
    assert!(text(&rows[1]["became"]).contains(" accepted, 0 refused"), "{}", rows[1]);
}

/// A system in use gets test messages only when somebody says so, and none without an id for them.
#[test]
fn a_system_in_use_is_asked_about_first() {
    let folder = Folder::new("prove");
    let saved = folder.0.join("saved");
    let (mut receiver, address) = listening("aa", &saved);
    let bare = config("two-column", "ten-pad", "conventional", &address, "");
    let named = bare.replace("[site]", "[site]\nprove_specimen = \"TEST-0001\"");
    for (text_of, options, said) in [
        (&bare, &["prove", "--send", "--not-a-test-system"][..], "site.prove_specimen is not set"),
        (&named, &["prove", "--send"], "wickline prove --send --not-a-test-system --receiver lis"),
    ] {
        let done = run(&folder.write("w.toml", text_of), options);
        let told = String::from_utf8_lossy(&done.stderr).into_owned();
        assert_eq!(done.status.code(), Some(2), "{told}");
        assert!(told.contains(said) && told.contains("nothing was sent"), "{told}");
    }
    // At a terminal it asks, and takes nothing but the receiver's own name for a yes.
    let file = folder.write("w.toml", &named);
    // What is sent is noted in the ledger, which the daemon makes.
    assert_eq!(Daemon::start(&file).stop(), 0);
    for (typed, exit) in [("", 2), ("y", 2), ("LIS", 2), ("lis", 0)] {
        assert_eq!(kept(&saved).len(), 0);
        let line = format!("wickline prove --send '{}'", UNREAD.join("' '"));
        let (code, told) = runtime().block_on(at_a_terminal(&file, &line, typed));
        assert_eq!(code, exit, "{typed:?}: {told}");
        assert!(told.contains("receiver lis has no test_system = true"), "{told}");
        assert_eq!(told.contains("nothing was sent"), exit > 0, "{told}");
    }
    std::fs::remove_dir_all(&saved).and_then(|()| std::fs::create_dir(&saved)).expect("emptied");
    let test = named.replace("[[receiver]]", "[[receiver]]\ntest_system = true");
    let done = unread(&folder.write("w.toml", &test), &["prove", "--send"]);
    receiver.kill().expect("it ends");
    receiver.wait().expect("it has ended");
    assert_eq!(done.status.code(), Some(0), "{}", String::from_utf8_lossy(&done.stderr));
    let messages = kept(&saved);
    let last = |line: &&String| line.starts_with("OBR|");
    let status = |m: &Vec<String>| m.iter().find(last)?.split('|').nth(25).map(str::to_owned);
    assert!(messages.len() > 100 && messages.iter().all(|m| status(m).as_deref() == Some("F")));
}

#[test]
fn a_dialect_of_ones_own_needs_a_capture() {
    let folder = Folder::new("prove");
    let dialect = std::fs::read_to_string(root("fixtures/listen/guide/harbour.toml"));
    folder.write("harbour.toml", &dialect.expect("the guide's dialect"));
    let text_of = config("harbour.toml", "ten-pad", "conventional", "dir:out", "");
    let file = folder.write("w.toml", &text_of);
    let without = run(&file, &["prove"]);
    assert_eq!(without.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&without.stderr).contains("--capture"));
    let capture = root("fixtures/listen/guide/harbour.cap").to_string_lossy().into_owned();
    // A person has read the paper of this one: the truth lies beside it.
    // Its paper shows no end of a ladder either.
    let done = run(&file, &[&["prove", "--capture", &capture], &UNREAD[2..]].concat());
    let said = String::from_utf8_lossy(&done.stdout);
    assert_eq!(done.status.code(), Some(0), "{said}{}", String::from_utf8_lossy(&done.stderr));
}

/// What a proof does not show is said first, and is no proof until somebody says why it is enough.
#[test]
fn what_is_not_proved_is_said_and_accepted_by_name() {
    let folder = Folder::new("prove-gaps");
    let dialect = std::fs::read_to_string(root("fixtures/listen/guide/harbour.toml"));
    folder.write("harbour.toml", &dialect.expect("the guide's dialect"));
    folder.write(
        "own.toml",
        "id = \"own\"\nname = \"Own\"\nextends = \"ten-pad\"\n[[pad]]\nid = \"GLU\"\n\
         names = [\"GLU\", \"PROT\"]\n[[pad]]\nid = \"PRO\"\nnames = [\"PRO\"]\n",
    );
    // Printed in conventional units, and configured for SI: the capture itself is held.
    let text_of = config("harbour.toml", "own.toml", "si", "dir:out", "");
    let text_of = text_of.replace("stat_marks = [\"S\"]\n", "");
    let file = folder.write("w.toml", &text_of);
    // Nobody has read its paper: no truth lies beside it.
    let capture = folder.0.join("harbour.cap").to_string_lossy().into_owned();
    std::fs::copy(root("fixtures/listen/guide/harbour.cap"), &capture).expect("a capture");
    let asked = |options: &[&str]| {
        let all = [&["--json", "prove", "--capture", &capture][..], options].concat();
        let done = run(&file, &all);
        let proof: Value = serde_json::from_slice(&done.stdout).unwrap_or_default();
        (done.status.code(), proof, String::from_utf8_lossy(&done.stderr).into_owned())
    };
    let (code, proof, _) = asked(&[]);
    assert_eq!(code, Some(1));
    let gaps = |proof: &Value| -> Vec<(String, String)> {
        let list = proof["not_proved"].as_array().expect("a list");
        list.iter().map(|g| (text(&g["id"]).to_owned(), text(&g["text"]).to_owned())).collect()
    };
    let found = gaps(&proof);
    let ids: Vec<&str> = found.iter().map(|(id, _)| id.as_str()).collect();
    assert_eq!(
        ids,
        ["question-1", "class-stat", "capture-1", "truth-routine", "truth-control", "ends"]
    );
    assert!(found[0].1.contains("`prot` is Protein (PRO)"), "{found:?}");
    assert!(found[2].1.contains("0017") && found[2].1.contains("unit-unexpected"), "{found:?}");
    for (wrong, said) in
        [("class-stat", "write ID=REASON"), ("class-x=why", "class-x is not open here; open are")]
    {
        let (code, _, told) = asked(&["--accept", wrong]);
        assert!(code == Some(2) && told.contains(said), "{told}");
        assert!(told.contains("class-stat, capture-1"), "{told}");
        assert_eq!(told.contains("ID=REASON"), wrong == "class-stat", "{told}");
    }
    let html = folder.0.join("proof.html").to_string_lossy().into_owned();
    let accepted = [
        "question-1=our maker's label",
        "class-stat=none is done here",
        "capture-1=set to SI since",
        UNREAD[1],
        UNREAD[5],
        UNREAD[7],
    ];
    let options: Vec<&str> =
        accepted.iter().flat_map(|a| ["--accept", a]).chain(["--html", &html]).collect();
    let (code, proof, told) = asked(&options);
    let odd: Vec<_> = cases(&proof).iter().filter(|c| c["verdict"] == "differs").collect();
    assert_eq!((code, odd.len()), (Some(0), 0), "{told} {:?}", odd.first());
    let page = std::fs::read_to_string(&html).expect("a page");
    let reason = "Accepted: <span class=\"hand\">none is done here</span>";
    assert!(page.contains("Not proved") && page.contains(reason), "{page}");
}
