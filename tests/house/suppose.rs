//! `explain` as if something were otherwise: other units, another time, other controls; and again when a file is saved.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use crate::explain::Running;
use crate::kit::{Folder, configuration, run};

fn fixture(path: &str) -> Vec<u8> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    std::fs::read(root.join(path)).expect("it comes with the source")
}

/// A folder with a capture of one routine report, taken 2026-03-14 09:14:55, and the configuration to read it.
fn laboratory(keys: &str) -> (Folder, PathBuf, String) {
    let folder = Folder::new("suppose");
    let capture = folder.0.join("bench.cap");
    std::fs::write(&capture, fixture("fixtures/listen/two-column/complete.cap")).expect("a folder");
    let text = configuration("tcp:127.0.0.1:1", "two-column", "ten-pad", "dir:out", "");
    let file =
        folder.write("w.toml", &text.replace("control_marks", &format!("{keys}control_marks")));
    let capture = capture.to_string_lossy().into_owned();
    (folder, file, capture)
}

/// The first report's state and the reasons that hold it, and what is sent.
fn explained(file: &Path, capture: &str, options: &[&str]) -> (String, Vec<String>, String) {
    let done = run(file, &[&["--json", "explain", capture], options].concat());
    let all: Value = serde_json::from_slice(&done.stdout)
        .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&done.stderr)));
    let report = &all["reports"][0];
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let holds = report["holds"].as_array().expect("a list");
    assert_eq!(done.status.code(), Some(i32::from(!holds.is_empty())));
    let reasons = holds.iter().map(|hold| text(&hold["reason"])).collect();
    (text(&report["state"]), reasons, text(&report["message"]))
}

#[test]
fn as_if_other_units_were_printed() {
    let (_folder, file, capture) = laboratory("");
    for (options, held) in [
        (&[][..], false),
        (&["--printed", "conventional"], false),
        (&["--printed", "si"], true),
        (&["--printed", "si", "--analyzer", "bench-1"], true),
    ] {
        let (state, reasons, _) = explained(&file, &capture, options);
        assert_eq!(
            reasons.contains(&"unit-unexpected".to_owned()),
            held,
            "{options:?} {reasons:?}"
        );
        assert_eq!(state, if held { "held" } else { "waiting" });
    }
    let bare = ["--dialect", "two-column", "--printed", "si"];
    let done = run(&file, &[&["explain", &capture], &bare[..]].concat());
    assert!(String::from_utf8_lossy(&done.stdout).contains("unit-unexpected"));
}

#[test]
fn as_if_it_were_heard_at_another_time() {
    let (_folder, file, capture) = laboratory("");
    // One hour ahead and 72 behind are allowed; Lisbon has no summer time in March's first half.
    for (at, held) in [
        ("2026-03-14T09:20", false),
        ("2026-03-14T09:20:00+00:00", false),
        ("2026-03-14T08:14:56", false),
        ("2026-03-14T08:14", true),
        ("2026-03-14T09:20:00+02:00", true),
        ("2026-03-20T09:20", true),
    ] {
        let (state, reasons, _) = explained(&file, &capture, &["--at", at]);
        let wanted: &[&str] = if held { &["clock-off"] } else { &[] };
        assert_eq!(reasons, wanted, "{at}");
        assert_eq!(state, if held { "held" } else { "waiting" });
    }
    let (state, reasons, _) = explained(&file, &capture, &[]);
    assert_eq!(
        (state.as_str(), reasons.len()),
        ("waiting", 0),
        "without a time no clock is looked at"
    );
    for wrong in ["yesterday", "2026-03-14", "2026-02-30T09:20"] {
        let done = run(&file, &["explain", &capture, "--at", wrong]);
        let said = String::from_utf8_lossy(&done.stderr);
        assert!(done.status.code() == Some(2) && said.contains("2026-03-14T09:20"), "{said}");
    }
    let (_folder, file, capture) = laboratory("clock = \"daemon-time\"\n");
    let (state, _, message) = explained(&file, &capture, &["--at", "2026-03-20T09:20"]);
    assert_eq!(state, "waiting");
    assert!(message.contains("Time of reception instead of the analyzer's"), "{message}");
    assert!(message.contains("20260320092000") && !message.contains("20260314091455"), "{message}");
}

#[test]
fn as_if_controls_stood_otherwise() {
    let policies = "controls_failed = \"hold\"\ncontrols_due = \"warn\"\n";
    let (folder, file, capture) = laboratory(policies);
    let plan = "[[control]]\nlevel = \"1\"\nlot = \"CM1-2601\"\nstrip = \"ten-pad\"\nstrip_lot = \"S7731\"\n\
                first_day = \"2026-01-01\"\nlast_day = \"2026-12-31\"\n\
                expect = [\"BIL=NEG\", \"BLD=NEG\", \"GLU=NEG\", \"KET=NEG\", \"LEU=NEG\", \"NIT=NEG\", \"PH=6.0\", \
                \"PRO=NEG\", \"SG=1.012\", \"URO=NORM\"]\n";
    let text = std::fs::read_to_string(&file).expect("ours");
    folder.write("w.toml", &text.replace("[[receiver]]", &format!("{plan}[[receiver]]")));
    for (standing, state, reasons) in [
        ("passed", "waiting", &[][..]),
        ("failed", "held", &["controls-failed"]),
        ("due", "waiting", &[]),
    ] {
        let found = explained(&file, &capture, &["--controls", standing]);
        assert_eq!(
            (found.0.as_str(), &found.1[..]),
            (state, &reasons.iter().map(ToString::to_string).collect::<Vec<_>>()[..])
        );
        assert_eq!(
            found.2.contains("Released while controls are due"),
            standing == "due",
            "{}",
            found.2
        );
    }
    let done = run(&file, &["explain", &capture, "--controls", "failed"]);
    let said = String::from_utf8_lossy(&done.stdout);
    assert!(said.contains("with controls failed: patients' reports are held"), "{said}");
    let (_folder, file, capture) = laboratory("");
    let done = run(&file, &["explain", &capture, "--controls", "failed"]);
    let said = String::from_utf8_lossy(&done.stdout);
    assert!(said.contains("with controls failed: patients' reports go all the same"), "{said}");
}

#[test]
fn a_result_line_says_which_cell_refused_it() {
    let whole = String::from_utf8_lossy(&fixture("fixtures/listen/three-field/normal.cap"))
        .replace("5,1 ", "0,3 mg/dL");
    for (good, bad, said) in [
        ("GLU;NEG;", "GLU;2+;Lue", "cell 3 `Lue` is no number with a unit"),
        ("GLU;NEG;", "GLU;1.5;", "cell 2 `1.5` is no grade"),
        ("SG;;1,012", "SG;;1.012", "cell 3 `1.012` is no number with a unit"),
    ] {
        let folder = Folder::new("cell");
        let text = configuration("tcp:127.0.0.1:1", "three-field", "ten-pad", "dir:out", "");
        let file = folder.write("w.toml", &text);
        assert!(whole.contains(good));
        let capture = folder.write("bench.cap", &whole.replacen(good, bad, 1));
        let done = run(&file, &["--json", "explain", &capture.to_string_lossy()]);
        let all: Value = serde_json::from_slice(&done.stdout).expect("a document");
        let holds = all["reports"][0]["holds"].as_array().expect("a list");
        let told =
            holds.iter().any(|hold| hold["detail"].as_str().is_some_and(|d| d.contains(said)));
        assert!(told, "{bad}: {holds:?}");
    }
}

/// What is saved is explained again, also after a while in which it was wrong; ctrl-c ends with the last answer.
#[test]
fn watching_explains_again_what_was_saved() {
    let folder = Folder::new("watch");
    let dialect = String::from_utf8_lossy(&fixture("config/dialects/two-column.toml"))
        .replace("name = \"two-column\"", "name = \"own\"");
    folder.write("own.toml", &dialect);
    let text = configuration("tcp:127.0.0.1:1", "own.toml", "ten-pad", "dir:out", "");
    let config = folder.write("w.toml", &text);
    let capture = folder.0.join("bench.cap");
    std::fs::write(&capture, fixture("fixtures/listen/two-column/complete.cap")).expect("ours");
    let words = |file: &Path| file.to_string_lossy().into_owned();
    let mut live = Running::start(&[
        "--config",
        &words(&config),
        "--json",
        "explain",
        &words(&capture),
        "--watch",
    ]);
    let mut answer = || {
        let all: Value = serde_json::from_str(&live.line()).expect("a document");
        let holds = all["reports"][0]["holds"].as_array().expect("a list").clone();
        live.says("watching 3 file(s)");
        holds.first().map_or(Value::Null, |hold| hold["reason"].clone())
    };
    assert_eq!(answer(), Value::Null);
    // The dialect loses a form: its line is taken for a reading.
    folder.write("own.toml", &dialect.replace("    \"Operator {operator?}\",\n", ""));
    assert_eq!(answer(), json!("unknown-analyte"));
    // The configuration, and a new file put in the place of the old one, as editors do.
    folder.write("own.toml", &dialect);
    assert_eq!(answer(), Value::Null);
    let other = folder.write(
        "w.new",
        &text.replace("strip = \"ten-pad\"", "strip = \"ten-pad\"\nunits = \"si\""),
    );
    std::fs::rename(other, &config).expect("ours");
    assert_eq!(answer(), json!("unit-unexpected"));
    folder.write("w.toml", &text);
    assert_eq!(answer(), Value::Null);
    // The capture itself.
    std::fs::write(&capture, b"KESTREL POINT CLINIC\r\nNo. 0042\r\nGLU   NEG\r\n\r\n")
        .expect("ours");
    assert_eq!(answer(), json!("specimen-blank"));
    // A file under work is wrong for a while.
    folder.write("own.toml", "name = ");
    live.says("own.toml was saved");
    live.says("watching");
    live.interrupt();
    assert_eq!(live.ends(), (Some(1), String::new()));
}
