//! Coding systems by version: table 0396, and what is true of a code in one.
//!
//! The lists are table 0396 of HL7 v2.4 and of v2.5 and v2.5.1, which are alike, as the library hl7apy 1.3.5 has
//! them; its tables judge ours in tests/outside. 2.3.1 has no table of that number: its chapter 7 lists the same
//! systems as 2.4 does (from memory). SCT came to the table later and is used with every version.

use wickline_normalize::codes::{luhn, verhoeff};

use super::super::version::Version;

/// In 2.4, and after it.
const ALWAYS: &[&str] = &[
    "ACR", "ART", "AS4", "AS4E", "ATC", "C4", "C5", "CAS", "CD2", "CDCA", "CDCM", "CDS", "CE",
    "CLP", "CPTM", "CST", "CVX", "DCM", "E", "E5", "E6", "E7", "ENZC", "FDDC", "FDDX", "FDK", "HB",
    "HCPCS", "HHC", "HI", "HPC", "I10", "I10P", "I9", "I9C", "IBT", "IC2", "ICDO", "ICS", "ICSD",
    "IUPC", "IUPP", "JC8", "LB", "LN", "MCD", "MCR", "MDDX", "MEDC", "MEDR", "MEDX", "MGPI", "MVX",
    "NDA", "NDC", "NIC", "NPI", "OHA", "POS", "RC", "SCT", "SDM", "SNM", "SNM3", "SNT", "UC",
    "UMD", "UML", "UPC", "UPIN", "W1", "W2", "W4", "WC",
];

/// Before 2.5 alone.
const OLD: &[&str] = &["DCL", "DQL"];

/// From 2.5 on.
const NEW: &[&str] = &[
    "ANS+", "HCPT", "HOT", "ICD10AM", "ICD10CA", "ISO+", "JC10", "JJ1017", "NABM", "NUBC", "USPS",
];

/// True for a name that the site gave itself: `99zzz` came with 2.4.
pub(super) fn is_own(system: &str, version: Version) -> bool {
    let own = |rest: &str| {
        !rest.is_empty() && rest.bytes().all(|b| b.is_ascii_uppercase() || b.is_ascii_digit())
    };
    system == "L" || (version > Version::V231 && system.strip_prefix("99").is_some_and(own))
}

/// True for a coding system that the version has, or leaves to the site.
pub(super) fn is_known(system: &str, version: Version) -> bool {
    let numbered = |stem: &str| {
        let digits = |rest: &str| rest.len() == 4 && rest.bytes().all(|b| b.is_ascii_digit());
        system.strip_prefix(stem).is_some_and(digits)
    };
    let since = if version.has_spm() { NEW } else { OLD };
    is_own(system, version)
        || ALWAYS.contains(&system)
        || since.contains(&system)
        || numbered("HL7")
        || numbered("ISO")
        || (version.has_spm() && numbered("IBT"))
}

/// What a code of a system must be, where that can be seen of the code alone. None: it may be.
pub(super) fn untrue(code: &str, system: &str) -> Option<&'static str> {
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    let (true_code, allowed) = match system {
        "LN" => (luhn(code), "a LOINC code whose check digit fits, or another system"),
        "SCT" => (
            verhoeff(code),
            "a SNOMED CT id of 6 to 18 digits whose check digit fits, or another system",
        ),
        // Five digits, or four and a letter: from memory.
        "C4" => (
            code.len() == 5
                && code.is_ascii()
                && digits(&code[..4])
                && code.bytes().all(|b| b.is_ascii_digit() || b.is_ascii_uppercase()),
            "a CPT-4 code of five characters, or another system",
        ),
        _ => return None,
    };
    (!true_code).then_some(allowed)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_system_is_of_its_version_or_refused() {
        for (system, from, to) in [
            ("LN", Version::V231, Version::V251),
            ("SCT", Version::V231, Version::V251),
            ("C4", Version::V231, Version::V251),
            ("L", Version::V231, Version::V251),
            ("HL70487", Version::V231, Version::V251),
            ("99KPC", Version::V24, Version::V251),
            ("JC10", Version::V25, Version::V251),
            ("NABM", Version::V25, Version::V251),
            ("DQL", Version::V231, Version::V24),
        ] {
            for version in [Version::V231, Version::V24, Version::V25, Version::V251] {
                let known = (from..=to).contains(&version);
                assert_eq!(is_known(system, version), known, "{system} in {version}");
            }
        }
        for none in ["", "KPC", "99", "99kpc", "ln", "HL7", "HL7487", "JC11", "UCUM", "CPT"] {
            assert!(!is_known(none, Version::V251), "{none}");
        }
        assert!(is_own("L", Version::V231) && !is_own("LN", Version::V251));
    }

    /// Ids of SNOMED CT as published in HL7's own examples; the last digit changed or two exchanged is none.
    #[test]
    fn a_code_must_be_one_of_its_system() {
        for good in ["260348001", "260385009", "10828004", "260347006", "122575003"] {
            assert_eq!(untrue(good, "SCT"), None, "{good}");
        }
        for bad in ["260348002", "260384001", "2603480010000000000", "12345", "26034800A", ""] {
            assert!(untrue(bad, "SCT").is_some(), "{bad}");
        }
        assert!(untrue("81003", "C4").is_none() && untrue("0001U", "C4").is_none());
        assert!(
            ["8100", "UA", "81 03", "8100\u{e9}"].iter().all(|bad| untrue(bad, "C4").is_some())
        );
        assert!(untrue("50556-1", "LN").is_some() && untrue("1A020", "JC10").is_none());
    }
}
