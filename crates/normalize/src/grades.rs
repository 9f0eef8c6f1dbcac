//! Grades: the arbitrary steps of a pad, their order, and their names outside this house.
//!
//! A grade is an ordinal word and never a number: ranks say only which of two is higher on one ladder. Codes are
//! our own (HL7 has no table of strip grades); SNOMED CT names stand beside them for receivers that want them.

use crate::observation::{Code, CodeSystem};

/// A grade of our own table.
#[derive(Debug, PartialEq, Eq)]
pub struct Grade {
    /// As sent, in our local table.
    pub code: &'static str,
    /// For people.
    pub text: &'static str,
    /// Order on a ladder: only smaller, equal and larger mean anything.
    pub rank: u8,
}

/// Every grade that has its place on any ladder; a strip may name more, each in the order of its ladder.
/// NEG and NORM both stand lowest and are never each other.
pub const GRADES: &[Grade] = &[
    Grade { code: "NEG", text: "Negative", rank: 0 },
    Grade { code: "NORM", text: "Normal", rank: 0 },
    Grade { code: "TR", text: "Trace", rank: 1 },
    Grade { code: "0.5+", text: "0.5+", rank: 2 },
    Grade { code: "1+", text: "1+", rank: 3 },
    Grade { code: "POS", text: "Positive", rank: 3 },
    Grade { code: "2+", text: "2+", rank: 4 },
    Grade { code: "3+", text: "3+", rank: 5 },
    Grade { code: "4+", text: "4+", rank: 6 },
    Grade { code: "5+", text: "5+", rank: 7 },
];

impl Grade {
    /// Finds a grade by its code.
    #[must_use]
    pub fn find(code: &str) -> Option<&'static Grade> {
        GRADES.iter().find(|g| g.code == code)
    }
}

/// True for what can be a grade's code: one of the table, or one that a strip names itself.
#[must_use]
pub fn is_grade(code: &str) -> bool {
    let plain = |b: u8| b.is_ascii_uppercase() || b.is_ascii_digit() || b"-+.".contains(&b);
    // Without either it would be a number.
    let named = code.bytes().any(|b| b.is_ascii_uppercase() || b == b'+');
    (1..=20).contains(&code.len()) && code.bytes().all(plain) && named
}

/// SNOMED CT ids by grade and by the number of plus steps of the ladder (0: any). Check digits are
/// tested; sources: US Core urinalysis examples; German, Swiss, Italian and Belgian laboratory
/// guides.
pub const SNOMED: &[(&str, usize, &str, &str)] = &[
    ("NEG", 0, "260385009", "Negative"),
    ("NORM", 0, "17621005", "Normal"),
    ("TR", 0, "260405006", "Trace"),
    ("POS", 0, "10828004", "Positive"),
    ("1+", 2, "1345200000", "Present + out of ++"),
    ("2+", 2, "1345201001", "Present ++ out of ++"),
    ("1+", 3, "441614007", "Present one plus out of three plus"),
    ("2+", 3, "441517005", "Present two plus out of three plus"),
    ("3+", 3, "441521003", "Present three plus out of three plus"),
    ("1+", 4, "260347006", "Present + out of ++++"),
    ("2+", 4, "260348001", "Present ++ out of ++++"),
    ("3+", 4, "260349009", "Present +++ out of ++++"),
    ("4+", 4, "260350009", "Present ++++ out of ++++"),
    ("YELLOW", 0, "371244009", "Yellow"),
    ("CLOUDY", 0, "81858005", "Cloudy"),
];

/// The SNOMED CT name of a grade on a ladder with so many plus steps, where there is one.
#[must_use]
pub fn snomed(grade: &str, steps: usize) -> Option<Code> {
    let fits = |row: &&(&str, usize, &str, &str)| row.0 == grade && (row.1 == 0 || row.1 == steps);
    SNOMED.iter().find(fits).map(|(_, _, id, text)| Code {
        code: (*id).into(),
        text: (*text).into(),
        system: CodeSystem::SnomedCt,
    })
}

#[cfg(test)]
mod tests {
    use super::{SNOMED, snomed};
    use crate::codes::verhoeff;

    #[test]
    fn every_snomed_id_has_its_check_digit() {
        for (grade, _, id, _) in SNOMED {
            assert!(verhoeff(id), "{grade} {id}");
        }
    }

    #[test]
    fn plus_steps_come_from_one_family() {
        assert_eq!(snomed("1+", 3).map(|c| c.code).as_deref(), Some("441614007"));
        assert_eq!(snomed("1+", 4).map(|c| c.code).as_deref(), Some("260347006"));
        assert_eq!(snomed("4+", 3), None);
        assert_eq!(snomed("1+", 1), None);
    }
}
