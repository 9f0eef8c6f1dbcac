//! From an analyzer's line to reports as printed: ports, the LIS01 link, line assembly, dialects.
//!
//! Only [`mod@line`] touches the outside world. Everything else is a pure machine: bytes and a tick
//! go in; bytes to send, events and the next deadline come out. No machine reads a clock or can be
//! made to fail by its peer, and every buffer has a bound.
//!
//! The way of a byte: a [`Port`] (or a [`Listener`]'s) hands over what arrived, with the indexes of the bytes that
//! the port marked as damaged. Whoever drives it writes them to the tape first and then feeds the machine of the
//! line: [`link::Receiver`] live, which also answers, and later an [`Ear`] from the tape, which only reads. An ear
//! cuts what it hears into [`Transmission`]s, and a [`Dialect`] makes reports of each.
//!
//! How a machine is driven, whichever it is: `handle_input` with each read, its place on the tape and its time;
//! `handle_timeout` when `poll_timeout` says so; then everything that the `poll_` functions give, until they give
//! nothing. Times are [`Tick`]s of any steady clock. Deadlines fire at their own time, so that a machine fed late,
//! in other pieces or from the tape decides the same.
//!
//! What is bounded: 63,993 bytes of text a frame, 4,096 bytes a line, 512 lines or 64 KiB a print, 4,096 records
//! or 2 MiB a message. What exceeds a bound is cut there and held, never dropped in silence.

#![warn(missing_docs)]

pub mod dialect;
pub mod ear;
pub mod line;
pub mod link;
pub mod printed;
pub mod speed;

pub use dialect::{Dialect, LinkKind};
pub use ear::{Cut, Ear, Ending, Transmission};
pub use line::{Counts, Got, LineKind, LineSpec, Listener, Port, Trouble};

/// A steady time in microseconds, handed in by whoever drives a machine.
pub type Tick = i64;

pub(crate) const SECOND: Tick = 1_000_000;
