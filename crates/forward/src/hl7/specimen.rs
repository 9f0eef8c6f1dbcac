//! What kind of urine a specimen is: SPM-4 from 2.5 on, OBR-15 before.

use std::str::FromStr;

/// A code of table 0487 with its text, and what table 0070 of 2.3.1 and 2.4 has for it: never more than is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Urine {
    code: &'static str,
    text: &'static str,
    old: [&'static str; 2],
}

const ANY: [&str; 2] = ["UR", "Urine"];
const CLEAN: [&str; 2] = ["URC", "Urine clean catch"];
const CATHETER: [&str; 2] = ["URT", "Urine catheter"];

/// In the order of an error. Codes: HL7 v2.5 table 0487.
const KINDS: [Urine; 9] = [
    Urine { code: "UR", text: "Urine", old: ANY },
    Urine { code: "URC", text: "Urine clean catch", old: CLEAN },
    Urine { code: "URT", text: "Urine catheter", old: CATHETER },
    Urine { code: "URINM", text: "Urine, Midstream", old: ANY },
    Urine { code: "URINC", text: "Urine, Catheterized", old: CATHETER },
    Urine { code: "RANDU", text: "Urine, Random", old: ANY },
    Urine { code: "URINP", text: "Urine, Pedibag", old: ANY },
    Urine { code: "URINN", text: "Urine, Nephrostomy", old: ANY },
    Urine { code: "USCOP", text: "Urine, Cystoscopy", old: ANY },
];

impl Default for Urine {
    fn default() -> Self {
        KINDS[0]
    }
}

impl Urine {
    /// SPM-4.
    pub(super) fn coded(self) -> String {
        format!("{}^{}^HL70487", self.code, self.text)
    }

    /// OBR-15: SPS.1 is a coded element, so that its parts are subcomponents.
    pub(super) fn source(self) -> String {
        let [code, text] = self.old;
        format!("{code}&{text}&HL70070")
    }
}

impl FromStr for Urine {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        KINDS.into_iter().find(|kind| kind.code == text).ok_or_else(|| {
            let codes = KINDS.map(|kind| kind.code).join(", ");
            format!("`{}` is no kind of urine; allowed: {codes}", text.escape_debug())
        })
    }
}
