//! Units against four UCUM implementations, factors against two molar-mass libraries, two UCUM
//! libraries and published tables. Versions stand in the head of each table.

use rust_decimal::Decimal;

use super::{KNOWN, Known, Property, TRAPS, fold};
use crate::codes::Analyte;
use crate::prints::table;

#[test]
fn every_unit_is_valid_for_all_four_readers_of_ucum() {
    let rows = table(include_str!("../../../../fixtures/normalize/ucum-validity.csv"));
    for known in KNOWN {
        let row = rows.iter().find(|r| r[0] == known.ucum).expect(known.ucum);
        for (column, verdict) in row.iter().enumerate().skip(1) {
            let builds = *verdict == "valid" || (known.ucum == "[pH]" && *verdict == "parses");
            assert!(builds, "{} column {column}: {verdict}", known.ucum);
        }
    }
}

#[test]
fn what_is_no_unit_of_ours_is_refused_with_its_meaning() {
    let rows = table(include_str!("../../../../fixtures/normalize/ucum-validity.csv"));
    for row in rows.iter().filter(|r| KNOWN.iter().all(|k| k.ucum != r[0])) {
        assert!(Known::find(row[0]).is_err(), "{}", row[0]);
    }
    assert!(Known::find("pH").expect_err("a trap").contains("picohenry"));
    assert!(Known::find("EU/dL").expect_err("a trap").contains("exa"));
    assert!(Known::find("furlong").expect_err("nothing").contains("mg/dL, g/dL"));
    for (trap, why) in TRAPS {
        assert!(KNOWN.iter().any(|k| why.contains(k.ucum)), "{trap}: {why}");
    }
}

#[test]
fn factors_agree_with_every_published_one() {
    // Libraries print 7 digits and abridge atomic weights; published tables round to 3 or 4.
    let tolerances = ["0.000002", "0.00003", "0.000002", "0.000002", "0.002"];
    for row in table(include_str!("../../../../fixtures/normalize/conversion.csv")) {
        let (from, to) = (Known::find(row[1]).expect(row[1]), Known::find(row[2]).expect(row[2]));
        let analyte = Analyte::find(row[0]).expect(row[0]);
        let ours = from.factor(to, analyte.molar_mass()).expect("a factor");
        for (theirs, tolerance) in row[3..].iter().zip(tolerances) {
            let theirs: Decimal = theirs.parse().expect("a decimal");
            let apart = ((ours - theirs) / ours).abs();
            let tolerance: Decimal = tolerance.parse().expect("a decimal");
            assert!(apart <= tolerance, "{} {}: {ours} and {theirs}", row[0], row[2]);
        }
    }
}

#[test]
fn nothing_converts_what_is_not_one_quantity() {
    let unit = |u| Known::find(u).expect(u);
    let glucose = Analyte::find("GLU").and_then(Analyte::molar_mass);
    assert_eq!(unit("mg/dL").factor(unit("{Ery}/uL"), glucose), None);
    assert_eq!(unit("mmol/L").factor(unit("[pH]"), glucose), None);
    assert_eq!(unit("mg/dL").factor(unit("mmol/L"), None), None, "protein has no molar mass");
}

#[test]
fn printed_units_are_told_apart_by_meaning_not_by_spelling() {
    let spelled = |ucum, text: &str| Known::find(ucum).expect(ucum).is_spelled(&fold(text));
    for text in ["Ery/uL", "RBC/uL", "/uL", "ery/µl", "RBC/μL", "cells/uL", "ERY / UL", "/mm3"] {
        assert!(spelled("{Ery}/uL", text), "{text}");
    }
    for text in ["10^6/L", "10*6/l", "x10^6/L", "×10^6/L", "Mio/L"] {
        assert!(spelled("10*6/L", text), "{text}");
    }
    for text in ["mg/dL", "MG/DL", "mg/dl", "mg/100mL", "mg%"] {
        assert!(spelled("mg/dL", text), "{text}");
    }
    for (ucum, text) in [
        ("mg/dL", "Mg/dL"),
        ("mmol/L", "Mmol/L"),
        ("mmol/L", "umol/L"),
        ("umol/L", "mmol/L"),
        ("{Ery}/uL", "Leu/uL"),
        ("{Ery}/uL", "10^6/L"),
        ("10*6/L", "/uL"),
        ("g/L", "g/dL"),
        ("mg/dL", ""),
    ] {
        assert!(!spelled(ucum, text), "{ucum} {text}");
    }
    assert!(spelled("umol/L", "µmol/L") && spelled("umol/L", "μmol/l") && spelled("[pH]", "pH"));
}

#[test]
fn a_spelling_names_one_unit_of_one_kind() {
    for known in KNOWN {
        for spelling in known.spellings {
            assert_eq!(*spelling, fold(spelling), "{}", known.ucum);
            let others = KNOWN.iter().filter(|k| k.is_spelled(spelling) && k.ucum != known.ucum);
            assert_eq!(others.count(), 0, "{spelling}");
        }
    }
    assert_eq!(Property::ALL.len(), 10);
}

/// Judged here and now by octofhir-ucum 0.9.2 (UCUM tables 2.2): every unit that can be sent is one,
/// and those that look right and are not are either refused or something else.
#[test]
fn an_independent_library_takes_every_unit() {
    for known in KNOWN {
        assert!(octofhir_ucum::validate(known.ucum).is_ok(), "{}", known.ucum);
    }
    for wrong in ["µmol/L", "Ery/uL", "mg/g creat", "E.U./dL"] {
        assert!(octofhir_ucum::validate(wrong).is_err(), "{wrong}");
    }
}
