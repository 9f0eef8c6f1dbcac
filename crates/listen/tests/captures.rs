//! Every capture in `fixtures/listen` is read whole, byte by byte and in uneven pieces, and must
//! give what the file beside it says. `WICKLINE_BLESS=1` writes those files anew, for a person to
//! check.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use wickline_listen::dialect::{self, Dialect};
use wickline_listen::ear::{Ear, Transmission};
use wickline_normalize::Report;

fn captures(dialect: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures/listen").join(dialect);
    let entries = std::fs::read_dir(&folder).expect("the fixtures are there");
    let mut files: Vec<PathBuf> = entries
        .map(|entry| entry.expect("readable").path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "cap"))
        .collect();
    files.sort();
    assert!(files.len() >= 6, "{}: at least six captures", folder.display());
    files
}

/// Hears a capture in pieces of this size, then silence until nothing is expected any more.
fn hear(dialect: &dyn Dialect, bytes: &[u8], piece: usize) -> Vec<Transmission> {
    let mut ear = Ear::new(dialect);
    let mut at = 0;
    for piece in bytes.chunks(piece) {
        ear.handle_input(0, piece, at, &[]);
        at += piece.len() as u64;
    }
    while let Some(deadline) = ear.poll_timeout() {
        ear.handle_timeout(deadline);
    }
    let heard = std::iter::from_fn(|| ear.poll_transmission()).collect();
    assert!(ear.is_idle());
    heard
}

fn summary(report: &Report) -> String {
    let mut text = format!("report at {}..{}\n", report.place.from, report.place.to);
    let mut say = |name: &str, value: Option<&str>| {
        if let Some(value) = value {
            writeln!(text, "  {name}: {value}").expect("a string");
        }
    };
    say("number", report.number.as_deref());
    say("specimen", report.specimen.as_ref().map(|s| s.expose()));
    say("lot", report.control_lot.as_deref());
    say("strip", report.strip.as_deref());
    say("strip lot", report.strip_lot.as_deref());
    say("expiry", report.strip_expiry.map(|m| m.digits()).as_deref());
    say("sender", report.sender.as_deref());
    say("operator", report.operator.as_ref().map(|s| s.expose()));
    if let Some(patient) = &report.patient {
        let parts = [&patient.id, &patient.name, &patient.born, &patient.sex];
        let parts: Vec<&str> =
            parts.iter().map(|part| part.as_ref().map_or("-", |p| p.expose())).collect();
        say("patient", Some(&parts.join(" / ")));
    }
    say("collected", report.collected.map(|m| m.digits()).as_deref());
    say("taken", report.taken.map(|m| m.digits()).as_deref());
    let signs = format!("{:?}", report.signs);
    say("signs", (report.signs != wickline_normalize::Signs::default()).then_some(&*signs));
    for reading in &report.readings {
        let unit = reading.unit.as_deref().unwrap_or("-");
        let mark =
            reading.mark.as_ref().map_or(String::new(), |m| format!(" {} {:?}", m.text, m.meaning));
        let taken = reading.taken.map_or(String::new(), |m| format!(" at {}", m.digits()));
        let (label, parts, line) = (&reading.label, &reading.parts, reading.line);
        writeln!(text, "  {line}. {label} {parts:?} {unit}{mark} {:?}{taken}", reading.status)
            .expect("a string");
    }
    for comment in &report.comments {
        writeln!(text, "  comment: {}", comment.expose()).expect("a string");
    }
    for doubt in &report.doubts {
        let line = doubt.line.map_or(String::new(), |line| format!(" {line}."));
        writeln!(text, "  doubt{line} {}: {}", doubt.reason.code(), doubt.detail)
            .expect("a string");
    }
    writeln!(text, "  lines: {}", report.lines.len()).expect("a string");
    text
}

fn check(name: &str) {
    let dialect = dialect::builtin(name).expect("built in");
    for file in captures(name) {
        let bytes = std::fs::read(&file).expect("readable");
        let whole = hear(dialect.as_ref(), &bytes, bytes.len());
        for piece in [1, 7, 61] {
            assert_eq!(whole, hear(dialect.as_ref(), &bytes, piece), "{}", file.display());
        }
        let reports: Vec<Report> = whole.iter().flat_map(|t| dialect.read(t)).collect();
        for transmission in &whole {
            every_line_is_kept(dialect.as_ref(), transmission);
        }
        let found: String = reports.iter().map(summary).collect();
        let beside = file.with_extension("txt");
        if std::env::var("WICKLINE_BLESS").is_ok_and(|bless| bless == "1") {
            std::fs::write(&beside, &found).expect("writable");
        }
        let wanted = std::fs::read_to_string(&beside).expect("what must be read stands beside");
        assert_eq!(wanted, found, "{}", file.display());
    }
}

fn every_line_is_kept(dialect: &dyn Dialect, transmission: &Transmission) {
    let reports = dialect.read(transmission);
    assert!(!reports.is_empty(), "every capture's transmissions say something");
    for line in &transmission.lines {
        let kept = |report: &Report| report.lines.iter().any(|kept| kept.place == line.place);
        assert!(reports.iter().any(kept), "a line at {:?} is in no report", line.place);
    }
}

#[test]
fn captures_of_every_dialect_are_read_as_expected() {
    for name in dialect::builtin_names() {
        check(name);
    }
}
