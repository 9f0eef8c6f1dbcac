//! What people ask the ledger: pages and sums, read and never changed.

pub mod counts;
pub mod day;
pub mod find;
pub mod lookback;
pub mod names;
pub mod now;
#[cfg(test)]
mod plans;
pub mod queue;
pub mod reports;
pub mod runs;
pub mod stretch;
pub mod told;
