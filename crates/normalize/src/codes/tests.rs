//! Codes against published check digits and names, and the wrong mappings that were met in public.

use super::{ANALYTES, Analyte, Property, Term, luhn, terms, verhoeff};
use crate::prints::table;
use crate::strip::Strip;
use crate::units::Known;

#[test]
fn every_loinc_code_has_its_check_digit() {
    assert_eq!(terms().len(), 92);
    for term in terms() {
        assert!(luhn(term.code), "{}", term.code);
    }
    for wrong in ["57020-7", "5792-8", "5792-77", "5792", "-7", "", "5a92-7", "12345678-1"] {
        assert!(!luhn(wrong), "{wrong}");
    }
}

#[test]
fn luhn_notices_any_single_wrong_digit() {
    for term in terms() {
        for (place, digit) in term.code.char_indices().filter(|(_, c)| c.is_ascii_digit()) {
            let next = char::from_digit((digit.to_digit(10).unwrap() + 1) % 10, 10).unwrap();
            let mut wrong = term.code.to_owned();
            wrong.replace_range(place..=place, &next.to_string());
            assert!(!luhn(&wrong), "{wrong}");
        }
    }
}

#[test]
fn every_snomed_id_has_its_check_digit_and_swaps_are_noticed() {
    let rows = table(include_str!("../../../../fixtures/normalize/snomed.csv"));
    assert!(rows.len() > 30);
    for row in rows {
        let id = row[0];
        assert!(verhoeff(id), "{id}");
        for place in 1..id.len() {
            let mut digits: Vec<u8> = id.bytes().collect();
            digits.swap(place - 1, place);
            let swapped = String::from_utf8(digits).expect("digits");
            assert!(swapped == id || !verhoeff(&swapped), "{swapped}");
        }
    }
    assert!(!verhoeff("26038500") && !verhoeff("x") && !verhoeff(""));
}

#[test]
fn the_wrong_mappings_of_public_code_are_refused() {
    for (analyte, property, code) in [
        ("GLU", Property::Presence, "5792-7"), // a mass concentration called presence
        ("KET", Property::Presence, "5797-6"),
        ("PRO", Property::Presence, "5804-0"),
        ("ACR", Property::MassRatio, "20621-9"), // a presence called mass ratio
        ("ASC", Property::Mass, "5778-6"),       // colour
        ("COL", Property::Nominal, "20627-6"),   // turbidity
        ("BIL", Property::Presence, "5802-4"),   // nitrite
        ("PCR", Property::MassRatio, "34366-5"), // ratio per mole called mass ratio
        ("GLU", Property::Moles, "5792-7"),      // mass called moles
        ("GLU", Property::Mass, "20406-5"),      // deprecated
        ("GLU", Property::Mass, "5792-8"),       // check digit
        ("ASC", Property::Mass, "5800-8"),       // lipids: not among urine strip codes
    ] {
        let term = Analyte::find(analyte).expect(analyte).term(code, property, false);
        assert!(term.is_err(), "{analyte} {code}");
    }
    let automated = Analyte::find("GLU").expect("GLU").term("5792-7", Property::Mass, true);
    assert!(automated.expect_err("by eye").contains("automated method"));
}

#[test]
fn analytes_stand_in_order_and_every_component_exists() {
    assert!(ANALYTES.windows(2).all(|w| w[0].id < w[1].id));
    for analyte in ANALYTES {
        for (property, component) in analyte.components {
            let exists = |t: &&Term| t.component == *component && t.property == property.loinc();
            assert!(terms().iter().any(|t| exists(&t)), "{} {component}", analyte.id);
        }
    }
}

/// A strip's codes are each held to their analyte: so no two pads of a strip, however it is written, share one.
#[test]
fn no_code_is_of_two_analytes() {
    for term in terms() {
        let takes = |analyte: &&Analyte| {
            let all = Property::ALL.iter().flat_map(|p| [(p.0, true), (p.0, false)]);
            all.into_iter().any(|(property, way)| analyte.term(term.code, property, way).is_ok())
        };
        let owners: Vec<&str> = ANALYTES.iter().filter(takes).map(|a| a.id).collect();
        assert!(owners.len() < 2, "{} is of {owners:?}", term.code);
        assert!(owners.is_empty() || !term.is_panel(), "{} is a panel", term.code);
    }
    assert_eq!(terms().iter().filter(|term| term.is_panel()).count(), 10);
}

/// Each code of the shipped strips was seen elsewhere, with a scale and a unit that fit where it stands.
#[test]
fn every_code_of_the_shipped_strips_has_a_second_source() {
    let rows = table(include_str!("../../../../fixtures/normalize/loinc-second.csv"));
    let mut units = 0;
    for strip in ["ten-pad", "eleven-pad", "twelve-pad", "fourteen-pad"] {
        let strip = Strip::builtin(strip).expect("built in");
        for pad in &strip.pads {
            let both = |(p, ..): &(Property, &str, &str)| {
                [true, false].map(|automated| (*p, pad.code(*p, automated)))
            };
            for (property, code) in Property::ALL.iter().flat_map(both) {
                let Some(code) = code else { continue };
                let row = rows.iter().find(|row| row[0] == code.code);
                let row = row.unwrap_or_else(|| panic!("{} {}", pad.id, code.code));
                assert!(!row[3].is_empty(), "{}: seen nowhere else", code.code);
                let scale = match property {
                    Property::Presence => "Ord",
                    Property::Nominal => "Nom",
                    _ => "Qn",
                };
                assert!(["", scale].contains(&row[1]), "{} {row:?}", pad.id);
                let measured = match row[2] {
                    "" => continue,
                    "/uL" => Property::Number,
                    // By what is excreted with it.
                    "ug/mg{creat}" | "mg/g{creat}" => Property::MassRatio,
                    "g/mmol{creat}" | "mg/mmol{creat}" => Property::Ratio,
                    unit => Known::find(unit).expect(unit).property,
                };
                assert_eq!(measured, property, "{} {row:?}", pad.id);
                units += 1;
            }
        }
    }
    assert!(units > 40, "{units} units were compared");
}
