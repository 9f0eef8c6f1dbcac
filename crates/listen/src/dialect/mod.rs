//! Dialects: how one kind of analyzer writes its reports, and how that is read.
//!
//! A dialect hands over what is printed, where it stands, and what it could not vouch for. What a
//! label, a grade word or a unit means is the strip's to say, in `normalize`. A further dialect in
//! code implements [`Dialect`], here or in a crate of its own; one that only has another layout is
//! a file (see `config/dialects/README.md` for the notation).

mod anatomy;
mod calendar;
mod codepage;
mod entry;
mod form;
mod lis02;
mod print;
mod shape;
mod text;

use std::sync::Arc;

use wickline_normalize::Report;

pub use wickline_normalize::Fault;

pub use self::anatomy::LineAnatomy;

use crate::ear::Transmission;
use crate::printed::PrintRules;

/// How one kind of analyzer writes its reports.
pub trait Dialect: Send + Sync {
    /// Its name, as in the configuration.
    fn name(&self) -> &str;

    /// How its bytes become transmissions.
    fn link(&self) -> LinkKind;

    /// Whether a print itself can say that it is of control material.
    fn control_sign(&self) -> bool;

    /// Whether a print itself can say that the analyzer's own controls have not passed.
    fn not_passed_sign(&self) -> bool {
        false
    }

    /// Reads one transmission. Every line of it stands in some report's `lines`; what was not
    /// understood is among that report's doubts. Empty when the transmission carries no result and
    /// nothing in it was left unread.
    fn read(&self, transmission: &Transmission) -> Vec<Report>;

    /// What each part of each line was taken for.
    fn anatomy(&self, transmission: &Transmission) -> Vec<LineAnatomy>;
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
#[must_use]
pub fn builtin(name: &str) -> Option<Arc<dyn Dialect>> {
    if name == "lis02" {
        return Some(Arc::new(lis02::Lis02));
    }
    let (_, text) = SHIPPED.iter().find(|(shipped, _)| *shipped == name)?;
    parse(text, &format!("config/dialects/{name}.toml")).ok()
}

/// Reads a dialect file. `where_from` is its name, for the faults.
pub fn parse(text: &str, where_from: &str) -> Result<Arc<dyn Dialect>, Vec<Fault>> {
    shape::Shape::parse(text, where_from).map(|shape| Arc::new(shape) as Arc<dyn Dialect>)
}
