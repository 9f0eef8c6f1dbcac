//! Hundreds of spoiled captures: the reader must never break, never drop a line, and never take
//! what it did not hear whole for a report without doubt.

mod spoil;
mod uart;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use wickline_listen::dialect::{self, Dialect};
use wickline_listen::ear::{Ear, Transmission};
use wickline_normalize::{PrintedReading, Report};

use spoil::{Spoiled, Way};
use uart::mode;

fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures/listen")
}

fn hear(dialect: &dyn Dialect, bytes: &[u8], flaws: &[usize]) -> Vec<Transmission> {
    let mut ear = Ear::new(dialect);
    ear.handle_input(0, bytes, 0, flaws);
    while let Some(deadline) = ear.poll_timeout() {
        ear.handle_timeout(deadline);
    }
    std::iter::from_fn(|| ear.poll_transmission()).collect()
}

/// The reports of a capture; every line heard stands in one of them, or said nothing.
fn read(spoiled: &Spoiled) -> Vec<Report> {
    let dialect = dialect::builtin(spoiled.dialect).expect("built in");
    let mut reports = Vec::new();
    for transmission in hear(dialect.as_ref(), &spoiled.bytes, &spoiled.flaws) {
        let read = dialect.read(&transmission);
        for line in transmission.lines.iter().filter(|_| !read.is_empty()) {
            let kept = |report: &Report| report.lines.iter().any(|kept| kept.place == line.place);
            assert!(read.iter().any(kept), "{}: a line is in no report", spoiled.name);
        }
        let parts = dialect.anatomy(&transmission);
        assert_eq!(parts.len(), transmission.lines.len(), "{}", spoiled.name);
        let odd = |line: &dialect::LineAnatomy| {
            line.parts.iter().any(|(_, what)| *what == "not understood")
        };
        let doubted = |report: &Report| !report.doubts.is_empty();
        assert!(!parts.iter().any(odd) || read.iter().any(doubted), "{}", spoiled.name);
        reports.extend(read);
    }
    reports
}

/// What a report says, wherever it stands on the tape.
fn said(report: &Report) -> impl PartialEq + std::fmt::Debug {
    let result = |reading: &PrintedReading| {
        let PrintedReading { label, parts, unit, mark, status, .. } = reading.clone();
        (label, parts, unit, mark, status)
    };
    let who = (report.number.clone(), report.specimen.clone(), report.taken, report.signs);
    (who, report.readings.iter().map(result).collect::<Vec<_>>())
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Outcome {
    /// Every report is as it was sent.
    Same,
    /// What is not as it was sent is doubted, or there is nothing.
    Doubted,
    /// Something else is said without a doubt: `judge` has to hold it, or it was said on the line.
    Differs,
}

fn outcome(sound: &[Report], found: &[Report]) -> Outcome {
    let sure = |report: &&Report| report.doubts.is_empty();
    let as_sent = |report: &&Report| sound.iter().any(|sent| said(sent) == said(report));
    if found.iter().filter(sure).any(|report| !as_sent(&report)) {
        Outcome::Differs
    } else if found.len() == sound.len() && found.iter().all(|report| as_sent(&report)) {
        Outcome::Same
    } else {
        Outcome::Doubted
    }
}

#[test]
fn spoiled_captures_are_read_as_sent_or_doubted_or_left_to_judge() {
    let dialects = dialect::builtin_names();
    let sound: BTreeMap<String, Vec<Report>> = spoil::captures(&fixtures(), dialects)
        .into_iter()
        .map(|(dialect, name, bytes)| {
            let spoiled = Spoiled {
                dialect,
                name: format!("{dialect}/{name}"),
                way: Way::Doubled,
                bytes,
                flaws: Vec::new(),
            };
            (spoiled.name.clone(), read(&spoiled))
        })
        .collect();
    let often = if std::env::var("WICKLINE_LONG").is_ok_and(|long| long == "1") { 200 } else { 3 };
    let corpus = spoil::corpus(&fixtures(), dialects, often, 0x5EED_2026);
    assert!(corpus.len() >= 300, "{} captures", corpus.len());
    let mut counts: BTreeMap<(Way, Outcome), usize> = BTreeMap::new();
    for spoiled in &corpus {
        let name = spoiled.name.split(' ').next().expect("a name");
        let found = read(spoiled);
        let outcome = outcome(&sound[name], &found);
        *counts.entry((spoiled.way, outcome)).or_default() += 1;
        let never = matches!(
            spoiled.way,
            Way::WrongSpeed | Way::WrongDialect | Way::Doubled | Way::CutInFront
        );
        // The end of a two-column print is only a pause: its last pads can be lost in silence.
        let cut = spoiled.way == Way::CutBehind;
        let ended = spoiled.dialect != "two-column";
        assert!(
            outcome != Outcome::Differs || !(never || cut && ended),
            "{}: {:?}\n{found:#?}",
            spoiled.name,
            String::from_utf8_lossy(&spoiled.bytes)
        );
    }
    println!("{counts:#?}");
    for way in spoil::WAYS {
        let of = |outcome| counts.get(&(*way, outcome)).copied().unwrap_or(0);
        assert!(of(Outcome::Same) + of(Outcome::Doubted) > 0, "{way:?}");
    }
}

#[test]
fn the_model_of_a_uart_agrees_with_another() {
    let table = std::fs::read_to_string(fixtures().join("uart.txt")).expect("the table");
    let mut rows = 0;
    for row in table.lines().filter(|row| !row.starts_with('#')) {
        let cells: Vec<&str> = row.split(" | ").collect();
        let [text, from, at, pause, wanted] = cells[..] else { panic!("five cells: {row}") };
        let pause = pause.parse().expect("bit times");
        let heard = uart::hear(&unescape(text), mode(from), mode(at), pause);
        let shown: Vec<String> = heard.iter().map(shown).collect();
        assert_eq!(shown.join(" "), wanted, "{row}");
        rows += 1;
    }
    assert!(rows >= 30, "{rows} rows");
}

fn shown(got: &uart::Sampled) -> String {
    let flag = |yes: bool, letter: &'static str| if yes { letter } else { "" };
    let flags = [flag(got.parity, "p"), flag(got.framing, "f"), flag(got.pause, "b")].concat();
    let dot = if flags.is_empty() { "" } else { "." };
    format!("{:02X}{dot}{flags}", got.byte)
}

fn unescape(text: &str) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut rest = text;
    while let Some(letter) = rest.chars().next() {
        let (byte, length) = match rest.get(..2) {
            Some(r"\r") => (b'\r', 2),
            Some(r"\n") => (b'\n', 2),
            Some(r"\x") => (u8::from_str_radix(&rest[2..4], 16).expect("hex"), 4),
            _ => (u8::try_from(letter).expect("ASCII"), 1),
        };
        bytes.push(byte);
        rest = &rest[length..];
    }
    bytes
}
