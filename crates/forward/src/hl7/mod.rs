//! HL7 v2 text: result messages written, answers read (HL7 v2.5.1 chapter 2 and 7, and 2.3.1 to 2.5).
//!
//! Written: ORU^R01 or OUL^R22 with one report each ([`result_message`], [`correction_message`]). Read:
//! any message, for acknowledgments ([`Ack`]) and for what a receiver was told before ([`told()`]).
//! Reading is tolerant, since both ends of a line exist already; writing is strict, since a receiver
//! files what it reads.

pub mod ack;
mod group;
pub mod layout;
mod material;
mod namesakes;
mod patient;
pub mod read;
pub mod report;
mod results;
mod scribe;
pub mod specimen;
pub mod told;
pub mod version;
pub mod write;

pub use ack::{Ack, AckCode, AckError};
pub(crate) use group::NAMESPACE;
pub use layout::{
    EndAs, FillerNumber, FixedField, GradeAs, GradeCodes, Layout, LayoutFault, Name, Names,
    OrderedPatient, Party, Segments, SpecimenIn, Structure, panel_automated, panel_manual,
};
pub use patient::Named;
pub use read::Message;
pub use report::{ControlRole, Equipment, Ordered, Outgoing, correction_message, result_message};
pub use specimen::Urine;
pub use told::{
    Correction, Shown, Told, codes, forms, is_result, results, shown, told, told_under,
};
pub use version::{Acknowledge, Charset, Processing, Version};
pub use write::EncodeFault;

/// The longest message control id: MSH-10 has 20 characters up to 2.5.1.
///
/// What is longer may be cut by a receiver, and its answer would name nobody.
pub const CONTROL_ID_MAX: usize = 20;

/// True for a control id that every receiver echoes unchanged and every file system takes as a name:
/// 1 to 20 of `A-Z a-z 0-9 - _ .`, not beginning with a dot.
///
/// ```
/// use wickline_forward::hl7::is_control_id;
///
/// assert!(is_control_id("K7Q2-000000000001"));
/// assert!(!is_control_id("report 17"), "a receiver may echo a blank as it likes");
/// ```
#[must_use]
pub fn is_control_id(text: &str) -> bool {
    (1..=CONTROL_ID_MAX).contains(&text.len())
        && !text.starts_with('.')
        && text.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_' | b'.'))
}
