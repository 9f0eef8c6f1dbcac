//! What people ask the ledger: pages and sums, read and never changed.

pub mod calls;
pub mod counts;
pub mod day;
pub mod find;
pub mod front;
pub mod kinds;
pub mod lookback;
pub mod names;
pub mod now;
pub mod orders;
pub mod queue;
pub mod read_on;
pub mod reports;
pub mod runs;
pub mod sheet;
pub mod stretch;
pub mod summed;
pub mod told;
