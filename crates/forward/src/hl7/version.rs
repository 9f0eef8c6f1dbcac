//! What a version of HL7 v2 has: its name, its character sets, the modes it works in.
//!
//! Four versions are written. What a later one added is used only where it says something that would else be lost; what
//! an earlier one calls otherwise is called so there.

use std::fmt;
use std::str::FromStr;

/// The HL7 v2 versions that are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Version {
    /// 2.3.1, of 1999: no SPM, and no room in MSH-9 for the message's structure.
    V231,
    /// 2.4, of 2000.
    V24,
    /// 2.5, of 2003: SPM and TQ1.
    V25,
    /// 2.5.1, of 2007.
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
    /// `P`: results that count.
    Production,
    /// `T`: for people who practise.
    Training,
    /// `D`: for programs that are tried.
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

/// The character set of a message that needs more than ASCII.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Charset {
    /// Nothing beyond ASCII is sent.
    Ascii,
    /// ISO 8859-1: the letters of Western Europe; anything else is refused.
    Latin1,
    /// Unicode, where the receiver takes it.
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

impl FromStr for Charset {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "ascii" => Ok(Charset::Ascii),
            "8859/1" => Ok(Charset::Latin1),
            "utf-8" => Ok(Charset::Utf8),
            _ => Err(format!(
                "`{}` is no character set that is written; allowed: ascii, 8859/1, utf-8",
                text.escape_debug()
            )),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn versions_and_processing_ids_are_read_strictly() {
        assert_eq!("2.5.1".parse(), Ok(Version::V251));
        assert!("2.6".parse::<Version>().expect_err("not written").contains("2.3.1, 2.4"));
        assert_eq!("T".parse(), Ok(Processing::Training));
        assert!("p".parse::<Processing>().is_err());
        assert_eq!("8859/1".parse(), Ok(Charset::Latin1));
        assert!("utf8".parse::<Charset>().expect_err("its name is another").contains("utf-8"));
    }
}
