//! Why a report waits for a person, and what would let it go.

use serde::{Deserialize, Serialize};

/// One reason to stop one report, in words for the person who has to act.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hold {
    pub reason: Reason,
    /// A sentence: what was found and what was expected. May quote the print, so never logged.
    pub detail: String,
    /// The line of the print it is about: an index into [`crate::Report::lines`].
    pub line: Option<usize>,
}

impl Hold {
    pub fn new(reason: Reason, detail: impl Into<String>) -> Self {
        Self { reason, detail: detail.into(), line: None }
    }

    #[must_use]
    pub fn at(mut self, line: usize) -> Self {
        self.line = Some(line);
        self
    }
}

/// What a person can do about a hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Remedy {
    /// `held release` with a reason.
    Release,
    /// `held identify`, which clears this hold and no other kind.
    Identify,
    /// Mend the dialect, the strip or the configuration, then `held reread`.
    Reread,
    /// `held decide`: a new run, a correction or a mistake.
    Decide,
    /// Only `held set-aside`.
    SetAside,
}

macro_rules! reasons {
    ($($name:ident $code:literal $remedy:ident),+ $(,)?) => {
        /// The closed list of reasons; the codes are stable.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum Reason { $($name),+ }

        impl Reason {
            pub const ALL: &[Reason] = &[$(Reason::$name),+];

            #[must_use]
            pub fn code(self) -> &'static str {
                match self { $(Reason::$name => $code),+ }
            }

            #[must_use]
            pub fn remedy(self) -> Remedy {
                match self { $(Reason::$name => Remedy::$remedy),+ }
            }
        }
    };
}

reasons! {
    AfterRestore "after-restore" Release,
    ClassDisagree "class-disagree" SetAside,
    ClockOff "clock-off" Release,
    ControlsDue "controls-due" Release,
    ControlsFailed "controls-failed" Release,
    CorrectionHeard "correction-heard" Decide,
    GradeValueDisagree "grade-value-disagree" Reread,
    Incomplete "incomplete" SetAside,
    LineError "line-error" SetAside,
    MarkDisagree "mark-disagree" Release,
    NotFinal "not-final" SetAside,
    NumberReused "number-reused" Decide,
    OffLadder "off-ladder" Reread,
    PadUnread "pad-unread" Release,
    PadsMissing "pads-missing" Release,
    PadsUnexpected "pads-unexpected" Reread,
    SenderUnexpected "sender-unexpected" Reread,
    SpecimenBlank "specimen-blank" Identify,
    SpecimenMalformed "specimen-malformed" Identify,
    StripExpired "strip-expired" SetAside,
    TestMessage "test-message" SetAside,
    UnitUnexpected "unit-unexpected" Reread,
    UnknownAnalyte "unknown-analyte" Reread,
    Unreadable "unreadable" Reread,
}

impl Reason {
    /// True for what a passing run of control material lifts.
    #[must_use]
    pub fn is_of_controls(self) -> bool {
        matches!(self, Reason::ControlsDue | Reason::ControlsFailed)
    }
}

impl std::str::FromStr for Reason {
    type Err = String;

    fn from_str(code: &str) -> Result<Self, String> {
        Reason::ALL.iter().copied().find(|r| r.code() == code).ok_or_else(|| {
            let known: Vec<_> = Reason::ALL.iter().map(|r| r.code()).collect();
            format!("`{code}` is not a reason for a hold; known: {}", known.join(", "))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::Reason;

    #[test]
    fn codes_are_what_serde_writes() {
        for reason in Reason::ALL {
            assert_eq!(reason.code().parse(), Ok(*reason));
            let table: toml::Table =
                toml::Table::try_from(std::collections::BTreeMap::from([("reason", *reason)]))
                    .expect("a reason is a string");
            assert_eq!(table["reason"].as_str(), Some(reason.code()));
        }
    }
}
