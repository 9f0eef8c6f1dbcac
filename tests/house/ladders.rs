//! Our own ladders: no capture and no guide of the project prints a number that the shipped strips do not have.

use std::path::{Path, PathBuf};

use wickline_listen::dialect::{self, Dialect};
use wickline_listen::ear::Ear;
use wickline_normalize::strip::Strip;
use wickline_normalize::units::Units;
use wickline_normalize::{Figure, Text};

/// What is off the ladder on purpose, to show what becomes of it: a number between two rungs, a range, and
/// numbers with a comma that their dialect does not read.
const ON_PURPOSE: &[(&str, &str, &str)] = &[
    ("two-column/abnormal.cap", "LEU", "18"),
    ("three-field/spoiled.cap", "LEU", "10-25"),
    ("three-field/spoiled.cap", "SG", "1,012"),
    ("three-field/spoiled.cap", "PRO", "1,2"),
];

fn root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").join(path)
}

/// The captures below a folder, by name.
fn captures(folder: &str) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(root("fixtures/listen").join(folder)).expect("a folder");
    let mut all: Vec<PathBuf> = entries.map(|e| e.expect("an entry").path()).collect();
    all.retain(|path| path.extension().is_some_and(|e| e == "cap"));
    all.sort();
    all
}

/// Every number that a capture prints, with its label.
fn numbers(dialect: &dyn Dialect, file: &Path) -> Vec<(Text, Text)> {
    let mut ear = Ear::new(dialect);
    ear.handle_input(0, &std::fs::read(file).expect("a capture"), 0, &[]);
    while let Some(deadline) = ear.poll_timeout() {
        ear.handle_timeout(deadline);
    }
    let heard = std::iter::from_fn(|| ear.poll_transmission()).collect::<Vec<_>>();
    let readings = heard.iter().flat_map(|t| dialect.read(t)).flat_map(|r| r.readings);
    let digits = |part: &Text| part.bytes().any(|b| b.is_ascii_digit()) && !part.ends_with('+');
    readings
        .flat_map(|r| r.parts.into_iter().filter(digits).map(move |part| (r.label.clone(), part)))
        .collect()
}

#[test]
fn no_capture_prints_a_number_that_our_strips_do_not_have() {
    let strip = Strip::builtin("fourteen-pad").expect("built in");
    let guide =
        std::fs::read_to_string(root("fixtures/listen/guide/harbour.toml")).expect("a file");
    let guide = dialect::parse(&guide, "harbour.toml").expect("the guide's dialect");
    let mut seen = 0;
    let mut odd = Vec::new();
    for name in dialect::builtin_names().iter().copied().chain(["guide"]) {
        let dialect = dialect::builtin(name);
        let dialect: &dyn Dialect = dialect.as_deref().unwrap_or(guide.as_ref());
        for file in captures(name) {
            for (label, number) in numbers(dialect, &file) {
                let Some(pad) = strip.pad_of(&label) else { continue };
                let figure = Figure::read(&number);
                let on = |units| {
                    figure
                        .as_ref()
                        .is_some_and(|f| !strip.pads[pad].rungs_meant(f, units).is_empty())
                };
                seen += 1;
                let known = ON_PURPOSE.iter().any(|(of, label_of, text)| {
                    file.ends_with(of) && *label_of == label && *text == number
                });
                if !known && !on(Units::Conventional) && !on(Units::Si) {
                    odd.push(format!("{}: {label} {number}", file.display()));
                }
            }
        }
    }
    assert!(seen > 120, "{seen}");
    assert_eq!(odd, Vec::<String>::new());
}
