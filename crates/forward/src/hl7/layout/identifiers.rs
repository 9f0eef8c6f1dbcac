//! Table 0203 by version: of which kind an identifier is.
//!
//! The lists are those of HL7 v2.3.1, v2.4 and of v2.5 and v2.5.1, which are alike, as the library hl7apy 1.3.5 has
//! them; its tables judge ours in tests/outside. `NNxxx` there stands for a national person identifier, `NN` and the
//! three letters of its country (ISO 3166).

use super::super::version::Version;

/// In 2.3.1, and after it.
const ALWAYS: &[&str] = &[
    "AM", "AN", "BR", "DI", "DL", "DN", "DS", "EI", "EN", "FI", "GI", "GN", "LN", "LR", "MA", "MC",
    "MR", "MS", "NE", "NH", "NI", "NPI", "PI", "PN", "PRN", "PT", "RR", "RRI", "SL", "SR", "SS",
    "U", "UPIN", "VN", "VS", "WC", "XX",
];

/// From 2.4 on.
const SINCE_24: &[&str] = &["BA", "BRN", "DR", "HC", "JHN", "MCN", "PEN", "WCN"];

/// From 2.5 on.
const SINCE_25: &[&str] = &[
    "ANC", "AND", "ANON", "ANT", "APRN", "BC", "CC", "CY", "DDS", "DEA", "DFN", "DO", "DPM", "GL",
    "IND", "LI", "MB", "MCD", "MCR", "MD", "MI", "MRT", "NII", "NIIP", "NP", "OD", "PA", "PCN",
    "PE", "PNT", "PPN", "PRC", "QA", "RI", "RN", "RPH", "SN", "TAX", "TN",
];

/// True for a kind of identifier that the version has.
pub(super) fn is_kind(code: &str, version: Version) -> bool {
    let country = |rest: &str| rest.len() == 3 && rest.bytes().all(|b| b.is_ascii_uppercase());
    ALWAYS.contains(&code)
        || (version >= Version::V24 && SINCE_24.contains(&code))
        || (version.has_spm() && SINCE_25.contains(&code))
        || code.strip_prefix("NN").is_some_and(country)
}
