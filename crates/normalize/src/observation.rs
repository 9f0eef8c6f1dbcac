//! One thing said to a receiver about one pad: code, unit and value that agree.
//!
//! Only this crate builds observations; `forward` encodes them and decides nothing.

use serde::{Deserialize, Serialize};

/// A coded name.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Code {
    pub code: String,
    pub text: String,
    pub system: CodeSystem,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CodeSystem {
    Loinc,
    /// Our own table, `99WKL` (`L` before 2.4).
    Local,
    SnomedCt,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Comparator {
    #[serde(rename = "<")]
    Less,
    #[serde(rename = "<=")]
    AtMost,
    #[serde(rename = ">")]
    More,
    #[serde(rename = ">=")]
    AtLeast,
}

impl Comparator {
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Comparator::Less => "<",
            Comparator::AtMost => "<=",
            Comparator::More => ">",
            Comparator::AtLeast => ">=",
        }
    }
}

/// A UCUM unit and how people write it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Unit {
    pub ucum: String,
    pub text: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Content {
    /// An arbitrary grade, or a colour or clarity: coded in our own table, no unit.
    Grade { code: Code, alternate: Option<Code> },
    /// A number with the ladder's own comparator and digits, or a measured pad's converted value.
    Number { comparator: Option<Comparator>, digits: String, unit: Option<Unit> },
    /// The pad was not read: no value, with the reason in words.
    Unread { reason: String },
}

/// Table 0078, as far as we use it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Flag {
    N,
    A,
    L,
    H,
}

impl Flag {
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Flag::N => "N",
            Flag::A => "A",
            Flag::L => "L",
            Flag::H => "H",
        }
    }
}

/// One OBX to be.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Observation {
    /// Which reading of the judged report it came from.
    pub reading: usize,
    pub code: Code,
    /// Our own name for the same thing, sent beside the code.
    pub local: Code,
    pub content: Content,
    pub flag: Option<Flag>,
    /// The reference in words or as an interval, where one is configured.
    pub reference: Option<String>,
}

impl Observation {
    /// The pad that it speaks of. Our own name for it goes on behind a hyphen (`GLU-GRADE`) where the pad
    /// says two things.
    #[must_use]
    pub fn pad(&self) -> &str {
        self.local.code.split('-').next().unwrap_or_default()
    }
}

/// OBX-11: HL7 v2 table 0085, as far as we use it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum ResultStatus {
    /// Final: never sent before, or just as it was sent.
    #[serde(rename = "F")]
    Final,
    /// A correction that replaces what was final.
    #[serde(rename = "C")]
    Corrected,
    /// What was sent is wrong and nothing takes its place here.
    #[serde(rename = "W")]
    Withdrawn,
    /// There is no result: the pad was not read.
    #[serde(rename = "X")]
    Unread,
}

impl ResultStatus {
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            ResultStatus::Final => "F",
            ResultStatus::Corrected => "C",
            ResultStatus::Withdrawn => "W",
            ResultStatus::Unread => "X",
        }
    }

    /// What an observation goes with the first time.
    #[must_use]
    pub fn first(observation: &Observation) -> ResultStatus {
        match observation.content {
            Content::Unread { .. } => ResultStatus::Unread,
            Content::Grade { .. } | Content::Number { .. } => ResultStatus::Final,
        }
    }
}
