//! Why a report waits for a person, and what would let it go.
//!
//! The list of reasons is closed and its codes are stable: scripts, the ledger's rows and metrics know them.
//! Each reason has one remedy, which says by which act a person can let the report go at all. A report keeps
//! every reason that was found, so that mending one never hides another.

use serde::{Deserialize, Serialize};

/// One reason to stop one report, in words for the person who has to act.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hold {
    /// What kind of trouble: says which remedy there is.
    pub reason: Reason,
    /// A sentence: what was found and what was expected. May quote the print, so never logged.
    pub detail: String,
    /// The line of the print it is about: an index into [`crate::Report::lines`].
    pub line: Option<usize>,
}

impl Hold {
    /// Without a line; [`Hold::at`] adds one.
    pub fn new(reason: Reason, detail: impl Into<String>) -> Self {
        Self { reason, detail: detail.into(), line: None }
    }

    /// With the line of the print that it is about, an index into [`crate::Report::lines`].
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
    /// `orders settle`: whose order of its specimen is right.
    Settle,
    /// Only `held set-aside`.
    SetAside,
}

macro_rules! reasons {
    ($(#[doc = $about:literal] $name:ident $code:literal $remedy:ident),+ $(,)?) => {
        /// The closed list of reasons; the codes are stable.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum Reason { $(#[doc = $about] $name),+ }

        impl Reason {
            /// In the order of their codes.
            pub const ALL: &[Reason] = &[$(Reason::$name),+];

            /// As scripts, metrics and the ledger know it; never changed once given.
            #[must_use]
            pub fn code(self) -> &'static str {
                match self { $(Reason::$name => $code),+ }
            }

            /// By which act a person can let a report go that is held for it.
            #[must_use]
            pub fn remedy(self) -> Remedy {
                match self { $(Reason::$name => Remedy::$remedy),+ }
            }
        }
    };
}

reasons! {
    /// The tape holds it beyond the ledger that was put back: perhaps it was sent before.
    AfterRestore "after-restore" Release,
    /// A sign of control material beside a sign of a patient, or beside another level.
    ClassDisagree "class-disagree" SetAside,
    /// The printed time cannot be: released, the report goes with the daemon's time.
    ClockOff "clock-off" Release,
    /// A level of control material has not passed in this period, or not on this strip lot.
    ControlsDue "controls-due" Release,
    /// A level of control material has failed and not passed since.
    ControlsFailed "controls-failed" Release,
    /// The analyzer's own sign says that its controls have not passed: only a person lets it go.
    ControlsNotPassed "controls-not-passed" Release,
    /// The analyzer corrects what it sent before (LIS02 R-9 or O-26 `C`).
    CorrectionHeard "correction-heard" Decide,
    /// The printed grade is not that of the printed number's rung.
    GradeValueDisagree "grade-value-disagree" Reread,
    /// It was cut off, or a result came without its order.
    Incomplete "incomplete" SetAside,
    /// The port marked a byte of it as bad.
    LineError "line-error" SetAside,
    /// The analyzer's abnormal mark contradicts our own flag.
    MarkDisagree "mark-disagree" Release,
    /// The analyzer does not stand behind it yet (LIS02 R-9, O-26).
    NotFinal "not-final" SetAside,
    /// Its number was heard before in this sequence, with anything else different.
    NumberReused "number-reused" Decide,
    /// A number or word that the pad does not have, or two rungs and no way to choose.
    OffLadder "off-ladder" Reread,
    /// Two orders could be meant, or the one of its specimen is answered by another specimen.
    OrderAmbiguous "order-ambiguous" Release,
    /// Its specimen was collected after the strip was read: another cup.
    OrderAfterTest "order-after-test" Release,
    /// Its order was cancelled.
    OrderCancelled "order-cancelled" Release,
    /// Its order's source has the result from elsewhere.
    OrderClosed "order-closed" Release,
    /// Its order expired before the strip came.
    OrderExpired "order-expired" Release,
    /// Order and strip do not fit: pads that were not asked or not measured, or a collection long before.
    OrderMismatch "order-mismatch" Release,
    /// Its order waits by its source's wish.
    OrderOnHold "order-on-hold" Release,
    /// What its order says cannot be written in a receiver's character set, or fits no field of its messages.
    OrderUnsayable "order-unsayable" Release,
    /// The pad has no result: empty, an error text, or unread by the analyzer.
    PadUnread "pad-unread" Release,
    /// A pad of the strip was not printed.
    PadsMissing "pads-missing" Release,
    /// A pad of another strip, or one pad twice.
    PadsUnexpected "pads-unexpected" Reread,
    /// Two patients could be meant: a person settles whose order is right.
    PatientConflict "patient-conflict" Settle,
    /// The analyzer names another patient than the order of its specimen: it goes without that order, or not at all.
    PatientNamed "patient-named" Release,
    /// Another result stands for its specimen on the same day, and the laboratory wants a person to look.
    SecondResult "second-result" Release,
    /// The sender is not the one that is configured (LIS02 H-5).
    SenderUnexpected "sender-unexpected" Reread,
    /// No specimen id was printed.
    SpecimenBlank "specimen-blank" Identify,
    /// The specimen id cannot be one, or there are two of them.
    SpecimenMalformed "specimen-malformed" Identify,
    /// Nobody ordered anything of its specimen.
    SpecimenUnknown "specimen-unknown" Release,
    /// The strips were past their last day.
    StripExpired "strip-expired" SetAside,
    /// The sender says that it is no production result (LIS02 H-12 `T` or `D`).
    TestMessage "test-message" SetAside,
    /// Another unit than the one configured, or none where one must be.
    UnitUnexpected "unit-unexpected" Reread,
    /// A label that no strip has.
    UnknownAnalyte "unknown-analyte" Reread,
    /// The dialect has no form for a line, or its parts say several things.
    Unreadable "unreadable" Reread,
}

impl Reason {
    /// True for what can be our own reading and not the strip: files are to be mended, the print was not heard to its
    /// end, or its time is none. That somebody typed it from a paper shows nothing.
    #[must_use]
    pub fn is_of_our_reading(self) -> bool {
        self.remedy() == Remedy::Reread || matches!(self, Reason::Incomplete | Reason::ClockOff)
    }

    /// True for what the orders of its specimen say: it is judged again whenever they change.
    #[must_use]
    pub fn is_of_orders(self) -> bool {
        use Reason as R;
        matches!(
            self,
            R::OrderAmbiguous
                | R::OrderAfterTest
                | R::OrderCancelled
                | R::OrderClosed
                | R::OrderExpired
                | R::OrderMismatch
                | R::OrderOnHold
                | R::OrderUnsayable
                | R::PatientConflict
                | R::PatientNamed
                | R::SpecimenUnknown
        )
    }

    /// True for what a passing run of control material lifts. What the analyzer itself says of its
    /// controls ([`Reason::ControlsNotPassed`]) is none of it: no run of ours takes that back.
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
