//! Fourteen prints that differ in kind, each with its capture, its dialect and what a person read on the paper.

use std::process::Output;

use serde_json::Value;
use wickline_listen::dialect;
use wickline_listen::ear::hear;
use wickline_normalize::Strip;

use crate::kit::{Folder, run};
use crate::prove::{config, root, text};
use crate::sketch::{readings, typed};

/// Folder and name of the capture, its dialect, strip, and the units that it is printed in.
const PRINTS: [(&str, &str, &str, &str); 14] = [
    ("listen/two-column/complete", "two-column", "ten-pad", "conventional"),
    ("listen/three-field/abnormal", "three-field", "ten-pad", "si"),
    ("listen/ticket/abnormal", "ticket", "ten-pad", "conventional"),
    ("listen/wide-label/abnormal", "wide-label", "ten-pad", "conventional"),
    ("listen/guide/harbour", "listen/guide/harbour.toml", "ten-pad", "conventional"),
    ("prints/ardoise", "prints/ardoise.toml", "ten-pad", "conventional"),
    ("prints/banco", "prints/banco.toml", "prints/banco-strip.toml", "si"),
    ("prints/desk", "prints/desk.toml", "prints/desk-strip.toml", "conventional"),
    ("prints/hoja", "prints/hoja.toml", "prints/hoja-strip.toml", "conventional"),
    ("prints/pares", "prints/pares.toml", "ten-pad", "si"),
    ("prints/poste", "prints/poste.toml", "prints/poste-strip.toml", "si"),
    ("prints/scheda", "prints/scheda.toml", "prints/scheda-strip.toml", "conventional"),
    ("prints/stipple", "prints/stipple.toml", "prints/stipple-strip.toml", "conventional"),
    ("prints/tafel", "prints/tafel.toml", "prints/tafel-strip.toml", "si"),
];

/// The result before its label, and a number in brackets with words for an end of its ladder: each reading as typed.
#[test]
fn prints_that_took_notation_of_their_own_are_read_as_typed() {
    for name in ["poste", "stipple"] {
        let file = |end: &str| root(&format!("fixtures/prints/{name}{end}"));
        let text_of = |end: &str| std::fs::read_to_string(file(end)).expect("a file");
        let dialect = dialect::parse(&text_of(".toml"), name)
            .unwrap_or_else(|faults| panic!("{name}: {faults:?}"));
        let strip = Strip::parse(&text_of("-strip.toml"), name).expect("a good strip");
        let heard = hear(dialect.as_ref(), &std::fs::read(file(".cap")).expect("a capture"));
        let reports: Vec<_> = heard.iter().flat_map(|one| dialect.read(one)).collect();
        let doubts: Vec<_> = reports.iter().flat_map(|report| &report.doubts).collect();
        assert!(reports.len() == 4 && doubts.is_empty(), "{name}: {doubts:?}");
        let wanted = typed(&format!("fixtures/prints/{name}.truth.csv"));
        assert_eq!(readings(&reports, &strip), wanted, "{name}");
    }
}

/// What a command answers about a capture, with the files that are its own.
fn asked(command: &[&str], capture: &str, dialect: &str, strip: &str, units: &str) -> Output {
    let folder = Folder::new("prints");
    let fixture = |name: &str| root("fixtures").join(name).to_string_lossy().into_owned();
    let file = |name: &str| if name.contains('/') { fixture(name) } else { name.to_owned() };
    let text_of = config(&file(dialect), &file(strip), units, "dir:out", "");
    let path = folder.write("w.toml", &text_of);
    run(&path, &[&["--json"], command, &[&fixture(&format!("{capture}.cap"))]].concat())
}

/// Whatever a person typed from the paper is what is read, judged and sent.
#[test]
fn each_print_is_read_as_a_person_read_it() {
    for (capture, dialect, strip, units) in PRINTS {
        let done = asked(&["prove", "--capture"], capture, dialect, strip, units);
        let told = String::from_utf8_lossy(&done.stderr).into_owned();
        let proof: Value = serde_json::from_slice(&done.stdout)
            .unwrap_or_else(|e| panic!("{capture}: {e}: {told}"));
        let typed = proof["typed"].as_array().expect("what was typed");
        let differ: Vec<String> = typed
            .iter()
            .filter(|one| one["differs"] == true)
            .map(|one| {
                format!(
                    "{}: {} | {} | {}",
                    text(&one["label"]),
                    text(&one["typed"]),
                    text(&one["read"]),
                    text(&one["sent"])
                )
            })
            .collect();
        assert!(differ.is_empty(), "{capture}: {differ:#?}");
        let truth = std::fs::read_to_string(root("fixtures").join(format!("{capture}.truth.csv")))
            .expect("a truth");
        let readings = truth.lines().filter(|line| line.contains(",reading,")).count();
        assert!(typed.len() > readings, "{capture}: {} of {readings}", typed.len());
        if capture == "prints/poste" {
            // `1,004 ou moins` and `133 mmol/l ou plus`, typed with the signs that the insert has, show what the
            // dialect means by those words. Its one urgent strip is held for a pad that was not read.
            let open = proof["not_proved"].as_array().expect("a list").iter();
            assert_eq!(open.map(|gap| text(&gap["id"])).collect::<Vec<_>>(), ["truth-stat"]);
        }
    }
}

/// What `explain` calls printed stands so on the paper, letter by letter: with its comma, and with its words.
#[test]
fn what_is_explained_as_printed_stands_on_the_paper() {
    for (capture, dialect, strip, units) in PRINTS {
        let done = asked(&["explain"], capture, dialect, strip, units);
        let found: Value = serde_json::from_slice(&done.stdout).expect("an account");
        for report in found["reports"].as_array().expect("reports") {
            let lines = report["lines"].as_array().expect("lines").iter();
            let paper = lines.map(text).collect::<Vec<_>>().join("\n");
            for reading in report["readings"].as_array().expect("readings") {
                let printed = text(&reading["as_printed"]);
                let odd = printed.split(' ').find(|word| !paper.contains(word));
                assert_eq!(odd, None, "{capture}: {printed} in {paper}");
            }
        }
    }
}

/// Of control material the lot, and of every report who ran it, stand in its head, held or not.
#[test]
fn the_head_of_an_account_names_the_lot_and_the_operator() {
    let folder = Folder::new("prints");
    let fixture = |name: &str| root("fixtures/prints").join(name).to_string_lossy().into_owned();
    let print = std::fs::read(fixture("poste.cap")).expect("a capture");
    let print: String = print.into_iter().map(char::from).collect();
    // Its control material with a pad that was not read as well.
    let spoiled = print.replace(
        "NITR  n\u{e9}g                       | LEUC  n\u{e9}g\r\n",
        "NITR  n\u{e9}g                       | LEUC  illisible\r\n",
    );
    assert_ne!(spoiled, print);
    let text_of = config(&fixture("poste.toml"), &fixture("poste-strip.toml"), "si", "dir:out", "");
    let config = folder.write("w.toml", &text_of);
    for (print, state) in [(&print, "filed"), (&spoiled, "held")] {
        let path = folder.0.join("poste.cap");
        let bytes: Vec<u8> =
            print.chars().map(|c| u8::try_from(u32::from(c)).expect("a byte")).collect();
        std::fs::write(&path, bytes).expect("ours");
        let (path, page) = (path.to_string_lossy().into_owned(), folder.0.join("page.html"));
        let done = run(&config, &["--json", "explain", &path]);
        let found: Value = serde_json::from_slice(&done.stdout).expect("an account");
        let report = &found["reports"][2];
        assert_eq!(text(&report["state"]), state);
        assert_eq!((text(&report["control_lot"]), text(&report["operator"])), ("K120", "CD"));
        assert_eq!(found["reports"][0]["control_lot"], Value::Null);
        let end = &found["reports"][3]["readings"];
        let printed: Vec<&str> =
            end.as_array().expect("readings").iter().map(|one| text(&one["as_printed"])).collect();
        for wanted in
            ["GLUC 4+ 133 mmol/l ou plus !", "DENS 1,004 ou moins", "PROT traces 0,12 g/l"]
        {
            assert!(printed.contains(&wanted), "{wanted}: {printed:?}");
        }
        let shown = run(&config, &["explain", &path]);
        run(&config, &["explain", &path, "--html", &page.to_string_lossy()]);
        let page = std::fs::read_to_string(page).expect("a page");
        let page = page.split_whitespace().collect::<Vec<_>>().join(" ");
        for text in [String::from_utf8_lossy(&shown.stdout).into_owned(), page] {
            assert!(text.contains("control level 1 lot K120, specimen "), "{text}");
            assert!(
                text.contains(", operator CD, strip ") && text.contains("0,8 mmol/l"),
                "{text}"
            );
        }
    }
}
