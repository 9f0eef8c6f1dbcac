//! What people ask the ledger: pages and sums, read and never changed.

pub mod counts;
pub mod day;
pub mod names;
pub mod queue;
pub mod reports;
