//! The rows of the ledger, one table a file: typed, and loud when they cannot be decoded.

pub mod daemon_state;
pub(crate) mod named;
pub mod queue;
