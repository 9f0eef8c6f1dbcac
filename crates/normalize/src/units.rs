//! Units: a closed list of UCUM units, how analyzers spell them, and what turns one into another.
//!
//! Two numbers may be compared, and a number may be sent, only where its unit is one of this list and is known to
//! be of the property that its code names. An unknown spelling holds the report; nothing is guessed from the size
//! of a number.

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

use crate::observation::Unit;

/// The two systems a strip's numbers are printed and sent in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Units {
    /// As the inserts of strips write first: mg/dL, Ery/uL.
    #[default]
    Conventional,
    /// SI with litres: mmol/L, 10*6/L.
    Si,
}

impl Units {
    /// The other one.
    #[must_use]
    pub fn other(self) -> Units {
        match self {
            Units::Conventional => Units::Si,
            Units::Si => Units::Conventional,
        }
    }

    /// As the configuration writes it.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Units::Conventional => "conventional",
            Units::Si => "si",
        }
    }
}

impl std::str::FromStr for Units {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "conventional" => Ok(Units::Conventional),
            "si" => Ok(Units::Si),
            _ => Err(format!("`{text}` is no unit system; allowed: conventional, si")),
        }
    }
}

/// The kind of quantity, which a code and a unit must share. LOINC's property axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Property {
    /// An arbitrary grade, without unit.
    Presence,
    /// Mass in a volume.
    Mass,
    /// Amount of substance in a volume.
    Moles,
    /// Cells in a volume.
    Number,
    /// Arbitrary units in a volume (Ehrlich units).
    Units,
    /// Relative density (specific gravity): a plain ratio.
    Density,
    /// pH.
    Ph,
    /// A colour or a clarity.
    Nominal,
    /// Mass by mass of creatinine.
    MassRatio,
    /// Mass by amount of substance of creatinine.
    Ratio,
}

impl Property {
    /// Every property with its key in a strip file and its LOINC abbreviation.
    pub const ALL: &[(Property, &str, &str)] = &[
        (Property::Presence, "presence", "PrThr"),
        (Property::Mass, "mass", "MCnc"),
        (Property::Moles, "moles", "SCnc"),
        (Property::Number, "number", "NCnc"),
        (Property::Units, "units", "ACnc"),
        (Property::Density, "density", "RDen"),
        (Property::Ph, "ph", "LsCnc"),
        (Property::Nominal, "nominal", "Type"),
        (Property::MassRatio, "mass-ratio", "MRto"),
        (Property::Ratio, "ratio", "Ratio"),
    ];

    fn row(self) -> (&'static str, &'static str) {
        Self::ALL.iter().find(|(p, ..)| *p == self).map_or(("", ""), |(_, key, loinc)| (key, loinc))
    }

    /// Its key in a strip file.
    #[must_use]
    pub fn key(self) -> &'static str {
        self.row().0
    }

    /// LOINC's abbreviation.
    #[must_use]
    pub fn loinc(self) -> &'static str {
        self.row().1
    }
}

/// A unit of the closed list.
#[derive(Debug, PartialEq, Eq)]
pub struct Known {
    /// As UCUM writes it, and as it is sent.
    pub ucum: &'static str,
    /// As people write it, in ASCII.
    pub text: &'static str,
    /// The kind of quantity that it measures.
    pub property: Property,
    /// How many g/L, mol/L, 10*6/L, g/g or g/mol one of it is.
    scale: &'static str,
    /// As analyzers print it, folded. Common practice, no source.
    spellings: &'static [&'static str],
}

const CELLS: &[&str] = &["/ul", "cells/ul", "cell/ul", "c/ul", "/mm3"];

/// The closed list. Each one was judged valid by ucum-lhc 7.1.10, ucumvert 0.3.2, octofhir-ucum
/// 0.9.2 and @atomic-ehr/ucum 0.2.5 (`[pH]`: pint cannot build it);
/// `fixtures/normalize/ucum-validity.csv`.
pub const KNOWN: &[Known] = &[
    unit("mg/dL", "mg/dL", Property::Mass, "0.01", &["mg/dl", "mg%", "mg/100ml"]),
    unit("g/dL", "g/dL", Property::Mass, "10", &["g/dl"]),
    unit("g/L", "g/L", Property::Mass, "1", &["g/l"]),
    unit("mg/L", "mg/L", Property::Mass, "0.001", &["mg/l"]),
    unit("mmol/L", "mmol/L", Property::Moles, "0.001", &["mmol/l"]),
    unit("umol/L", "umol/L", Property::Moles, "0.000001", &["umol/l", "mcmol/l"]),
    unit(
        "{Ery}/uL",
        "Ery/uL",
        Property::Number,
        "1",
        &["{ery}/ul", "ery/ul", "rbc/ul", "{rbc}/ul"],
    ),
    unit(
        "{Leu}/uL",
        "Leu/uL",
        Property::Number,
        "1",
        &["{leu}/ul", "leu/ul", "wbc/ul", "{wbc}/ul"],
    ),
    unit("/uL", "/uL", Property::Number, "1", &[]),
    unit(
        "10*6/L",
        "10*6/L",
        Property::Number,
        "1",
        &["10*6/l", "x10*6/l", "10e6/l", "Mio/l", "mio/l"],
    ),
    unit("[EU]/dL", "EU/dL", Property::Units, "0.01", &["[eu]/dl", "eu/dl", "e.u./dl"]),
    // Nobody prints a unit here: a lone `1` behind a number is a digit that strayed, unless a strip lists it.
    unit("1", "", Property::Density, "1", &[]),
    unit("[pH]", "pH", Property::Ph, "1", &["[ph]", "ph"]),
    unit("mg/g", "mg/g", Property::MassRatio, "0.001", &["mg/g", "mg/gcr", "mg/gcrea"]),
    unit("mg/mmol", "mg/mmol", Property::Ratio, "1", &["mg/mmol"]),
];

const fn unit(
    ucum: &'static str,
    text: &'static str,
    property: Property,
    scale: &'static str,
    spellings: &'static [&'static str],
) -> Known {
    Known { ucum, text, property, scale, spellings }
}

/// Spellings that look right and are not, with what they say.
const TRAPS: &[(&str, &str)] = &[
    ("pH", "in UCUM `pH` is a picohenry; write `[pH]`"),
    ("EU/dL", "in UCUM `EU/dL` is exa-enzyme-units; Ehrlich units are `[EU]/dL`"),
    ("{EU}/dL", "`{EU}/dL` is a number without kind; Ehrlich units are `[EU]/dL`"),
    ("mg%", "not every reader of UCUM takes `mg%`; write `mg/dL`"),
    ("µmol/L", "UCUM is ASCII: write `umol/L`"),
    ("μmol/L", "UCUM is ASCII: write `umol/L`"),
    ("10^6/L", "write `10*6/L`"),
    ("Ery/uL", "words stand in braces: `{Ery}/uL`"),
    ("RBC/uL", "write `{Ery}/uL`"),
    ("Leu/uL", "words stand in braces: `{Leu}/uL`"),
    ("WBC/uL", "write `{Leu}/uL`"),
];

impl Known {
    /// Finds a unit by its UCUM code, exactly as UCUM writes it. The error says what is meant
    /// instead.
    pub fn find(ucum: &str) -> Result<&'static Known, String> {
        if let Some(known) = KNOWN.iter().find(|k| k.ucum == ucum) {
            return Ok(known);
        }
        if let Some((_, why)) = TRAPS.iter().find(|(trap, _)| *trap == ucum) {
            return Err((*why).to_owned());
        }
        let list: Vec<&str> = KNOWN.iter().map(|k| k.ucum).collect();
        Err(format!("one of the UCUM units {}", list.join(", ")))
    }

    /// True for the units that no analyzer needs to print: pH and specific gravity have no other.
    #[must_use]
    pub fn goes_without_saying(&self) -> bool {
        matches!(self.property, Property::Density | Property::Ph)
    }

    /// What is sent: nothing for a plain ratio such as specific gravity.
    #[must_use]
    pub fn sent(&self) -> Option<Unit> {
        (self.property != Property::Density)
            .then(|| Unit { ucum: self.ucum.to_owned(), text: self.text.to_owned() })
    }

    /// True when a print spells this unit so. `folded` comes from [`fold`].
    #[must_use]
    pub fn is_spelled(&self, folded: &str) -> bool {
        let cells = self.property == Property::Number && self.ucum != "10*6/L";
        self.spellings.contains(&folded) || (cells && CELLS.contains(&folded))
    }

    /// One of this over one of another, in units of a ratio. None: they make no ratio of that kind.
    pub(crate) fn over(&self, below: &Known, ratio: &Known) -> Option<Decimal> {
        let scale = |k: &Known| Decimal::from_str_exact(k.scale).ok();
        let fits = matches!(
            (self.property, below.property, ratio.property),
            (Property::Mass, Property::Mass, Property::MassRatio)
                | (Property::Mass, Property::Moles, Property::Ratio)
        );
        let parts = fits.then(|| scale(self)?.checked_div(scale(below)?))??;
        parts.checked_div(scale(ratio)?)
    }

    /// How many of `to` one of this is, for an analyte of this molar mass. None: nothing converts
    /// them.
    ///
    /// Exact where the decimals allow it; rounding is the sender's ([`crate::observe()`]).
    #[must_use]
    pub fn factor(&self, to: &Known, molar_mass: Option<Decimal>) -> Option<Decimal> {
        let scale = |k: &Known| Decimal::from_str_exact(k.scale).ok();
        let ratio = scale(self)?.checked_div(scale(to)?)?;
        match (self.property, to.property) {
            // 1 Ehrlich unit is taken as 1 mg: a convention of the trade (teaching material), no
            // chemistry.
            (Property::Mass | Property::Units, Property::Moles) => ratio.checked_div(molar_mass?),
            (Property::Units, Property::Mass) | (Property::Mass, Property::Units) => Some(ratio),
            // The mass that becomes moles is the creatinine's below the line.
            (Property::MassRatio, Property::Ratio) => ratio.checked_mul(molar_mass?),
            (a, b) => (a == b).then_some(ratio),
        }
    }
}

/// Folds a printed unit: spaces go, the three micro signs become `u`, `^` becomes `*`, and case is
/// ignored, except that a capital M before a small letter (mega) is never a small one (milli).
#[must_use]
pub fn fold(text: &str) -> String {
    let mut folded = String::with_capacity(text.len());
    let mut letters = text.chars().filter(|c| !c.is_whitespace()).peekable();
    while let Some(letter) = letters.next() {
        match letter {
            'µ' | 'μ' => folded.push('u'),
            '^' => folded.push('*'),
            '×' => folded.push('x'),
            'M' if letters.peek().is_some_and(char::is_ascii_lowercase) => folded.push('M'),
            other => folded.push(other.to_ascii_lowercase()),
        }
    }
    folded
}

#[cfg(test)]
mod tests;
