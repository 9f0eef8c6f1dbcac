//! Fourteen prints that differ in kind, each with its capture, its dialect and what a person read on the paper.

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

/// Whatever a person typed from the paper is what is read, judged and sent.
#[test]
fn each_print_is_read_as_a_person_read_it() {
    for (capture, dialect, strip, units) in PRINTS {
        let folder = Folder::new("prints");
        let fixture = |name: &str| root("fixtures").join(name).to_string_lossy().into_owned();
        let file = |name: &str| if name.contains('/') { fixture(name) } else { name.to_owned() };
        let text_of = config(&file(dialect), &file(strip), units, "dir:out", "");
        let path = folder.write("w.toml", &text_of);
        let done =
            run(&path, &["--json", "prove", "--capture", &fixture(&format!("{capture}.cap"))]);
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
    }
}

/// `1,004 ou moins` and `133 mmol/l ou plus`, typed with the signs that the insert has, show what the dialect means by
/// those words.
#[test]
fn words_behind_a_number_are_shown_by_what_was_typed() {
    let folder = Folder::new("prints");
    let fixture = |name: &str| root("fixtures/prints").join(name).to_string_lossy().into_owned();
    let text_of = config(&fixture("poste.toml"), &fixture("poste-strip.toml"), "si", "dir:out", "");
    let path = folder.write("w.toml", &text_of);
    let done = run(&path, &["--json", "prove", "--capture", &fixture("poste.cap")]);
    let proof: Value = serde_json::from_slice(&done.stdout).expect("a proof");
    let open: Vec<&str> = proof["not_proved"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|gap| text(&gap["id"]))
        .collect();
    // Its one urgent strip is held for a pad that was not read.
    assert_eq!(open, ["truth-stat"]);
}
