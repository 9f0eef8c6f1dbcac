//! The laboratory's knowledge: what a strip report means, or why it must wait for a person.
//!
//! Pure: text in, values out. No file, socket, clock or database is known here.
//!
//! A caller goes three steps. [`judge()`] takes a print ([`Report`]), the strips and [`Rules`] of its analyzer and
//! the [`Facts`] that a ledger knows, and gives readings, the reasons to hold it ([`Hold`]) and the [`Way`] it goes.
//! [`observe()`] makes of readings what one receiver wants to be told ([`Observation`]), code, unit and value
//! agreeing. [`Role::of`] says whose result it is, and so which receivers may be told at all.
//!
//! Beside these: [`Account`] (which numbers are missing), [`clocks`] (whether a printed time is believed),
//! [`controls`] (whether control material passed, and what patients meet meanwhile), [`comments`] (notes by rule),
//! [`correction`] (what to say under an order number that went out before) and [`orders`] (what was asked, and which
//! strip it meets).
//!
//! Values are decimals or text ([`Figure`]), never binary floats. Everything here is a pure function of its
//! arguments: the tests hold it to published tables, to properties and to a second reading of the strip files.

#![warn(missing_docs)]

pub mod account;
pub mod check;
pub mod class;
pub mod clocks;
pub mod codes;
pub mod comments;
pub mod controls;
pub mod correction;
pub mod fault;
pub mod figure;
mod flags;
pub mod grades;
pub mod hold;
mod identity;
pub mod judge;
pub mod moment;
pub mod number;
pub mod observation;
pub mod observe;
pub mod orders;
pub mod pattern;
#[cfg(test)]
mod prints;
mod ratios;
pub mod readings;
pub mod references;
pub mod remark;
pub mod report;
pub mod rules;
mod second;
pub mod sheet;
pub mod strip;
mod strip_reading;
pub mod units;
pub mod words;

pub use account::{Account, Counting, Sequence, Told};
pub use check::{CheckCharacter, Rubbish};
pub use class::{Class, EXTERNAL, Role};
pub use controls::{ControlPlan, Lockout, Policy, Standing};
pub use fault::Fault;
pub use figure::Figure;
pub use hold::{Hold, Reason, Remedy};
pub use judge::{Earlier, Facts, Judged, StripLot, Way, judge, superseded};
pub use moment::Moment;
pub use observation::{
    Code, CodeSystem, Comparator, Content, Finality, Flag, Observation, ResultStatus, Unit,
};
pub use observe::{Choice, Codes, Grades, observe};
pub use pattern::Pattern;
pub use readings::{Printed, Reading};
pub use references::{Interval, Reference};
pub use remark::Remark;
pub use report::{
    Mark, MarkMeaning, Parts, Patient, Place, PrintedReading, Private, RawLine, Report,
    SecondValue, Signs, Status, Text,
};
pub use rules::{ControlMark, ControlSpecimen, LeadingDigit, Rules};
pub use strip::Strip;
pub use units::Units;
