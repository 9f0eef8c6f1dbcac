//! What an analyzer's own instructions ask to be done, and how often, as the laboratory configures it.

use super::{Analyzer, Builder};
use crate::settings::Settings;

/// How often a care is due.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Every {
    Day,
    Week,
    Month,
    /// Whenever a strip canister is opened: its lot is the one in use from then on.
    Canister,
    /// Whenever a vial of control material is opened.
    Vial,
}

impl Every {
    /// As it is configured.
    pub const WORDS: &'static [&'static str] =
        &["day", "week", "month", "canister", "control-vial"];

    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Every::Day => "day",
            Every::Week => "week",
            Every::Month => "month",
            Every::Canister => "canister",
            Every::Vial => "control-vial",
        }
    }

    fn of(text: &str) -> Self {
        match text {
            "day" => Every::Day,
            "week" => Every::Week,
            "month" => Every::Month,
            "canister" => Every::Canister,
            _ => Every::Vial,
        }
    }

    /// Something with a lot is opened.
    #[must_use]
    pub fn opens(self) -> bool {
        matches!(self, Every::Canister | Every::Vial)
    }
}

/// One care.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Care {
    pub name: String,
    pub every: Every,
    analyzers: Vec<String>,
}

impl Care {
    /// Whether it is asked for of an analyzer.
    #[must_use]
    pub fn is_of(&self, analyzer: &Analyzer) -> bool {
        self.analyzers.iter().any(|id| id == "*" || *id == analyzer.id)
    }
}

impl Builder<'_> {
    pub(super) fn cares(&mut self, settings: &Settings) -> Vec<Care> {
        for (n, care) in settings.care.iter().enumerate() {
            for id in care.analyzers.iter().filter(|a| *a != "*") {
                if !settings.analyzer.iter().any(|a| a.id == *id) {
                    let allowed = "\"*\" or ids of analyzers".to_owned();
                    self.fault("care", n, "analyzers", id, allowed);
                }
            }
            if care.name.trim().is_empty() || care.name.trim() != care.name {
                let allowed = "words, without space around them".to_owned();
                self.fault("care", n, "name", &care.name, allowed);
            }
            if settings.care[..n].iter().any(|other| other.name == care.name) {
                let allowed = "a name that no other [[care]] has".to_owned();
                self.fault("care", n, "name", &care.name, allowed);
            }
        }
        let one = |care: &crate::settings::CareKeys| Care {
            name: care.name.clone(),
            every: Every::of(&care.every),
            analyzers: care.analyzers.clone(),
        };
        settings.care.iter().map(one).collect()
    }
}
