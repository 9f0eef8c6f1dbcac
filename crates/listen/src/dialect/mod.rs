//! Dialects: how one kind of analyzer writes its reports, and how that is read.
//!
//! A dialect hands over what is printed, where it stands, and what it could not vouch for. What a
//! label, a grade word or a unit means is the strip's to say, in `normalize`. A further dialect in
//! code implements [`Dialect`], here or in a crate of its own; one that only has another layout is
//! a file (see `config/dialects/README.md` for the notation).
//!
//! Whoever writes a dialect in code keeps four promises, which `judge` relies on: every line of the transmission
//! stands in some report, in its order; what was not understood is a doubt and never a guess; nothing is translated,
//! trimmed of meaning or converted; and reading the same transmission again, also one made of a report's own kept
//! lines, gives the same reports.

mod anatomy;
mod calendar;
mod check;
mod codepage;
mod entry;
mod form;
mod lis02;
mod parts;
mod print;
mod record;
mod shape;
mod steps;
mod text;

use std::sync::Arc;

use wickline_normalize::Report;

pub use wickline_normalize::Fault;

pub use self::anatomy::LineAnatomy;
pub use self::lis02::query;
use self::lis02::query::Asked;

use crate::ear::Transmission;
use crate::printed::PrintRules;

/// How one kind of analyzer writes its reports.
pub trait Dialect: Send + Sync {
    /// Its name, as in the configuration.
    ///
    /// Small letters, digits and hyphens, so that a configuration can name it.
    fn name(&self) -> &str;

    /// How its bytes become transmissions.
    ///
    /// Asked once for a line: what it says must not change.
    fn link(&self) -> LinkKind;

    /// Whether a print itself can say that it is of control material.
    ///
    /// Where it cannot, `check` wants a configured mark or pattern instead, or the word that no
    /// controls are run.
    fn control_sign(&self) -> bool;

    /// Whether a print itself can say that the analyzer's own controls have not passed.
    ///
    /// Where it can, the laboratory's policy for failed controls counts without lots of our own. False
    /// by itself: most analyzers have no such sign.
    fn not_passed_sign(&self) -> bool {
        false
    }

    /// Whether one transmission may hold several reports.
    ///
    /// Each is then found again by its own lines alone, and read with all of its transmission.
    fn several(&self) -> bool {
        false
    }

    /// Reads one transmission. Every line of it stands in some report's `lines`; what was not
    /// understood is among that report's doubts. Empty when the transmission carries no result and
    /// nothing in it was left unread.
    ///
    /// A transmission that was cut gives reports as well, each held as
    /// [`wickline_normalize::Reason::Incomplete`].
    fn read(&self, transmission: &Transmission) -> Vec<Report>;

    /// What an analyzer asks in a transmission. None: nothing, as most never do.
    ///
    /// A question is no report and is told apart from them; [`Dialect::answers`] says whether it is answered.
    fn asked(&self, _transmission: &Transmission) -> Option<Asked> {
        None
    }

    /// Whether questions are answered on the line.
    ///
    /// False by itself: an analyzer that does not wait for an answer may take one for something else.
    fn answers(&self) -> bool {
        false
    }

    /// What each part of each line was taken for.
    ///
    /// For people: one entry for each line, in order. Nothing is decided by it.
    fn anatomy(&self, transmission: &Transmission) -> Vec<LineAnatomy>;

    /// The bytes in which this dialect's analyzers print a text. None: its encoding lacks a letter of it.
    ///
    /// For prints of our own making, in proofs and drills; nothing is ever sent to an analyzer by it.
    fn encode(&self, text: &str) -> Option<Vec<u8>> {
        Some(text.as_bytes().to_vec())
    }

    /// A line without the check characters that this dialect's analyzers print at its end.
    fn unchecked<'l>(&self, line: &'l str) -> &'l str {
        line
    }

    /// The lines of a print, which have none, with their check characters; a line of its own gets its right ones.
    fn checked(&self, lines: Vec<String>) -> Vec<String> {
        lines
    }
}

/// How bytes on a line become transmissions.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LinkKind {
    /// The LIS01 link: frames that we acknowledge.
    Lis01,
    /// The analyzer just prints; nothing is ever sent to it.
    Printed(PrintRules),
}

/// The dialects that need no file, each in its words; `lis02` has none.
const SHIPPED: &[(&str, &str)] = &[
    ("two-column", include_str!("../../../../config/dialects/two-column.toml")),
    ("three-field", include_str!("../../../../config/dialects/three-field.toml")),
    ("wide-label", include_str!("../../../../config/dialects/wide-label.toml")),
    ("ticket", include_str!("../../../../config/dialects/ticket.toml")),
];

/// The dialects that need no file.
#[must_use]
pub fn builtin_names() -> &'static [&'static str] {
    &["lis02", "two-column", "three-field", "wide-label", "ticket"]
}

/// A built-in dialect by its name.
///
/// None: no dialect of this name is shipped; it may be the path of a file.
#[must_use]
pub fn builtin(name: &str) -> Option<Arc<dyn Dialect>> {
    if name == "lis02" {
        return Some(Arc::new(lis02::Lis02::default()));
    }
    let (_, text) = SHIPPED.iter().find(|(shipped, _)| *shipped == name)?;
    parse(text, &format!("config/dialects/{name}.toml")).ok()
}

/// Reads a dialect file. `where_from` is its name, for the faults.
///
/// Every fault of the file is in the error, in the order of the text; nothing is half loaded.
/// ```
/// use wickline_listen::dialect;
///
/// let faults = dialect::parse("name = \"mine\"", "mine.toml").err().expect("nothing says how it prints");
/// assert!(faults.iter().any(|fault| fault.key == "report"));
/// ```
pub fn parse(text: &str, where_from: &str) -> Result<Arc<dyn Dialect>, Vec<Fault>> {
    if let Some(records) = lis02::load(text, where_from) {
        return records.map(|dialect| Arc::new(dialect) as Arc<dyn Dialect>);
    }
    shape::Shape::parse(text, where_from).map(|shape| Arc::new(shape) as Arc<dyn Dialect>)
}
