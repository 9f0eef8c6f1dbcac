//! What is wrong in a file that a person wrote: where, what was found, what is allowed.

use std::fmt;

/// One fault, with everything needed to mend it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Its name as the person gave it.
    pub file: String,
    /// From 1.
    pub line: usize,
    /// In characters, from 1.
    pub column: usize,
    /// The key with the tables it stands in: `pad.GLU.rungs`.
    pub key: String,
    /// What stands there, quoted where it is the person's own text.
    pub found: String,
    /// What may stand there, or what to do.
    pub allowed: String,
    /// The line of the file.
    pub text: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Fault { file, line, column, key, found, allowed, .. } = self;
        write!(f, "{file}:{line}:{column}: `{key}`: found {found}; allowed: {allowed}")
    }
}

impl std::error::Error for Fault {}
