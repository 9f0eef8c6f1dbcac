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

/// A report is urgent by its print, or by an order of its specimen that waits. Of a row of `report`.
const URGENT: &str = "(report.class = 'stat' OR EXISTS (SELECT 1 FROM order_specimen s \
     JOIN lab_order o ON o.n = s.lab_order WHERE s.specimen = report.specimen AND s.wrong = 0 AND o.urgent = 1 \
     AND o.standing IN ('open', 'on-hold', 'disputed')))";
