//! Wickline as a library: it remembers, supervises and shows; the rules live in the other crates.

pub mod clock;
pub mod settings;
pub mod store;
#[cfg(test)]
mod testing;
