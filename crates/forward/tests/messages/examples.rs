//! Kept examples, byte for byte. `WICKLINE_BLESS=1` writes them anew, to be looked at.

use std::fs;
use std::path::Path;

use wickline_forward::{Charset, Layout, Outgoing, Version, result_message};
use wickline_normalize::{Comparator, Patient, Private};

use crate::sample::{
    Sample, acidity, ascorbate, changed, glucose, glucose_grade, gravity, layout, level_one,
    moment, remark, unread, unread_number,
};

pub const VERSIONS: [Version; 4] = [Version::V231, Version::V24, Version::V25, Version::V251];

pub fn routine() -> Sample {
    Sample::new(vec![
        ascorbate(),
        glucose_grade(),
        glucose(None, "400"),
        acidity(),
        gravity(None, "1.020"),
    ])
}

pub fn named(operator: &str) -> Sample {
    let patient = Patient {
        id: Some(Private::new("H004417")),
        name: Some(Private::new("Blåskjell^Åse")),
        born: Some(Private::new("19580206")),
        sex: Some(Private::new("F")),
    };
    let remarks = vec![remark("Re-read by J. Mast & Co.\nSecond strip | same lot")];
    let operator = Some(Private::new(operator));
    Sample { patient: Some(patient), operator, remarks, ..routine() }
}

fn ends() -> Sample {
    Sample::new(vec![
        glucose(Some(Comparator::AtLeast), "2400"),
        gravity(Some(Comparator::AtMost), "1.004"),
    ])
}

fn kept(name: &str, version: Version, out: &Outgoing<'_>) {
    kept_as(name, &layout(version), out);
}

pub fn kept_as(name: &str, layout: &Layout, out: &Outgoing<'_>) {
    kept_bytes(name, layout, &result_message(layout, out).expect("a message"));
}

pub fn kept_bytes(name: &str, layout: &Layout, bytes: &[u8]) {
    // On disk a segment is a line, so that a difference can be read.
    let lines: Vec<u8> = bytes.iter().map(|b| if *b == b'\r' { b'\n' } else { *b }).collect();
    let file = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../fixtures/forward")
        .join(format!("{name}-{}.hl7", layout.version.text().replace('.', "")));
    if std::env::var("WICKLINE_BLESS").is_ok_and(|bless| bless == "1") {
        fs::write(&file, &lines).expect("the folder is there");
    }
    let kept = fs::read(&file).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    assert_eq!(
        String::from_utf8_lossy(&lines),
        String::from_utf8_lossy(&kept),
        "{} differs; WICKLINE_BLESS=1 writes it anew",
        file.display()
    );
    assert_eq!(lines, kept, "{} differs in its character set", file.display());
}

#[test]
fn routine_urgent_and_collected() {
    let sample = routine();
    for version in VERSIONS {
        kept("routine", version, &sample.outgoing());
        kept("urgent", version, &Outgoing { stat: true, ..sample.outgoing() });
    }
    let collected = Some(moment("202603140855+0100"));
    kept("collected", Version::V251, &Outgoing { collected, ..sample.outgoing() });
}

#[test]
fn unread_pads_and_the_ends_of_ladders() {
    let with_unread = Sample::new(vec![glucose_grade(), unread(), unread_number()]);
    for version in VERSIONS {
        kept("unread", version, &with_unread.outgoing());
        kept("ends", version, &ends().outgoing());
    }
}

#[test]
fn patients_in_either_character_set() {
    let sample = named("Zoë");
    for version in VERSIONS {
        let with = |charset| changed(version, |l| l.charset = charset);
        kept_as("patient-utf8", &with(Charset::Utf8), &sample.outgoing());
        kept_as("patient-latin1", &with(Charset::Latin1), &sample.outgoing());
    }
}

#[test]
fn control_material() {
    let sample = routine();
    for version in [Version::V24, Version::V25, Version::V251] {
        kept("control", version, &Outgoing { control: Some(level_one()), ..sample.outgoing() });
    }
}
