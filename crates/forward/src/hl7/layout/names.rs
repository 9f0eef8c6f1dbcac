//! Names that a receiver gives: of codes, and of the applications and places at both ends.

use std::str::FromStr;

/// A coded name: three components, as in CE and CWE.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Name {
    /// Never empty.
    pub code: String,
    /// For people.
    pub text: String,
    /// The coding system (table 0396): `LN`, `SCT`, `C4`, `L`, `99` and letters or digits.
    pub system: String,
}

impl FromStr for Name {
    type Err = String;

    /// Reads `CODE^TEXT^SYSTEM`.
    fn from_str(text: &str) -> Result<Self, String> {
        let parts: Vec<&str> = text.split('^').collect();
        match parts[..] {
            [code, words, system] if !code.is_empty() && !system.is_empty() => {
                Ok(Name { code: code.into(), text: words.into(), system: system.into() })
            }
            _ => Err(format!(
                "`{}` is no coded name; allowed: CODE^TEXT^SYSTEM, such as `UADIP^Dipstick^99KPC`",
                text.chars().take(80).collect::<String>().escape_debug()
            )),
        }
    }
}

/// An application or a facility: HD, of up to three components.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct Party {
    /// The namespace: what most receivers look at.
    pub name: String,
    /// A name that is the same everywhere, with its kind or not at all.
    pub universal: String,
    /// Table 0301: `ISO` for an OID.
    pub kind: String,
}

impl Party {
    /// Splits `NAME` or `NAME^UNIVERSAL^KIND`; what is wrong with it, [`super::Layout::check`] says.
    #[must_use]
    pub fn of(text: &str) -> Self {
        let mut parts = text.splitn(3, '^').map(str::to_owned);
        let mut next = || parts.next().unwrap_or_default();
        Self { name: next(), universal: next(), kind: next() }
    }

    /// As written in a configuration.
    #[must_use]
    pub fn text(&self) -> String {
        let whole = format!("{}^{}^{}", self.name, self.universal, self.kind);
        whole.trim_end_matches('^').to_owned()
    }
}

#[cfg(test)]
mod tests {
    use wickline_normalize::codes::luhn;

    use super::*;

    #[test]
    fn the_check_digit_of_a_loinc_code_is_looked_at() {
        for good in ["50556-0", "24357-6", "5778-6", "53328-1", "5802-4", "24356-8", "5794-3"] {
            assert!(luhn(good), "{good}");
        }
        for bad in ["50556-1", "50565-0", "50556", "-0", "50556-", "505560", "5O556-0", "é-0", ""]
        {
            assert!(!luhn(bad), "{bad}");
        }
    }

    #[test]
    fn names_and_parties_are_split_at_their_components() {
        let name: Name = "UADIP^Dip|stick & more^99KPC".parse().expect("a name");
        assert_eq!((name.code.as_str(), name.system.as_str()), ("UADIP", "99KPC"));
        for bad in ["", "UADIP", "UADIP^x", "^x^L", "a^b^", "a^b^c^d"] {
            assert!(bad.parse::<Name>().expect_err(bad).contains("CODE^TEXT^SYSTEM"));
        }
        assert_eq!(Party::of("LIS").text(), "LIS");
        assert_eq!(Party::of("LIS^1.2.3^ISO").kind, "ISO");
        assert_eq!(Party::of("a^b^c^d").kind, "c^d", "for the check to refuse");
    }
}
