//! How one receiver wants its messages: version, names, and where things go.

use std::fmt;
use std::str::FromStr;

use wickline_normalize::{Code, CodeSystem};

use super::write::EncodeFault;

/// The HL7 v2 versions that are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Version {
    V231,
    V24,
    V25,
    V251,
}

impl Version {
    /// As it stands in MSH-12.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Version::V231 => "2.3.1",
            Version::V24 => "2.4",
            Version::V25 => "2.5",
            Version::V251 => "2.5.1",
        }
    }

    /// 2.5 brought SPM and TQ1 and withdrew what stood in OBR for them.
    #[must_use]
    pub fn has_spm(self) -> bool {
        self >= Version::V25
    }
}

impl fmt::Display for Version {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.text())
    }
}

impl FromStr for Version {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let all = [Version::V231, Version::V24, Version::V25, Version::V251];
        all.into_iter().find(|v| v.text() == text).ok_or_else(|| {
            format!(
                "`{}` is no HL7 version that is written here; allowed: 2.3.1, 2.4, 2.5, 2.5.1",
                text.escape_debug()
            )
        })
    }
}

/// MSH-11 (table 0103).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Processing {
    Production,
    Training,
    Debugging,
}

impl Processing {
    /// The code sent.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Processing::Production => "P",
            Processing::Training => "T",
            Processing::Debugging => "D",
        }
    }
}

impl FromStr for Processing {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "P" => Ok(Processing::Production),
            "T" => Ok(Processing::Training),
            "D" => Ok(Processing::Debugging),
            _ => Err(format!(
                "`{}` is no processing id; allowed: P (production), T (training), D (debugging)",
                text.escape_debug()
            )),
        }
    }
}

/// Which answers a message asks for (HL7 v2.5.1 section 2.9.2 and 2.9.3): MSH-15 and MSH-16.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Acknowledge {
    /// The original mode: both fields empty, one answer by the application.
    #[default]
    Original,
    /// Enhanced: only that the message is stored.
    Accept,
    /// Enhanced: only what the application says of it.
    Application,
    /// Enhanced: one after the other.
    Both,
}

impl Acknowledge {
    /// True when the application's answer is to be waited for beyond a commit.
    #[must_use]
    pub fn waits_for_application(self) -> bool {
        matches!(self, Acknowledge::Application | Acknowledge::Both)
    }

    /// MSH-15 and MSH-16 (table 0155); none where both stay empty.
    pub(super) fn codes(self) -> Option<[&'static str; 2]> {
        match self {
            Acknowledge::Original => None,
            Acknowledge::Accept => Some(["AL", "NE"]),
            Acknowledge::Application => Some(["NE", "AL"]),
            Acknowledge::Both => Some(["AL", "AL"]),
        }
    }
}

impl FromStr for Acknowledge {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "original" => Ok(Acknowledge::Original),
            "accept" => Ok(Acknowledge::Accept),
            "application" => Ok(Acknowledge::Application),
            "both" => Ok(Acknowledge::Both),
            _ => Err(format!(
                "`{}` is no way to acknowledge; allowed: original, accept, application, both",
                text.escape_debug()
            )),
        }
    }
}

/// Which field carries the specimen id.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum SpecimenIn {
    /// SPM-2.1, from 2.5 on.
    Spm2,
    /// OBR-2.1 (and ORC-2.1, which must be the same).
    Obr2,
    Both,
}

impl SpecimenIn {
    /// SPM-2 where the version has it.
    #[must_use]
    pub fn by_version(version: Version) -> Self {
        if version.has_spm() { SpecimenIn::Spm2 } else { SpecimenIn::Obr2 }
    }

    pub(super) fn in_spm(self) -> bool {
        self != SpecimenIn::Obr2
    }

    pub(super) fn in_obr(self) -> bool {
        self != SpecimenIn::Spm2
    }
}

/// The character set of a message that needs more than ASCII.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Charset {
    /// Nothing beyond ASCII is sent.
    Ascii,
    Latin1,
    Utf8,
}

impl Charset {
    /// `UNICODE UTF-8` is in table 0211 from 2.5 on; before, ISO 8859/1 is the widest.
    #[must_use]
    pub fn by_version(version: Version) -> Self {
        if version.has_spm() { Charset::Utf8 } else { Charset::Latin1 }
    }

    /// As it stands in MSH-18 (table 0211).
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Charset::Ascii => "ASCII",
            Charset::Latin1 => "8859/1",
            Charset::Utf8 => "UNICODE UTF-8",
        }
    }
}

/// OBX-2 of coded values. The bytes of OBX-5 are the same.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum CodedType {
    Ce,
    Cwe,
}

impl CodedType {
    /// The code sent.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            CodedType::Ce => "CE",
            CodedType::Cwe => "CWE",
        }
    }
}

/// OBR-4 when results carry codes of the method "automated test strip".
#[must_use]
pub fn panel_automated() -> Code {
    panel("50556-0", "Urinalysis dipstick panel - Urine by Automated test strip")
}

/// OBR-4 when results carry codes of the method "test strip".
#[must_use]
pub fn panel_manual() -> Code {
    panel("24357-6", "Urinalysis macro (dipstick) panel - Urine")
}

fn panel(code: &str, text: &str) -> Code {
    Code { code: code.into(), text: text.into(), system: CodeSystem::Loinc }
}

/// How one receiver wants its messages.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Layout {
    pub version: Version,
    /// MSH-3.
    pub sending_application: String,
    /// MSH-4: the site's short name.
    pub sending_facility: String,
    /// MSH-5.
    pub receiving_application: String,
    /// MSH-6.
    pub receiving_facility: String,
    /// MSH-11.
    pub processing: Processing,
    pub specimen_in: SpecimenIn,
    /// OBR-4.
    pub panel: Code,
    pub charset: Charset,
    pub coded_type: CodedType,
    /// MSH-15 and MSH-16.
    pub acknowledge: Acknowledge,
}

impl Layout {
    /// A layout with every default of its version: production, automated panel, CE.
    #[must_use]
    pub fn new(version: Version, site: &str, application: &str, facility: &str) -> Layout {
        Layout {
            version,
            sending_application: "WICKLINE".into(),
            sending_facility: site.into(),
            receiving_application: application.into(),
            receiving_facility: facility.into(),
            processing: Processing::Production,
            specimen_in: SpecimenIn::by_version(version),
            panel: panel_automated(),
            charset: Charset::by_version(version),
            coded_type: CodedType::Ce,
            acknowledge: Acknowledge::Original,
        }
    }

    /// What contradicts itself in the layout, before any message is built with it.
    pub fn check(&self) -> Result<(), EncodeFault> {
        if self.specimen_in.in_spm() && !self.version.has_spm() {
            return Err(EncodeFault::new(
                "SPM-2",
                format!("the specimen id to be in SPM-2 of a {} message", self.version),
                "SPM-2 from 2.5 on; before, choose obr-2",
            ));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn defaults_go_by_version() {
        let old = Layout::new(Version::V231, "KESTRELPOINT", "LIS", "KESTREL");
        assert_eq!((old.specimen_in, old.charset), (SpecimenIn::Obr2, Charset::Latin1));
        let new = Layout::new(Version::V251, "KESTRELPOINT", "LIS", "KESTREL");
        assert_eq!((new.specimen_in, new.charset), (SpecimenIn::Spm2, Charset::Utf8));
        assert!(old.check().is_ok() && new.check().is_ok());
    }

    #[test]
    fn spm_is_refused_before_2_5() {
        let mut old = Layout::new(Version::V24, "KESTRELPOINT", "LIS", "KESTREL");
        old.specimen_in = SpecimenIn::Both;
        let fault = old.check().expect_err("2.4 has no SPM").to_string();
        assert!(fault.contains("SPM-2") && fault.contains("2.4"), "{fault}");
    }

    #[test]
    fn versions_and_processing_ids_are_read_strictly() {
        assert_eq!("2.5.1".parse(), Ok(Version::V251));
        assert!("2.6".parse::<Version>().expect_err("not written").contains("2.3.1, 2.4"));
        assert_eq!("T".parse(), Ok(Processing::Training));
        assert!("p".parse::<Processing>().is_err());
    }
}
