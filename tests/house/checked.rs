//! What `check` tells of an analyzer whose dialect, strip and rules each are right and do not fit together.

use std::io::Write;
use std::net::TcpStream;

use crate::kit::{Daemon, Folder, configuration, run, until};
use crate::material::only;
use crate::prove::root;

/// The changes are of the shipped `two-column`; `own` is a strip that goes on from ten-pad.
struct Changed<'a> {
    dialect: &'a [(&'static str, &'static str)],
    strip: &'static str,
    keys: &'static str,
}

const RIGHT: Changed<'static> = Changed { dialect: &[], strip: "", keys: "" };
/// Every pad without a number of its own, so that nothing printed has decimals.
const WHOLE: &str = "drop = [\"BIL\", \"PH\", \"SG\", \"URO\"]\n";

/// What `check` notes of the analyzer's print, with nothing else wrong.
fn notes(changed: &Changed<'_>) -> Vec<String> {
    let folder = Folder::new("checked");
    let shipped = root("config/dialects/two-column.toml");
    let mut dialect = std::fs::read_to_string(shipped).expect("a dialect");
    for (old, new) in changed.dialect {
        assert!(dialect.contains(old), "{old}");
        dialect = dialect.replacen(old, new, 1);
    }
    folder.write("own-dialect.toml", &dialect);
    let head = "id = \"own\"\nname = \"Own\"\nextends = \"ten-pad\"\n";
    folder.write("own.toml", &format!("{head}{}", changed.strip));
    let text = configuration("listen:127.0.0.1:0", "own-dialect.toml", "own.toml", "dir:out", "");
    let text = text.replace("control_marks", &format!("{}control_marks", changed.keys));
    let file = folder.write("w.toml", &text);
    let before = files(&folder);
    let done = run(&file, &["check", "--offline"]);
    let said = String::from_utf8_lossy(&done.stdout).into_owned();
    assert_eq!(done.status.code(), Some(0), "{said}{}", String::from_utf8_lossy(&done.stderr));
    assert_eq!(files(&folder), before, "who checks writes nothing");
    said.lines().filter(|l| l.starts_with("note")).map(str::to_owned).collect()
}

/// The files of a folder with what is in them.
fn files(folder: &Folder) -> Vec<(std::path::PathBuf, Vec<u8>)> {
    let all = std::fs::read_dir(&folder.0).expect("a folder").map(|e| e.expect("an entry").path());
    let mut all: Vec<_> =
        all.map(|path| (path.clone(), std::fs::read(&path).expect("a file"))).collect();
    all.sort();
    all
}

/// What is changed, and what is then told.
const TOLD: &[(Changed<'static>, &str)] = &[
    (
        Changed { dialect: &[("off = [", "comparators = { \"pos\" = \">=\" }\noff = [")], ..RIGHT },
        "`pos` is a comparator (>=) of dialect two-column, and strip own has `POS` for the grade POS",
    ),
    (
        Changed { dialect: &[("\"{date} {time}\",", "\"Printed {any} {any}\",")], ..RIGHT },
        "no form of dialect two-column has a date",
    ),
    (
        Changed { dialect: &[("No. {number}", "No. {any}")], ..RIGHT },
        "no form of dialect two-column has a number: a report that is lost",
    ),
    (
        Changed { dialect: &[("\"{date} {time}\",", "\"At {time}\",")], ..RIGHT },
        "has a time and no date: every report with one is held",
    ),
    (
        Changed { dialect: &[("\"{date} {time}\",", "\"{date}\",")], ..RIGHT },
        "no form of dialect two-column has a time: each result goes out with its day alone",
    ),
    (
        Changed {
            dialect: &[(
                "\"*\" = \"abnormal\"\n\"H\" = \"high\"",
                "\"*\" = \"other\"\n\"H\" = \"other\"",
            )],
            ..RIGHT
        },
        "marks *, H of dialect two-column are \"other\": they are compared with nothing",
    ),
    (
        Changed {
            strip: "[[pad]]\nid = \"SG\"\nconventional = { ucum = \"1\", spellings = [\"ou\"] }\n",
            ..RIGHT
        },
        "`ou`, a unit of SG on strip own, is a word of `ou plus`",
    ),
    (
        Changed { dialect: &[("\"H\" = \"high\"", "\"moins\" = \"other\"")], ..RIGHT },
        "`moins`, a mark of dialect two-column, is a word of `ou moins`",
    ),
    (
        Changed {
            dialect: &[(
                "cells = [\"label\", \"result\"]",
                "headed = \"PADS\"\nrows = { GRADE = \"grade\" }",
            )],
            ..RIGHT
        },
        "marks *, H, L of dialect two-column have no place in its results",
    ),
    (
        Changed {
            dialect: &[
                ("cells = [\"label\", \"result\"]", "cells = [\"label\", \"result\", \"mark\"]"),
                ("\"*\" = \"abnormal\"\n\"H\" = \"high\"\n\"L\" = \"low\"\n", ""),
                ("split = \"blanks\"", "split = \";\""),
            ],
            ..RIGHT
        },
        "dialect two-column has a cell for marks and names none",
    ),
    (
        Changed { strip: "[[pad]]\nid = \"PRO\"\noptional = true\n", ..RIGHT },
        "strip own: PRO: optional here and required on the strip that this one extends",
    ),
    (
        Changed {
            dialect: &[(
                "control = [\"CONTROL",
                "control = [\"CHECK OF {day}.{month}\", \"CONTROL",
            )],
            ..RIGHT
        },
        "control material by CHECK OF {day}.{month}: no case of `prove` shows it",
    ),
    (
        Changed {
            dialect: &[
                ("\"ID {specimen?}\",", "\"FOR {specimen};{operator?}\","),
                ("    \"Operator {operator?}\",\n", ""),
            ],
            ..RIGHT
        },
        "nothing tells specimen and operator apart in FOR {specimen};{operator?}",
    ),
    (
        Changed {
            dialect: &[("decimal = \"point\"", "decimal = \"comma\"")],
            strip: WHOLE,
            ..RIGHT
        },
        "decimal = \"comma\" of dialect two-column: no step of strip own has decimals",
    ),
    (
        Changed { dialect: &[("\"*\" = \"abnormal\"", "\"*\" = \"other\"")], ..RIGHT },
        "mark * of dialect two-column is \"other\": it is compared with nothing",
    ),
    (
        Changed {
            dialect: &[("control = [\"CONTROL", "control = [\"ID CHECK {level}\", \"CONTROL")],
            ..RIGHT
        },
        "`CHECK` in ID CHECK {level} fits site.specimen, [A-Za-z0-9-]{4,20}, and stands where",
    ),
    (
        Changed {
            dialect: &[("urgent = [\"URGENT\"]", "urgent = [\"ID {specimen?} RUSH\"]")],
            ..RIGHT
        },
        "`RUSH` in ID {specimen?} RUSH fits site.specimen",
    ),
];

/// Each thing is told once, in these words, and not where nothing is changed.
#[test]
fn what_does_not_fit_together_is_told() {
    let right = notes(&RIGHT);
    for (changed, said) in TOLD {
        let told: Vec<_> = notes(changed).into_iter().filter(|n| !right.contains(n)).collect();
        let own: Vec<_> = told.iter().filter(|note| note.contains(said)).collect();
        assert_eq!(own.len(), 1, "{said}: {told:?}");
    }
}

/// A print that ends with nothing of its own: whoever reads what `check` says knows what to write, and is not told
/// then.
#[test]
fn a_print_that_never_says_that_it_is_whole_is_told_once() {
    let said = "nothing on the print of dialect two-column says that a report is whole";
    let told =
        |changed: &Changed<'_>| notes(changed).iter().filter(|note| note.contains(said)).count();
    assert_eq!(told(&RIGHT), 1);
    for (old, new) in [
        ("end_bytes = [\"FF\"]\n", "end_bytes = [\"FF\"]\nmust_end = true\n"),
        ("    \"ID {specimen?}\",\n", "    \"ID {specimen?}\",\n    \"{count} pads\",\n"),
        ("[header]\n", "[check]\nkind = \"add\"\nown_line = \"SUM\"\n\n[header]\n"),
    ] {
        assert_eq!(told(&Changed { dialect: &[(old, new)], ..RIGHT }), 0, "{new}");
    }
}

/// Codes that a strip lacks are told of the set that a receiver gets, and of no other.
#[test]
fn a_gap_in_a_code_set_is_told_where_a_receiver_gets_that_set() {
    let folder = Folder::new("code-sets");
    let own = "id = \"own\"\nname = \"Own\"\nextends = \"ten-pad\"\n[[pad]]\nid = \"GLU\"\n\
               manual = { presence = \"25428-4\" }\n";
    folder.write("own.toml", own);
    let told = |keys: &str| {
        let text = configuration("listen:127.0.0.1:0", "two-column", "own.toml", "dir:out", keys);
        let done = run(&folder.write("w.toml", &text), &["check", "--offline"]);
        assert_eq!(done.status.code(), Some(0), "{}", String::from_utf8_lossy(&done.stderr));
        let said = String::from_utf8_lossy(&done.stdout).into_owned();
        said.lines().filter(|line| line.contains("no manual code")).map(str::to_owned).collect()
    };
    let (by_eye, automated): (Vec<String>, Vec<String>) = (told("codes = \"manual\""), told(""));
    assert_eq!(automated, Vec::<String>::new());
    assert_eq!(by_eye.len(), 2, "{by_eye:?}");
    assert!(by_eye[0].contains("strip own: GLU: no manual code for its mass; our local code"));
}

/// A print without a date: the receiver reads the daemon's time, and beside it that it is ours.
#[test]
fn without_a_date_the_daemons_time_goes_out_and_says_so() {
    let folder = Folder::new("undated");
    let file = |path: &str| std::fs::read_to_string(root(path)).expect("it comes with the source");
    let dialect = file("config/dialects/two-column.toml");
    folder.write("undated.toml", &dialect.replace("    \"{date} {time}\",\n", ""));
    let text = configuration("listen:127.0.0.1:0", "undated.toml", "ten-pad", "dir:out", "");
    let config = folder.write("w.toml", &text);
    let daemon = Daemon::start(&config);
    let mut line = TcpStream::connect(&daemon.lines[0]).expect("the line");
    let print = file("fixtures/listen/two-column/complete.cap");
    let print = print.replace("2026-03-14 09:14:55\r\n", "");
    assert!(!print.contains("2026"), "{print}");
    line.write_all(print.as_bytes()).expect("written");
    until(|| only(&folder.0.join("out")).is_some());
    let sent = std::fs::read_to_string(only(&folder.0.join("out")).expect("one")).expect("text");
    let note = sent.split('\r').find(|s| s.starts_with("NTE|") && s.contains("Time of reception"));
    assert!(note.is_some_and(|n| n.contains("no date")), "{sent}");
    assert_eq!(daemon.stop(), 0);
}

/// A sign of class that no case shows is not proved, and the proof says so.
#[test]
fn a_class_sign_without_a_case_is_a_gap_of_the_proof() {
    let folder = Folder::new("unshown");
    let shipped = std::fs::read_to_string(root("config/dialects/two-column.toml"));
    let control = ("control = [\"CONTROL", "control = [\"CHECK OF {day}.{month}\", \"CONTROL");
    let dialect = shipped.expect("a dialect").replacen(control.0, control.1, 1);
    folder.write("own.toml", &dialect);
    let text = configuration("listen:127.0.0.1:0", "own.toml", "ten-pad", "dir:out", "");
    let file = folder.write("w.toml", &text);
    let capture = root("fixtures/listen/two-column/complete.cap");
    let capture = capture.to_string_lossy();
    let done = run(&file, &["--json", "prove", "--capture", &capture]);
    let proof: serde_json::Value = serde_json::from_slice(&done.stdout).expect("a document");
    let gaps = proof["not_proved"].as_array().expect("a list");
    let own: Vec<_> = gaps.iter().filter(|gap| gap["id"] == "sign-1").collect();
    let [gap] = own.as_slice() else { panic!("{gaps:?}") };
    assert!(gap["text"].as_str().is_some_and(|t| t.contains("CHECK OF {day}.{month}")), "{gap}");
}

/// Where a configuration is written, the adapter is plugged in nowhere; where it is used, it must be there.
#[test]
fn offline_a_port_that_is_not_there_is_noted_and_no_fault() {
    let folder = Folder::new("unplugged");
    let port = folder.0.join("ttyNONE");
    let line = format!("serial:{}", port.to_string_lossy());
    let text = configuration(&line, "two-column", "ten-pad", "dir:out", "");
    let file = folder.write("w.toml", &text);
    for (options, exit, said) in [
        (&["check", "--offline"][..], 0, "note  analyzer bench-1: "),
        (&["check"][..], 3, "bad   analyzer bench-1: "),
    ] {
        let done = run(&file, options);
        let told = String::from_utf8_lossy(&done.stdout).into_owned();
        assert_eq!(done.status.code(), Some(exit), "{told}");
        let own = told.lines().find(|line| line.contains("ttyNONE")).unwrap_or_default();
        assert!(own.starts_with(said), "{told}");
        assert_eq!(own.contains("not plugged in here"), exit == 0, "{told}");
    }
}

/// Where another program listens no daemon starts; where the daemon itself does, nothing is wrong.
#[test]
fn an_address_that_another_program_listens_on_is_a_fault() {
    let folder = Folder::new("ports");
    std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
    let other = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    let taken = other.local_addr().expect("bound");
    let write = |line: &str, more: &str| {
        let line = format!("listen:{line}");
        folder.write("w.toml", &configuration(&line, "two-column", "ten-pad", "dir:out", more))
    };
    let checked = |file: &std::path::Path| {
        let done = run(file, &["check"]);
        (done.status.code(), String::from_utf8_lossy(&done.stdout).into_owned())
    };
    let table = |name: &str| format!("[{name}]\nlisten = \"{taken}\"\n");
    for (line, more, about) in [
        (taken.to_string(), String::new(), "analyzer bench-1"),
        ("127.0.0.1:0".to_owned(), table("console"), "console.listen"),
        ("127.0.0.1:0".to_owned(), table("watch"), "watch.listen"),
    ] {
        let (code, said) = checked(&write(&line, &more));
        let own = format!("bad   {about}: {taken}: another program listens there");
        assert!(code == Some(3) && said.contains(&own), "{said}");
    }
    let file = write(&taken.to_string(), "");
    drop(other);
    assert_eq!(checked(&file).0, Some(0), "{}", checked(&file).1);
    let daemon = Daemon::start(&file);
    assert_eq!(checked(&file).0, Some(0), "{}", checked(&file).1);
    assert_eq!(daemon.stop(), 0);
}
