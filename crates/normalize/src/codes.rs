//! Codes: the LOINC terms a strip may use, which analyte each belongs to, and check digits.
//!
//! The table of terms is `codes/loinc.csv`, cut from LOINC for the pads that strips have; its head carries the
//! notice that LOINC's licence asks for. A strip file names codes; this module says whether a code may stand
//! for what the strip says it does, so that a code for one property never carries another's number.

use std::sync::OnceLock;

use rust_decimal::Decimal;

use crate::observation::{Code, CodeSystem};
use crate::units::Property;

/// One row of the embedded table.
#[derive(Debug, PartialEq, Eq)]
pub struct Term {
    /// `5792-7`: digits, a hyphen, the check digit.
    pub code: &'static str,
    /// LOINC's long common name.
    pub name: &'static str,
    /// LOINC's axis of what is measured.
    pub component: &'static str,
    /// LOINC's axis of the kind of quantity: `MCnc`, `SCnc`, `PrThr` and others ([`Property::loinc`]).
    pub property: &'static str,
    /// `Qn`, `Ord` or `Nom`.
    pub scale: &'static str,
    /// `Test strip` or `Test strip.automated`.
    pub method: &'static str,
    /// `active`, or what else LOINC says of it; a deprecated one is refused.
    pub status: &'static str,
}

impl Term {
    /// The row of a code.
    #[must_use]
    pub fn find(code: &str) -> Option<&'static Term> {
        terms().iter().find(|t| t.code == code)
    }

    /// True for results that a device read.
    #[must_use]
    pub fn is_automated(&self) -> bool {
        self.method.to_ascii_lowercase().contains("automated")
    }

    /// True for the name of several results together: it has neither a property nor a scale.
    #[must_use]
    pub fn is_panel(&self) -> bool {
        self.property.is_empty() && self.component.ends_with("panel")
    }

    /// As it goes into an observation.
    #[must_use]
    pub fn code(&self) -> Code {
        Code { code: self.code.into(), text: self.name.into(), system: CodeSystem::Loinc }
    }
}

/// The embedded table, LOINC's notice at its head.
///
/// Read once; a row that has not all its cells would be left out, and a test counts them.
pub fn terms() -> &'static [Term] {
    static TERMS: OnceLock<Vec<Term>> = OnceLock::new();
    TERMS.get_or_init(|| {
        let rows = include_str!("codes/loinc.csv").lines().filter(|line| !line.starts_with('#'));
        rows.skip(1).filter_map(row).collect()
    })
}

fn row(line: &'static str) -> Option<Term> {
    let mut cells = line.split(',');
    let mut next = || cells.next();
    Some(Term {
        code: next()?,
        name: next()?,
        component: next()?,
        property: next()?,
        scale: next()?,
        method: next()?,
        status: next()?,
    })
}

/// What is known of an analyte: which components its codes may name for which property, and the
/// molar mass that turns its mass into moles.
#[derive(Debug)]
pub struct Analyte {
    /// In capitals, as strip files, configurations and messages name it: `GLU`.
    pub id: &'static str,
    components: &'static [(Property, &'static str)],
    molar_mass: Option<&'static str>,
}

use Property::{Mass, MassRatio, Moles, Nominal, Number, Presence, Ratio};

/// Every analyte that a strip can have. Molar masses in g/mol: molmass 2026.1.8 (periodictable
/// 2.1.0 differs by 0.0017 % at most); ketones as acetoacetic acid, urobilinogen as C33H42N4O6,
/// ratios by their creatinine.
pub const ANALYTES: &[Analyte] = &[
    analyte(
        "ACR",
        &[
            (Presence, "Albumin/Creatinine"),
            (MassRatio, "Albumin/Creatinine"),
            (Ratio, "Albumin/Creatinine"),
        ],
        Some("113.1181"),
    ),
    analyte("ALB", &[(Presence, "Albumin"), (Mass, "Albumin")], None),
    analyte("ASC", &[(Mass, "Ascorbate")], Some("176.1244")),
    analyte(
        "BIL",
        &[(Presence, "Bilirubin"), (Mass, "Bilirubin"), (Moles, "Bilirubin")],
        Some("584.6635"),
    ),
    analyte(
        "BLD",
        &[(Presence, "Hemoglobin"), (Mass, "Hemoglobin"), (Number, "Erythrocytes")],
        None,
    ),
    analyte("CA", &[(Presence, "Calcium"), (Mass, "Calcium"), (Moles, "Calcium")], Some("40.0780")),
    analyte("CLA", &[(Nominal, "Clarity")], None),
    analyte("COL", &[(Nominal, "Color")], None),
    analyte("CRE", &[(Mass, "Creatinine"), (Moles, "Creatinine")], Some("113.1181")),
    analyte(
        "GLU",
        &[(Presence, "Glucose"), (Mass, "Glucose"), (Moles, "Glucose")],
        Some("180.1562"),
    ),
    analyte(
        "KET",
        &[(Presence, "Ketones"), (Mass, "Ketones"), (Moles, "Ketones")],
        Some("102.0888"),
    ),
    analyte("LEU", &[(Presence, "Leukocyte esterase"), (Number, "Leukocytes")], None),
    analyte("NIT", &[(Presence, "Nitrite"), (Mass, "Nitrite")], None),
    analyte(
        "PCR",
        &[
            (Presence, "Protein/Creatinine"),
            (MassRatio, "Protein/Creatinine"),
            (Ratio, "Protein/Creatinine"),
        ],
        Some("113.1181"),
    ),
    analyte("PH", &[(Property::Ph, "pH")], None),
    analyte("PRO", &[(Presence, "Protein"), (Mass, "Protein")], None),
    analyte("SG", &[(Property::Density, "Specific gravity")], None),
    analyte(
        "URO",
        &[
            (Presence, "Urobilinogen"),
            (Mass, "Urobilinogen"),
            (Moles, "Urobilinogen"),
            (Property::Units, "Urobilinogen"),
        ],
        Some("590.7112"),
    ),
];

const fn analyte(
    id: &'static str,
    components: &'static [(Property, &'static str)],
    molar_mass: Option<&'static str>,
) -> Analyte {
    Analyte { id, components, molar_mass }
}

impl Analyte {
    /// Finds an analyte by its id, in capitals.
    #[must_use]
    pub fn find(id: &str) -> Option<&'static Analyte> {
        ANALYTES.iter().find(|a| a.id == id)
    }

    /// The pads that a ratio is calculated from: above the line and below it.
    #[must_use]
    pub fn ratio(&self) -> Option<(&'static str, &'static str)> {
        match self.id {
            "ACR" => Some(("ALB", "CRE")),
            "PCR" => Some(("PRO", "CRE")),
            _ => None,
        }
    }

    /// In g/mol.
    ///
    /// None where no strip turns its mass into moles.
    #[must_use]
    pub fn molar_mass(&self) -> Option<Decimal> {
        self.molar_mass.and_then(|mass| Decimal::from_str_exact(mass).ok())
    }

    /// The term for a property of this analyte, or why this code must not be used for it.
    ///
    /// Refused are a wrong check digit, a code that is not in the table, one that LOINC has deprecated,
    /// one of another component, property or scale, and one by eye where a device read it (or the other
    /// way round); a code without a method is true of both. The error says what is allowed, in words
    /// that go on from "allowed:".
    pub fn term(
        &self,
        code: &str,
        property: Property,
        automated: bool,
    ) -> Result<&'static Term, String> {
        if !luhn(code) {
            return Err("a LOINC code; the check digit of this one is wrong".into());
        }
        let Some(term) = Term::find(code) else {
            return Err(
                "a LOINC code for urine strips that is known here; without one, leave the key out \
                        and our local code is sent"
                    .into(),
            );
        };
        if term.status == "deprecated" {
            return Err(format!("a code in force; this one is deprecated ({})", term.name));
        }
        let meant = self.components.iter().find(|(p, _)| *p == property).map(|(_, c)| *c);
        let scale = match property {
            Presence => "Ord",
            Nominal => "Nom",
            _ => "Qn",
        };
        let fits = Some(term.component) == meant
            && term.property == property.loinc()
            && term.scale == scale;
        if !fits {
            let component = meant.unwrap_or("nothing known here");
            return Err(format!(
                "a code of component {component}, property {}, scale {scale}; this one is \"{}\"",
                property.loinc(),
                term.name
            ));
        }
        let without_method = term.method.is_empty();
        if automated != term.is_automated() && !(automated && without_method) {
            let method = if automated { "an automated method" } else { "a method by eye" };
            return Err(format!("a code with {method}; this one is \"{}\"", term.name));
        }
        Ok(term)
    }
}

/// LOINC's check digit is Luhn's (mod 10) over the digits before the hyphen. From memory of the
/// LOINC users' guide; every code of the embedded table passes, and the well-known false 57020-7
/// does not.
#[must_use]
pub fn luhn(code: &str) -> bool {
    let Some((body, check)) = code.split_once('-') else { return false };
    let digits = |text: &str| text.bytes().all(|b| b.is_ascii_digit());
    if !(1..=7).contains(&body.len()) || check.len() != 1 || !digits(body) || !digits(check) {
        return false;
    }
    crate::check::CheckCharacter::Luhn.of(body) == check.chars().next()
}

/// SNOMED CT's check digit is Verhoeff's (dihedral group D5) over all digits. The tables are from
/// memory of the published algorithm; every id of `fixtures/normalize/snomed.csv` passes.
#[must_use]
pub fn verhoeff(id: &str) -> bool {
    const TURNS: [u8; 10] = [1, 5, 7, 6, 2, 8, 3, 0, 9, 4];
    if !(6..=18).contains(&id.len()) || !id.bytes().all(|b| b.is_ascii_digit()) {
        return false;
    }
    let turned = |digit: u8, times: usize| {
        (0..times % 8).fold(digit, |d, _| TURNS.get(usize::from(d)).copied().unwrap_or(d))
    };
    let product = |a: u8, b: u8| match (a < 5, b < 5) {
        (true, true) => (a + b) % 5,
        (true, false) => (a + b - 5) % 5 + 5,
        (false, true) => (a - 5 + 5 - b) % 5 + 5,
        (false, false) => (a + 5 - b) % 5,
    };
    id.bytes().rev().enumerate().fold(0, |sum, (n, b)| product(sum, turned(b - b'0', n))) == 0
}

#[cfg(test)]
mod tests;
