//! From an analyzer's line to reports as printed: ports, the LIS01 link, line assembly, dialects.
//!
//! Only [`mod@line`] touches the outside world. Everything else is a pure machine: bytes and a tick
//! go in; bytes to send, events and the next deadline come out. No machine reads a clock or can be
//! made to fail by its peer, and every buffer has a bound.

pub mod dialect;
pub mod ear;
pub mod line;
pub mod link;
pub mod printed;

pub use dialect::{Dialect, LinkKind};
pub use ear::{Cut, Ear, Ending, Transmission};
pub use line::{Got, LineKind, LineSpec, Listener, Port};

/// A steady time in microseconds, handed in by whoever drives a machine.
pub type Tick = i64;

pub(crate) const SECOND: Tick = 1_000_000;
