//! One thing said to a receiver about one pad: code, unit and value that agree.
//!
//! Only this crate builds observations; `forward` encodes them and decides nothing.

use serde::{Deserialize, Serialize};

/// A coded name.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Code {
    /// As its system writes it: `5792-7`, `GLU-GRADE`, `260385009`.
    pub code: String,
    /// Its name for people, sent beside it.
    pub text: String,
    /// Whose code it is.
    pub system: CodeSystem,
}

/// Whose table a code stands in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CodeSystem {
    /// LOINC: what was measured.
    Loinc,
    /// Our own table, `99WKL` (`L` before 2.4).
    Local,
    /// SNOMED CT: grades, where a receiver asks for them and the site has the licence.
    SnomedCt,
}

/// How a printed or sent number stands to the true one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Comparator {
    /// Below it.
    #[serde(rename = "<")]
    Less,
    /// It or below: the lowest rung of many ladders.
    #[serde(rename = "<=")]
    AtMost,
    /// Above it.
    #[serde(rename = ">")]
    More,
    /// It or above: the highest rung of many ladders.
    #[serde(rename = ">=")]
    AtLeast,
}

impl Comparator {
    /// The sign in ASCII, as labels and HL7's SN have it.
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
    /// As UCUM writes it, case and brackets included: `mg/dL`, `[pH]`.
    pub ucum: String,
    /// As people write it, in ASCII.
    pub text: String,
}

/// What is said of a pad. Grade and number of one pad are two observations, each with its own code.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Content {
    /// An arbitrary grade, or a colour or clarity: coded in our own table, no unit.
    Grade {
        /// In our own table: what is always sent.
        code: Code,
        /// SNOMED CT's name of the same grade, where the receiver asks for it and there is one.
        alternate: Option<Code>,
    },
    /// A number with the ladder's own comparator and digits, or a measured pad's converted value.
    Number {
        /// Of an end rung such as `>=2400`; None: the number itself.
        comparator: Option<Comparator>,
        /// Decimal digits with at most one point, never rounded where the ladder has a label.
        digits: String,
        /// None: a plain ratio such as specific gravity.
        unit: Option<Unit>,
    },
    /// A rung that is a range, `10-25`: both ends as the ladder has them.
    Range {
        /// The lower end: digits with at most one point.
        from: String,
        /// The upper end.
        to: String,
        /// As of a number.
        unit: Option<Unit>,
    },
    /// The pad was not read: no value, with the reason in words.
    Unread {
        /// In words, for the note that goes with it.
        reason: String,
        /// What it would have said is a number.
        number: bool,
    },
}

/// Table 0078, as far as we use it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Flag {
    /// Normal.
    N,
    /// Abnormal, where no direction is meant.
    A,
    /// Below the reference.
    L,
    /// Above the reference.
    H,
}

impl Flag {
    /// Its letter, as OBX-8 has it.
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
    /// What was measured: the published code, else our own.
    pub code: Code,
    /// Our own name for the same thing, sent beside the code.
    pub local: Code,
    /// What is said of it.
    pub content: Content,
    /// Only where the site configured a reference.
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
    /// Preliminary: somebody verifies it at the receiver, and may change it.
    #[serde(rename = "P")]
    Preliminary,
    /// Entered, and not verified.
    #[serde(rename = "R")]
    Unverified,
}

impl ResultStatus {
    /// Its letter, as OBX-11 has it.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            ResultStatus::Final => "F",
            ResultStatus::Corrected => "C",
            ResultStatus::Withdrawn => "W",
            ResultStatus::Unread => "X",
            ResultStatus::Preliminary => "P",
            ResultStatus::Unverified => "R",
        }
    }

    /// What an observation goes with the first time, to a receiver that takes results `as_what`.
    #[must_use]
    pub fn first(observation: &Observation, as_what: Finality) -> ResultStatus {
        match observation.content {
            Content::Unread { .. } => ResultStatus::Unread,
            Content::Grade { .. } | Content::Number { .. } | Content::Range { .. } => {
                as_what.status()
            }
        }
    }
}

/// How far a receiver is to trust what it gets: some verify at their own end.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Finality {
    /// It may be reported as it is.
    #[default]
    Final,
    /// It is shown, and verified there.
    Preliminary,
    /// It is stored, and verified there.
    Unverified,
}

impl Finality {
    /// The status of results, and of the report (table 0123 has the same letters).
    #[must_use]
    pub fn status(self) -> ResultStatus {
        match self {
            Finality::Final => ResultStatus::Final,
            Finality::Preliminary => ResultStatus::Preliminary,
            Finality::Unverified => ResultStatus::Unverified,
        }
    }
}

impl std::str::FromStr for Finality {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "final" => Ok(Finality::Final),
            "preliminary" => Ok(Finality::Preliminary),
            "unverified" => Ok(Finality::Unverified),
            _ => Err(format!(
                "`{}` is no status of results; allowed: final, preliminary, unverified",
                text.escape_debug()
            )),
        }
    }
}
