//! The rows of the ledger, one table a file: typed, and loud when they cannot be decoded.

pub mod notice;
pub mod position;
pub mod queue;
