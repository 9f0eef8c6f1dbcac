//! The laboratory's knowledge: what a strip report means, or why it must wait for a person.
//!
//! Pure: text in, values out. No file, socket, clock or database is known here.

pub mod hold;
pub mod moment;
pub mod observation;
pub mod report;

pub use hold::{Hold, Reason, Remedy};
pub use moment::Moment;
pub use observation::{Code, CodeSystem, Comparator, Content, Flag, Observation, Unit};
pub use report::{
    Mark, MarkMeaning, Patient, Place, PrintedReading, Private, RawLine, Report, Signs, Status,
};
