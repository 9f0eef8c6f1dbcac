//! What becomes of patients' reports while controls are failed or due.
//!
//! Two things are told apart: how our own account of the controls stands ([`Standing`]), and what the analyzer
//! itself says on a print of its controls. The second needs no account of ours and is not lifted by one.

use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::class::Class;
use crate::controls::standing::{Standing, State};
use crate::hold::{Hold, Reason};
use crate::remark::Remark;

/// What becomes of a patient's report.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Policy {
    /// It waits for controls that pass, or for a person.
    Hold,
    /// It goes, and a remark with it says so.
    Warn,
    /// It goes.
    #[default]
    Off,
}

impl Policy {
    /// In the order in which a configuration lists them.
    pub const ALL: &[Policy] = &[Policy::Hold, Policy::Warn, Policy::Off];

    fn told(self) -> &'static str {
        match self {
            Policy::Hold => "are held until every level has passed or a person releases them",
            Policy::Warn => "go with a remark",
            Policy::Off => "go all the same",
        }
    }
}

impl FromStr for Policy {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "hold" => Ok(Policy::Hold),
            "warn" => Ok(Policy::Warn),
            "off" => Ok(Policy::Off),
            _ => Err(format!("`{text}` is not allowed; allowed: hold, warn, off")),
        }
    }
}

/// One analyzer's policies. They are about patients only: nothing in here can send control material
/// anywhere. Common practice; that results meet the laboratory's criteria before patients are
/// reported: 42 CFR 493.1256(f).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Lockout {
    /// While a level has failed, and while the analyzer's own sign says that its controls have not
    /// passed.
    pub failed: Policy,
    /// While a level is due: it has not passed yet in this period, or not on this strip lot.
    pub due: Policy,
    /// Urgent work goes with a remark where routine work is held.
    pub urgent_goes: bool,
}

/// What a lockout says of one report.
pub(crate) enum Locked {
    No,
    Held(Hold),
    Warned(Remark),
}

impl Lockout {
    /// True while it can hold or mark anything.
    #[must_use]
    pub fn is_on(&self) -> bool {
        self.failed != Policy::Off || self.due != Policy::Off
    }

    /// What becomes of patients' reports, in words.
    #[must_use]
    pub fn told(&self) -> String {
        if !self.is_on() {
            return "patients' reports go however controls stand".into();
        }
        let (failed, due) = (self.failed.told(), self.due.told());
        let what = if self.failed == self.due {
            format!("while controls have failed or are due, patients' reports {failed}")
        } else {
            format!("while controls have failed, patients' reports {failed}; while due, they {due}")
        };
        let held = self.failed == Policy::Hold || self.due == Policy::Hold;
        match (held, self.urgent_goes) {
            (true, true) => format!("{what}; urgent ones go with a remark instead of waiting"),
            (true, false) => format!("{what}, urgent ones too"),
            (false, _) => what,
        }
    }

    /// The same for how controls stand now.
    #[must_use]
    pub fn told_now(&self, state: &State) -> &'static str {
        let policy = match state {
            State::Passed { .. } => return "patients' reports go",
            State::Failed { .. } => self.failed,
            State::Due { .. } => self.due,
        };
        match policy {
            Policy::Hold if self.urgent_goes => {
                "routine reports are held, urgent ones go with a remark"
            }
            Policy::Hold => "patients' reports are held",
            Policy::Warn => "patients' reports go with a remark",
            Policy::Off => "patients' reports go all the same",
        }
    }

    /// What becomes of a report of this class. An unknown standing is due; control material is none
    /// of a lockout's business.
    pub(crate) fn of(&self, class: Class, standing: Option<&Standing>) -> Locked {
        let state = standing.map_or(State::Due { since: None }, |s| s.overall);
        let (policy, reason) = match state {
            State::Passed { .. } => return Locked::No,
            State::Failed { .. } => (self.failed, Reason::ControlsFailed),
            State::Due { .. } => (self.due, Reason::ControlsDue),
        };
        self.by(policy, class, reason, told(standing, state))
    }

    /// What becomes of a report on which the analyzer itself says that its controls have not passed:
    /// the policy of failed ones, whatever our own standing is.
    pub(crate) fn of_own_sign(&self, class: Class) -> Locked {
        let what = "the analyzer's own sign says that its controls have not passed";
        self.by(self.failed, class, Reason::ControlsNotPassed, what.to_owned())
    }

    fn by(&self, policy: Policy, class: Class, reason: Reason, what: String) -> Locked {
        match (class, policy) {
            (Class::Control, _) | (_, Policy::Off) => Locked::No,
            (Class::Routine, Policy::Hold) => Locked::Held(Hold::new(reason, what)),
            (Class::Stat, Policy::Hold) if !self.urgent_goes => {
                Locked::Held(Hold::new(reason, what))
            }
            (Class::Stat, Policy::Hold) | (_, Policy::Warn) => {
                Locked::Warned(Remark::new(reason.code(), format!("Released while {what}")))
            }
        }
    }
}

/// Which levels, and since when.
fn told(standing: Option<&Standing>, state: State) -> String {
    let same = |s: &State| s.code() == state.code();
    let levels = standing.into_iter().flat_map(|s| &s.levels).filter(|(_, s)| same(s));
    let levels: Vec<String> = levels
        .map(|(level, state)| match state {
            State::Failed { since } => format!("level {level} since {}", since.shown()),
            State::Due { since: Some(since) } => format!("level {level} since {}", since.shown()),
            State::Due { since: None } | State::Passed { .. } => format!("level {level}"),
        })
        .collect();
    let what = if state.code() == "failed" { "controls have failed" } else { "controls are due" };
    if levels.is_empty() { what.to_owned() } else { format!("{what}: {}", levels.join(", ")) }
}
