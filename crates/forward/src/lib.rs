//! From observations to a receiver's verdict.
//!
//! `hl7` writes result messages and reads answers, `mllp` frames them, `verdict` says what an answer
//! means, `exchange` knows what is in flight on one connection, `schedule` how long to pause after a
//! failure, `orders` reads what is ordered and writes the answers to it: all pure, with time handed in.
//! Only `deliver` and `receive` own sockets.
//!
//! The way of a message: [`result_message`] writes it once, from observations that `normalize` built and a [`Layout`]
//! that says how this receiver wants it; its bytes and its control id never change after that. A [`Courier`] carries it
//! over one kept connection and says for each message how it ended ([`Outcome`]); after a failure the caller waits as
//! [`Backoff`] says and offers the same bytes again.
//!
//! What holds whatever a receiver does: a message counts as accepted only by a positive answer that names its control
//! id; an answer that could be another message's is never taken; nothing is cut, replaced or left out to make a
//! message fit, but refused with the field and what is allowed ([`EncodeFault`]). Everything that comes from a
//! receiver is bounded and escaped before a person sees it, and never logged.
//!
//! Clauses of HL7 v2 are those of 2.5.1 unless a version is named; what 2.3.1, 2.4 and 2.5 do otherwise is said where
//! it is done.

#![warn(missing_docs)]

pub mod deliver;
pub mod exchange;
pub mod hl7;
pub mod mllp;
pub mod orders;
pub mod receive;
pub mod schedule;
pub mod verdict;

pub use deliver::{Address, Courier, Limits, Outcome, Tls};
pub use exchange::Exchange;
pub use hl7::{
    Acknowledge, Charset, ControlRole, EncodeFault, Equipment, Layout, LayoutFault, Outgoing,
    Processing, SpecimenIn, Urine, Version, result_message,
};
pub use mllp::MllpRelease;
pub use schedule::Backoff;
pub use verdict::{Verdict, verdict};

/// Microseconds on a clock that only goes forward, handed in by whoever owns the clock.
pub type Tick = i64;
