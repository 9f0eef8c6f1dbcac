//! Wickline as a library: it remembers, supervises and shows; the rules live in the other crates.

pub mod acts;
pub mod address;
pub mod alarm;
pub mod backup;
pub mod chart;
pub mod cli;
pub mod clock;
pub mod console;
pub mod csv;
pub mod daemon;
pub mod digest;
pub mod marks;
pub mod pipeline;
pub mod prove;
pub mod pulse;
pub mod seen;
pub mod settings;
pub mod setup;
pub mod sheet;
pub mod simulate;
pub mod sketch;
pub mod store;
#[cfg(test)]
mod testing;
pub mod texts;
pub mod tripped;
pub mod views;
