//! What prints differ in, proved: no units, pads that measure, words for ends, signs behind numbers.

use std::path::Path;

use serde_json::Value;
use wickline::prove::truth::digest;

use crate::kit::{Folder, ask, run};
use crate::prove::{UNREAD, cases, config, root, text, unread};

/// An analyzer that prints no units is proved as well: numbers of the other system are what the ladder makes of them.
/// But where a person read a unit on the paper, the dialect is wrong.
#[test]
fn a_print_without_units_is_proved() {
    let folder = Folder::new("prove-bare");
    let dialect = std::fs::read_to_string(root("config/dialects/two-column.toml")).expect("a file");
    folder.write("bare.toml", &dialect.replace("unit_implied = false", "unit_implied = true"));
    let print = std::fs::read_to_string(root("fixtures/listen/two-column/complete.cap"));
    let mut bare = print.expect("a capture");
    for unit in [" mg/dL", " /\u{b5}L"] {
        assert!(bare.contains(unit), "{unit}");
        bare = bare.replace(unit, "");
    }
    let capture = folder.write("bare.cap", &bare).to_string_lossy().into_owned();
    for prints in ["conventional", "si"] {
        let text_of = config("bare.toml", "fourteen-pad", prints, "dir:out", "");
        let file = folder.write("w.toml", &text_of);
        let proof = ask(&file, &["prove", "--capture", &capture]);
        let odd: Vec<_> = cases(&proof).iter().filter(|c| c["verdict"] == "differs").collect();
        assert!(odd.is_empty(), "{prints}: {} {:?}", odd.len(), odd.first());
    }
}

/// A pad that measures has no ladder: numbers of ours go through, converted by hand here.
#[test]
fn a_pad_that_measures_is_proved() {
    let folder = Folder::new("prove-measured");
    let others = "drop = [\"BIL\", \"BLD\", \"CLA\", \"COL\", \"KET\", \"LEU\", \"NIT\", \"PRO\", \"SG\", \"URO\"]";
    let own = "[[pad]]\nid = \"CRE\"\ntitle = \"Creatinine\"\nkind = \"measured\"\n\
               conventional = { ucum = \"mg/dL\" }\nsi = { ucum = \"mmol/L\" }\n\
               manual = { mass = \"30004-6\", moles = \"30002-0\" }\n\
               measured = { factor = \"0.0884\", digits = 0, si_digits = 1 }\n";
    let strip = format!("id = \"own\"\nname = \"Own\"\nextends = \"ten-pad\"\n{others}\n{own}");
    folder.write("own.toml", &strip);
    for (prints, sends, number, code, unit) in [
        ("conventional", "si", "1.1", "30002-0", "mmol/L"),
        ("si", "conventional", "141", "30004-6", "mg/dL"),
        ("conventional", "conventional", "12.5", "30004-6", "mg/dL"),
    ] {
        let more = format!("units = \"{sends}\"");
        let text_of = config("two-column", "own.toml", prints, "dir:out", &more);
        let text_of = text_of + "CRE = \"0-20 mg/dL, 0-2 mmol/L\"\n";
        let proof = ask(&folder.write("w.toml", &text_of), &["prove"]);
        let odd: Vec<_> = cases(&proof).iter().filter(|c| c["verdict"] == "differs").collect();
        assert!(odd.is_empty(), "{prints} {sends}: {} {:?}", odd.len(), odd.first());
        let name = format!("own/CRE/01-VAL/{prints}/-/routine");
        let case = cases(&proof).iter().find(|case| case["case"] == name.as_str()).expect("a case");
        let sent = &case["sent"]["sent"][0];
        assert_eq!((&sent["value"], &sent["code"]), (&number.into(), &code.into()), "{case}");
        assert_eq!(sent["unit"], unit, "{case}");
    }
}

/// Each word for an end of a ladder is printed with each end; what it means, only a paper shows.
#[test]
fn words_for_ends_are_printed_and_open_until_a_paper_shows_them() {
    let folder = Folder::new("prove-ends");
    let dialect = std::fs::read_to_string(root("config/dialects/two-column.toml"));
    let cells = "cells = [\"label\", \"result\"]";
    let words = "comparators = { \"at least\" = \">=\", \"from\" = \">=\", \"up to\" = \"<=\" }";
    let dialect = dialect.expect("a dialect").replace(cells, &format!("{cells}\n{words}"));
    folder.write("own.toml", &dialect);
    let file =
        folder.write("w.toml", &config("own.toml", "ten-pad", "conventional", "dir:out", ""));
    let capture = folder.0.join("own.cap").to_string_lossy().into_owned();
    let shipped = root("fixtures/listen/two-column/complete.cap");
    let print = std::fs::read_to_string(shipped).expect("a capture");
    std::fs::write(&capture, print.replace(">=1.028", "at least 1.028")).expect("ours");
    let truth = std::fs::read_to_string(root("fixtures/listen/two-column/complete.truth.csv"));
    let truth = truth.expect("a truth");
    let shipped = digest(print.as_bytes());
    assert!(truth.contains(&shipped));
    let proved = || {
        let own = digest(&std::fs::read(&capture).expect("ours"));
        folder.write("own.truth.csv", &truth.replace(&shipped, &own));
        let options = [&["--json", "prove", "--capture", &capture][..], &UNREAD[2..6]].concat();
        let done = run(&file, &options);
        let proof: Value = serde_json::from_slice(&done.stdout).expect("a document");
        let gaps = proof["not_proved"].as_array().expect("a list").iter();
        let gaps = gaps.filter(|gap| gap["accepted"].is_null());
        let told = |gap: &Value| format!("{}: {}", text(&gap["id"]), text(&gap["text"]));
        (done.status.code(), gaps.map(told).collect::<Vec<_>>(), proof)
    };
    let (code, gaps, proof) = proved();
    let printed = |words: &str| {
        let all = cases(&proof).iter().filter(|case| text(&case["printed"]).contains(words));
        all.map(|case| text(&case["verdict"])).collect::<Vec<_>>()
    };
    // The ends of glucose, density and the others, with each word of their sign; the lowest with the other word.
    for (words, count) in [("at least 1.028", 1), ("from 1.028", 1), ("from 2400", 1)] {
        assert!(printed(words).len() >= count, "{words}: {:?}", printed(words));
    }
    assert!(!printed("up to 1.004").is_empty());
    // And behind the number, and behind its unit: this dialect reads them there as well.
    for words in ["1.028 at least", "2400 from mg/dL", "2400 mg/dL from", "1.004 up to"] {
        let all = printed(words);
        assert!(!all.is_empty() && all.iter().all(|own| *own == "as-expected"), "{words}: {all:?}");
    }
    assert!(printed("from ").iter().all(|verdict| *verdict == "as-expected"));
    assert_eq!(code, Some(1));
    assert_eq!(gaps.len(), 2, "{gaps:?}");
    for (gap, word) in gaps.iter().zip(["word-2: `from`", "word-3: `up to`"]) {
        assert!(gap.starts_with(word) && gap.contains("no capture with a truth shows"), "{gap}");
    }
    // Shown by a paper on which somebody read them.
    let both = print.replace(">=1.028", "from 1.028").replace("PH           6.0", "PH   up to 6.0");
    std::fs::write(&capture, both).expect("ours");
    let (_, gaps, _) = proved();
    let found: Vec<&str> = gaps.iter().filter_map(|gap| gap.split(':').next()).collect();
    // What was read as another value than the one that was typed shows nothing.
    assert!(found.contains(&"word-1") && found.contains(&"word-3"), "{gaps:?}");
    assert!(!found.contains(&"word-2"), "{gaps:?}");
    assert!(gaps.iter().any(|gap| gap.starts_with("word-1: `at least`")), "{gaps:?}");
}

/// Without words for them too: how this print writes an end only a paper shows, with its sign or bare.
#[test]
fn an_end_of_a_ladder_is_open_until_a_paper_shows_one() {
    let folder = Folder::new("prove-end");
    let file =
        folder.write("w.toml", &config("two-column", "ten-pad", "conventional", "dir:out", ""));
    let capture = folder.0.join("own.cap").to_string_lossy().into_owned();
    let of = |name: &str| root("fixtures/listen/two-column").join(name);
    let print = std::fs::read_to_string(of("complete.cap")).expect("a capture");
    let truth = std::fs::read_to_string(of("complete.truth.csv")).expect("a truth");
    for (printed, typed, open) in [
        (">=1.028", ">=1.028", None),
        ("1.028", "1.028", None),
        ("1.016", "1.016", Some("such as")),
    ] {
        let own = print.replace(">=1.028", printed);
        std::fs::write(&capture, &own).expect("ours");
        let truth = truth.replace(">=1.028", typed);
        folder.write(
            "own.truth.csv",
            &truth.replace(&digest(print.as_bytes()), &digest(own.as_bytes())),
        );
        let options = [&["--json", "prove", "--capture", &capture][..], &UNREAD[2..6]].concat();
        let done = run(&file, &options);
        let proof: Value = serde_json::from_slice(&done.stdout).expect("a document");
        let gaps = proof["not_proved"].as_array().expect("a list").iter();
        let gaps: Vec<&str> =
            gaps.filter(|gap| gap["id"] == "ends").map(|gap| text(&gap["text"])).collect();
        assert_eq!(gaps.is_empty(), open.is_none(), "{printed}: {gaps:?}");
        assert!(open.is_none_or(|words| gaps[0].contains(words)), "{gaps:?}");
        assert_eq!(done.status.code(), Some(i32::from(open.is_some())), "{printed}: {proof}");
    }
    let done = run(&file, &[&["prove", "--capture", &capture][..], &UNREAD[2..]].concat());
    assert_eq!(done.status.code(), Some(0), "accepted by name");
}

/// What stands behind a number and is not listed may be a class; nobody can know it from here.
#[test]
fn a_sign_behind_a_number_that_is_not_listed_is_a_gap() {
    let folder = Folder::new("prove-number");
    let text_of = config("two-column", "ten-pad", "conventional", "dir:out", "");
    let file = folder.write("w.toml", &text_of);
    let capture = folder.0.join("own.cap");
    let shipped = root("fixtures/listen/two-column/complete.cap");
    let print = std::fs::read_to_string(shipped).expect("a capture");
    std::fs::write(&capture, print.replace("No. 0042", "No. 0083Q")).expect("ours");
    let path = capture.to_string_lossy().into_owned();
    let proof = ask_unread(&file, &["--json", "prove", "--capture", &path]);
    let gaps = proof["not_proved"].as_array().expect("a list").iter();
    let own: Vec<&str> =
        gaps.filter(|gap| gap["id"] == "number-1").map(|gap| text(&gap["text"])).collect();
    assert!(own.len() == 1 && own[0].contains("`0083Q`"), "{own:?}");
    assert!(own[0].contains("[number] suffixes"), "{own:?}");
}

/// The document of a proof, whatever it comes to.
fn ask_unread(file: &Path, options: &[&str]) -> Value {
    serde_json::from_slice(&unread(file, options).stdout).expect("a document")
}

/// Signs behind a number are printed wherever the template has one: of each class, the only one or one of several.
#[test]
fn signs_behind_a_number_are_proved() {
    let folder = Folder::new("prove-behind");
    let shipped = std::fs::read_to_string(root("config/dialects/two-column.toml")).expect("a file");
    let suffixes = "suffixes = { \"E\" = \"urgent\", \"Q\" = \"control\", \"R\" = \"routine\" }";
    let dialect = shipped.replace("[header]", &format!("[number]\n{suffixes}\n[header]"));
    folder.write("own.toml", &dialect);
    let text_of = config("own.toml", "ten-pad", "conventional", "dir:out", "");
    let text_of = text_of.replace("stat_marks = [\"S\"]\n", "");
    let capture = root("fixtures/listen/two-column/complete.cap").to_string_lossy().into_owned();
    let proved = |text_of: &str| {
        let options = [&["--json", "prove", "--capture", &capture][..], &UNREAD[2..6]].concat();
        let done = run(&folder.write("w.toml", text_of), &options);
        let proof: Value = serde_json::from_slice(&done.stdout).expect("a document");
        let signs = proof["not_proved"].as_array().expect("a list").iter();
        let signs: Vec<String> = signs
            .filter(|gap| text(&gap["id"]).starts_with("sign-"))
            .map(|gap| text(&gap["text"]).to_owned())
            .collect();
        (proof, signs)
    };
    let (proof, signs) = proved(&text_of);
    assert_eq!(signs, Vec::<String>::new());
    let odd: Vec<_> = cases(&proof).iter().filter(|c| c["verdict"] == "differs").collect();
    assert!(odd.is_empty(), "{:?}", odd.first());
    let of = |class: &str, sign: &str| {
        let own =
            cases(&proof).iter().filter(|c| c["class"] == class && c["verdict"] == "as-expected");
        own.filter(|c| text(&c["case"]).ends_with(sign)).count()
    };
    // The only sign of urgent work goes through every case, a further one of the other classes through one.
    assert!(of("stat", "/stat") > 50);
    for (class, sign) in [("control", "Q"), ("routine", "R")] {
        assert_eq!(of(class, &format!(" by behind the number {sign}")), 1, "{class}");
    }
    // Where a print has no number, there is no place for them, nor for the marks of control material before one.
    folder.write("own.toml", &dialect.replace("No. {number}", "No. {any}"));
    let (_, signs) = proved(&text_of);
    assert_eq!(signs.len(), 4, "{signs:?}");
    assert!(signs[0].contains("by E behind the number"), "{signs:?}");
    // Marks before a number stand at one too: they are told, and no case that was to show one differs for it.
    let (proof, signs) =
        proved(&text_of.replace("[[analyzer]]\n", "[[analyzer]]\nstat_marks = [\"S\"]\n"));
    assert!(signs.iter().any(|s| s.contains("urgent work by S before the number")), "{signs:?}");
    let odd: Vec<_> = cases(&proof).iter().filter(|c| c["verdict"] == "differs").collect();
    assert!(odd.is_empty(), "{:?}", odd.first());
}
