//! The laboratory's knowledge: what a strip report means, or why it must wait for a person.
//!
//! Pure: text in, values out. No file, socket, clock or database is known here.

pub mod account;
pub mod check;
pub mod class;
pub mod clocks;
pub mod codes;
pub mod comments;
pub mod controls;
pub mod correction;
mod desk;
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
pub mod pattern;
#[cfg(test)]
mod prints;
pub mod readings;
pub mod remark;
pub mod report;
pub mod rules;
pub mod sheet;
pub mod strip;
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
    Code, CodeSystem, Comparator, Content, Flag, Observation, ResultStatus, Unit,
};
pub use observe::{Choice, Codes, Grades, observe};
pub use pattern::Pattern;
pub use readings::{Printed, Reading};
pub use remark::Remark;
pub use report::{
    Mark, MarkMeaning, Patient, Place, PrintedReading, Private, RawLine, Report, Signs, Status,
};
pub use rules::{ControlMark, ControlSpecimen, LeadingDigit, Reference, Rules};
pub use strip::Strip;
pub use units::Units;
