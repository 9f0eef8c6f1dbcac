//! What is said beside a result without changing it: a note for those who read it.

use serde::{Deserialize, Serialize};

/// A note that goes out with a report (NTE).
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Remark {
    /// Stable, so that a receiver can sort by it: `UA-INT-ASC`, `controls-failed`, `clock-off`.
    pub code: String,
    /// For people: a sentence or two.
    pub text: String,
    /// The analytes it is about; empty: the whole report.
    pub about: Vec<String>,
}

impl Remark {
    /// A remark about the whole report.
    pub fn new(code: impl Into<String>, text: impl Into<String>) -> Remark {
        Remark { code: code.into(), text: text.into(), about: Vec::new() }
    }
}
