//! A first dialect and strip for a print that nobody has described yet, drafted from captures.
//!
//! Nothing here reads a print: each guess is written down as a dialect, and the program's own reader says what it
//! makes of the captures by it. The guess by which most readings are understood stays. Whatever was guessed is asked
//! about in the draft, in a line that begins with `# ?`; what no guess explains is listed and left to the analyst.

mod dates;
mod edges;
mod heading;
mod layout;
mod plan;
mod rungs;
mod tongues;
mod trial;
mod wire;
pub(crate) mod words;
mod write;

pub use self::plan::sketch;

use std::collections::BTreeSet;

use wickline_normalize::Units;

use crate::prove::files::asks;

/// A capture and the name that a person knows it by.
#[derive(Clone, Copy, Debug)]
pub struct Capture<'a> {
    pub name: &'a str,
    pub bytes: &'a [u8],
}

/// A dialect and a strip that load, each with its questions.
#[derive(Debug)]
pub struct Draft {
    pub dialect: String,
    pub strip: String,
    /// In which most of the numbers are printed.
    pub units: Units,
    /// Readings that the draft understands, and how many reports they stand in.
    pub readings: usize,
    pub reports: usize,
    /// Ids of control material, which the analyzer's table has to name.
    pub control_ids: BTreeSet<String>,
    /// Lines of the captures that it does not understand.
    pub unplaced: Vec<Unplaced>,
}

/// A line that no guess explains.
#[derive(Debug, PartialEq, Eq, serde::Serialize)]
pub struct Unplaced {
    pub capture: String,
    /// From 1, as `explain` counts them within the report; None: of the report as a whole.
    pub line: Option<usize>,
    pub text: String,
    pub why: String,
}

impl Draft {
    /// How many questions the two files ask.
    #[must_use]
    pub fn questions(&self) -> usize {
        self.dialect.lines().chain(self.strip.lines()).filter(|line| asks(line)).count()
    }
}
