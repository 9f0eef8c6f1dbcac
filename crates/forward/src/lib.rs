//! From observations to a receiver's verdict.
//!
//! `hl7` writes result messages and reads answers, `mllp` frames them, `verdict` says what an answer
//! means, `exchange` knows what is in flight on one connection, `schedule` how long to pause after a
//! failure: all pure, with time handed in. Only `deliver` and `receive` own sockets.

pub mod deliver;
pub mod exchange;
pub mod hl7;
pub mod mllp;
pub mod receive;
pub mod schedule;
pub mod verdict;

pub use deliver::{Address, Courier, Limits, Outcome, Tls};
pub use exchange::Exchange;
pub use hl7::{
    Acknowledge, Charset, ControlRole, EncodeFault, Layout, LayoutFault, Outgoing, Processing,
    SpecimenIn, Version, result_message,
};
pub use mllp::MllpRelease;
pub use schedule::Backoff;
pub use verdict::{Verdict, verdict};

/// Microseconds on a clock that only goes forward, handed in by whoever owns the clock.
pub type Tick = i64;
