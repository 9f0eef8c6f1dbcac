//! `sketch`: dialect and strip drafted from captures alone, held against what a person reads on each print.

use std::collections::BTreeMap;

use wickline::sketch::{Capture, Draft, sketch};
use wickline_listen::dialect;
use wickline_listen::ear::hear;
use wickline_normalize::{Figure, Report, Status, Strip};

use crate::prove::root;

/// Report and analyte; grade, number, unit, mark as printed, a pad that was not read as `not read`.
type Readings = BTreeMap<(usize, String), [String; 4]>;

fn bytes(path: &str) -> Vec<u8> {
    std::fs::read(root(path)).expect(path)
}

/// What these reports say, by the labels of a strip.
fn readings(reports: &[Report], strip: &Strip) -> Readings {
    let mut found = Readings::new();
    let with = reports.iter().filter(|report| !report.readings.is_empty());
    for (n, report) in with.enumerate() {
        for reading in &report.readings {
            let pad = strip.pad_of(&reading.label).map(|at| strip.pads[at].id.clone());
            let number = reading.parts.iter().find(|part| Figure::read(part).is_some());
            let grade = reading.parts.iter().find(|part| Figure::read(part).is_none());
            let read = reading.status != Status::Unread;
            let grade =
                if read { grade.cloned().unwrap_or_default() } else { "not read".to_owned() };
            let mark = reading.mark.as_ref().map(|mark| mark.text.clone()).unwrap_or_default();
            let said = [
                grade,
                number.cloned().unwrap_or_default(),
                reading.unit.clone().unwrap_or_default(),
                mark,
            ];
            found.insert((n + 1, pad.unwrap_or_else(|| format!("? {}", reading.label))), said);
        }
    }
    found
}

/// What a draft reads in captures.
fn drafted(draft: &Draft, captures: &[Vec<u8>]) -> Readings {
    let dialect = dialect::parse(&draft.dialect, "draft")
        .unwrap_or_else(|e| panic!("{e:?}\n{}", draft.dialect));
    let strip =
        Strip::parse(&draft.strip, "draft").unwrap_or_else(|e| panic!("{e:?}\n{}", draft.strip));
    let heard = captures.iter().flat_map(|bytes| hear(dialect.as_ref(), bytes));
    readings(&heard.flat_map(|one| dialect.read(&one)).collect::<Vec<_>>(), &strip)
}

/// What a person typed.
fn typed(path: &str) -> Readings {
    let text = String::from_utf8(bytes(path)).expect("UTF-8");
    text.lines()
        .skip(1)
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            let said = [cells[2], cells[3], cells[4], cells[5]].map(str::to_owned);
            ((cells[0].parse().expect("a report"), cells[1].to_owned()), said)
        })
        .collect()
}

fn draft(captures: &[Vec<u8>]) -> Draft {
    let captures: Vec<Capture<'_>> =
        captures.iter().map(|bytes| Capture { name: "x.cap", bytes }).collect();
    sketch("draft", &captures).expect("a draft")
}

/// How many of the readings are right, and every other one.
fn held_against(found: &Readings, wanted: &Readings) -> (usize, Vec<String>) {
    let right = wanted.iter().filter(|(key, said)| found.get(key) == Some(said)).count();
    let lacking = wanted.iter().filter(|(key, said)| found.get(key) != Some(said));
    let mut wrong: Vec<String> =
        lacking.map(|(key, said)| format!("{key:?} {said:?} read {:?}", found.get(key))).collect();
    wrong.extend(
        found
            .iter()
            .filter(|(key, _)| !wanted.contains_key(*key))
            .map(|(key, said)| format!("{key:?} {said:?} is none")),
    );
    (right, wrong)
}

/// Nine of ten at least, and none of them read otherwise than it is printed.
fn demand(name: &str, found: &Readings, wanted: &Readings) {
    let (right, wrong) = held_against(found, wanted);
    let other: Vec<&String> = wrong.iter().filter(|one| !one.ends_with("read None")).collect();
    assert!(right * 10 >= wanted.len() * 9, "{name}: {right} of {}: {wrong:#?}", wanted.len());
    assert!(other.is_empty(), "{name}: {other:#?}");
}

#[test]
fn five_unknown_prints_in_five_languages() {
    for name in ["ardoise", "hoja", "pares", "scheda", "tafel"] {
        let captures = [bytes(&format!("fixtures/sketch/{name}.cap"))];
        let draft = draft(&captures);
        demand(name, &drafted(&draft, &captures), &typed(&format!("fixtures/sketch/{name}.csv")));
    }
}

/// The drafts know nothing of the shipped files: what those read is what a person wrote down of the print.
#[test]
fn the_shipped_prints_without_their_files() {
    let whole = ["normal", "abnormal", "control", "urgent-and-off", "urgent-and-blank"];
    for name in ["two-column", "three-field", "wide-label", "ticket"] {
        let folder = format!("fixtures/listen/{name}");
        let there = whole
            .iter()
            .map(|print| format!("{folder}/{print}.cap"))
            .filter(|path| root(path).exists());
        let captures: Vec<Vec<u8>> = there.map(|path| bytes(&path)).collect();
        let own = dialect::builtin(name).expect("shipped");
        let heard = captures.iter().flat_map(|bytes| hear(own.as_ref(), bytes));
        let reports: Vec<Report> = heard.flat_map(|one| own.read(&one)).collect();
        let wanted = readings(&reports, &Strip::builtin("fourteen-pad").expect("shipped"));
        demand(name, &drafted(&draft(&captures), &captures), &wanted);
    }
}
