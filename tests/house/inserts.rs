//! Strips written from an insert and the guide alone, by somebody else, against what the insert says: each table
//! below was written by hand from the insert beside the strip file.

use serde_json::Value;

use crate::kit::{Folder, ask, configuration};

fn root() -> std::path::PathBuf {
    std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// What one report of a capture sends, result by result: type, value, unit; conventional and SI.
type Sent<'a> = &'a [(&'a str, &'a str, &'a str, &'a str, &'a str)];

/// OBX-2, the first component of a grade or the whole number, and the unit.
fn results(report: &Value) -> Vec<(String, String, String)> {
    let message = report["message"].as_str().unwrap_or_else(|| panic!("{}", report["holds"]));
    let cut = |line: &str| {
        let cells: Vec<&str> = line.split('|').collect();
        let first = |n: usize| cells[n].split('^').next().unwrap_or("").to_owned();
        let value = if cells[2] == "SN" { cells[5].to_owned() } else { first(5) };
        (cells[2].to_owned(), value, first(6))
    };
    message.split('\r').filter(|l| l.starts_with("OBX|")).map(cut).collect()
}

fn explained(name: &str, dialect: &str, units: &str) -> Vec<Value> {
    let folder = Folder::new("inserts");
    let at = |file: &str| root().join("fixtures/inserts").join(file).display().to_string();
    let dialect = if dialect == "two-column" { dialect.to_owned() } else { at(dialect) };
    let more = format!("units = \"{units}\"");
    let text = configuration(
        "listen:127.0.0.1:0",
        &dialect,
        &at(&format!("{name}.toml")),
        "dir:out",
        &more,
    );
    let text = text.replace("control_marks", "controls = \"none\"\ncontrol_marks");
    let config = folder.write("wickline.toml", &text);
    let found = ask(&config, &["explain", &at(&format!("{name}.cap"))]);
    found["reports"].as_array().expect("reports").clone()
}

fn check(name: &str, dialect: &str, wanted: &[(usize, Sent<'_>)]) {
    for (place, units) in ["conventional", "si"].into_iter().enumerate() {
        let reports = explained(name, dialect, units);
        for (nth, rows) in wanted {
            let wanted: Vec<(String, String, String)> = rows
                .iter()
                .map(|(kind, value, unit, si, si_unit)| {
                    let own = if place == 0 { (value, unit) } else { (si, si_unit) };
                    ((*kind).to_owned(), (*own.0).to_owned(), (*own.1).to_owned())
                })
                .collect();
            assert_eq!(results(&reports[*nth]), wanted, "{name}, report {}, {units}", nth + 1);
        }
    }
}

/// Ranges, ratios that need not be printed, words instead of numbers; leukocytes, blood and protein have numbers
/// above negative and no grade.
#[test]
fn ranges_and_ratios() {
    let first: Sent = &[
        ("CE", "HIGH", "", "HIGH", ""),
        ("SN", ">^300", "mg/g", ">^30", "mg/mmol"),
        ("SN", ">=^14", "mg/dL", ">=^140", "mg/L"),
        ("SN", ">^150", "{Ery}/uL", ">^150", "10*6/L"),
        ("NM", "45", "mg/dL", "4", "mmol/L"),
        ("CE", "HIGH", "", "HIGH", ""),
        ("SN", "^21^-^60", "{Leu}/uL", "^21^-^60", "10*6/L"),
        ("CE", "ABNORMAL", "", "ABNORMAL", ""),
        ("SN", ">=^150", "mg/g", ">=^15", "mg/mmol"),
        ("NM", "8.2", "[pH]", "8.2", "[pH]"),
        ("NM", "110", "mg/dL", "1.1", "g/L"),
    ];
    check("harrow", "two-column", &[(0, first)]);
}

/// Halves and fifths, labels rounder than their conversion, a word of one pad alone.
#[test]
fn halves_and_labels_as_printed() {
    let second: Sent = &[
        ("CE", "1+", "", "1+", ""),
        ("NM", "1", "mg/dL", "16", "umol/L"),
        ("CE", "1.5+", "", "1.5+", ""),
        ("NM", "180", "mg/dL", "10", "mmol/L"),
        ("CE", "TR", "", "TR", ""),
        ("NM", "7", "mg/dL", "0.7", "mmol/L"),
        ("CE", "POS", "", "POS", ""),
        ("CE", "0.5+", "", "0.5+", ""),
        ("NM", "13", "mg/dL", "0.13", "g/L"),
        ("SN", "<=^1.003", "", "<=^1.003", ""),
    ];
    let third: Sent = &[
        ("CE", "1+", "", "1+", ""),
        ("NM", "1", "mg/dL", "16", "umol/L"),
        ("CE", "5+", "", "5+", ""),
        ("SN", ">=^2800", "mg/dL", ">=^160", "mmol/L"),
        ("CE", "3+", "", "3+", ""),
        ("SN", ">=^90", "mg/dL", ">=^8.8", "mmol/L"),
        ("CE", "POS", "", "POS", ""),
        ("CE", "4+", "", "4+", ""),
        ("SN", ">=^900", "mg/dL", ">=^9", "g/L"),
        ("SN", ">=^1.027", "", ">=^1.027", ""),
    ];
    check("quartzline", "two-column", &[(1, second), (2, third)]);
}

/// Another language, decimal commas, haemoglobin by mass, two traces of blood, two normal steps.
#[test]
fn two_traces_and_haemoglobin_by_mass() {
    let second: Sent = &[
        ("CE", "TR-INTACT", "", "TR-INTACT", ""),
        ("CE", "TR", "", "TR", ""),
        ("NM", "35", "mg/dL", "1.9", "mmol/L"),
        ("CE", "TR", "", "TR", ""),
        ("NM", "11", "{Leu}/uL", "11", "10*6/L"),
        ("CE", "POS", "", "POS", ""),
        ("NM", "6", "[pH]", "6", "[pH]"),
        ("CE", "TR", "", "TR", ""),
        ("NM", "11", "mg/dL", "0.11", "g/L"),
        ("CE", "NORM", "", "NORM", ""),
        ("NM", "0.4", "mg/dL", "7", "umol/L"),
    ];
    let third: Sent = &[
        ("CE", "TR-LYSED", "", "TR-LYSED", ""),
        ("NM", "0.02", "mg/dL", "0.2", "mg/L"),
        ("CE", "4+", "", "4+", ""),
        ("SN", ">=^900", "mg/dL", ">=^50", "mmol/L"),
        ("CE", "3+", "", "3+", ""),
        ("SN", ">=^380", "{Leu}/uL", ">=^380", "10*6/L"),
        ("CE", "POS", "", "POS", ""),
        ("NM", "7.5", "[pH]", "7.5", "[pH]"),
        ("CE", "3+", "", "3+", ""),
        ("SN", ">=^310", "mg/dL", ">=^3.1", "g/L"),
        ("CE", "3+", "", "3+", ""),
        ("SN", ">=^9", "mg/dL", ">=^150", "umol/L"),
    ];
    check("mareflora", "mareflora-dialect.toml", &[(1, second), (2, third)]);
}
