//! What one receiver may choose about its messages, each choice read from the word that names it.

use std::str::FromStr;

use super::super::version::Version;

/// Which message carries a report.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Structure {
    /// ORU^R01: by order.
    #[default]
    Oru,
    /// OUL^R22: by specimen, from 2.5 on.
    Oul,
}

/// How an arbitrary grade travels: OBX-2.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum GradeAs {
    /// CE: code, text and system, as HL7 had it from the start.
    #[default]
    Ce,
    /// The same bytes as CE; not in table 0125 before 2.7, but asked for.
    Cwe,
    /// The grade's text.
    St,
    /// `^2^+` for `2+` (the example of HL7 v2.5.1 chapter 2A, SN); as text where it cannot be.
    Sn,
}

/// How a number with a comparator travels.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum EndAs {
    /// `>=^2400`.
    #[default]
    Sn,
    /// `>=1000`, for receivers that know no SN.
    St,
}

/// Which codes of a grade are sent, of those there are, and which comes first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum GradeCodes {
    /// Our own, and SNOMED CT behind it.
    #[default]
    LocalFirst,
    /// SNOMED CT where it has one, and our own behind it.
    SnomedFirst,
    /// Our own alone.
    Local,
    /// Our own where SNOMED CT has none.
    Snomed,
}

/// Which names of an analyte stand in OBX-3, and which comes first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Names {
    /// LOINC, and the local name behind it.
    #[default]
    PublishedFirst,
    /// The local name, and LOINC behind it.
    LocalFirst,
    /// The local name where LOINC has none.
    Published,
    /// The local name alone.
    Local,
}

/// Whose number stands in OBR-3 of an order's results.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum FillerNumber {
    /// Ours, permanent for a report and an order.
    #[default]
    Ours,
    /// The order's own filler number where it brought one; ours then stands in OBR-21, in 2.3.1 in OBR-20 in place of
    /// the analyzer's number.
    Ordered,
}

/// What of an order's patient goes back.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum OrderedPatient {
    /// Nothing.
    #[default]
    Never,
    /// PID-3, 5, 7 and 8.
    Short,
    /// PID whole, and PV1-2, 3 and 19.
    Whole,
}

/// Reads a choice from its word, or says which words there are.
macro_rules! words {
    ($name:ident, $what:literal: $($word:literal $variant:ident),+) => {
        impl FromStr for $name {
            type Err = String;

            fn from_str(text: &str) -> Result<Self, String> {
                match text {
                    $($word => Ok($name::$variant),)+
                    _ => Err(format!(
                        "`{}` is no {}; allowed: {}",
                        text.escape_debug(), $what, [$($word),+].join(", ")
                    )),
                }
            }
        }
    };
}

words!(Structure, "message that is written": "ORU^R01" Oru, "OUL^R22" Oul);
words!(GradeAs, "type of a grade": "CE" Ce, "CWE" Cwe, "ST" St, "SN" Sn);
words!(EndAs, "type of a value with a comparator": "SN" Sn, "ST" St);
words!(GradeCodes, "choice of grade codes":
    "local-first" LocalFirst, "snomed-first" SnomedFirst, "local" Local, "snomed" Snomed);
words!(FillerNumber, "number in OBR-3": "ours" Ours, "ordered" Ordered);
words!(Names, "choice of names":
    "loinc-first" PublishedFirst, "local-first" LocalFirst, "loinc" Published, "local" Local);

/// The fields that carry the specimen id: at least one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct SpecimenIn {
    /// OBR-2.1, and ORC-2.1, which must be the same.
    pub obr_2: bool,
    /// OBR-3.1, with our own number as its namespace, so that the whole stays unique to a report.
    pub obr_3: bool,
    /// SPM-2.1, from 2.5 on.
    pub spm_2: bool,
    /// PID-3.1, before the patient's own id: for receivers that file by it.
    pub pid_3: bool,
}

impl SpecimenIn {
    const NONE: Self = Self { obr_2: false, obr_3: false, spm_2: false, pid_3: false };
    /// OBR-2 alone: what versions before 2.5 take.
    pub const OBR_2: Self = Self { obr_2: true, ..Self::NONE };
    /// SPM-2 alone: what 2.5 and later take.
    pub const SPM_2: Self = Self { spm_2: true, ..Self::NONE };
    /// Both, the same id in each.
    pub const BOTH: Self = Self { obr_2: true, spm_2: true, ..Self::NONE };

    /// SPM-2 where the version has it.
    #[must_use]
    pub fn by_version(version: Version) -> Self {
        if version.has_spm() { Self::SPM_2 } else { Self::OBR_2 }
    }

    /// The first field of those chosen, to name it in a fault.
    pub(in super::super) fn field(self) -> &'static str {
        match self {
            Self { spm_2: true, .. } => "SPM-2",
            Self { obr_2: true, .. } => "OBR-2",
            Self { obr_3: true, .. } => "OBR-3",
            _ => "PID-3",
        }
    }
}

impl FromStr for SpecimenIn {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let mut places = Self::NONE;
        for word in text.split([',', ' ']).filter(|w| !w.is_empty()) {
            match word {
                "obr-2" => places.obr_2 = true,
                "obr-3" => places.obr_3 = true,
                "spm-2" => places.spm_2 = true,
                "pid-3" => places.pid_3 = true,
                "both" => (places.obr_2, places.spm_2) = (true, true),
                _ => {
                    return Err(format!(
                        "`{}` is no place for a specimen id; allowed: one or more of obr-2, obr-3, \
                         spm-2, pid-3",
                        word.escape_debug()
                    ));
                }
            }
        }
        if places == Self::NONE {
            return Err(
                "no place for the specimen id; allowed: one or more of obr-2, obr-3, spm-2, \
                        pid-3"
                    .into(),
            );
        }
        Ok(places)
    }
}

/// Which of the segments that a structure allows to leave out are sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Segments {
    /// The common order, before each OBR of an ORU.
    pub orc: bool,
    /// From 2.5 on.
    pub spm: bool,
    /// Who wrote the message, from 2.5 on.
    pub sft: bool,
    /// Remarks, reasons of corrections and of unread pads.
    pub nte: bool,
}

impl Segments {
    /// ORC and NTE, and SPM where the version has it.
    #[must_use]
    pub fn by_version(version: Version) -> Self {
        Self { orc: true, spm: version.has_spm(), sft: false, nte: true }
    }
}
