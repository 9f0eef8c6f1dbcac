//! What people and the daemon do to reports, messages and numbers: each act one transaction.

pub mod again;
pub mod closing;
pub mod comparing;
pub mod compose;
pub mod configuration;
pub mod control_views;
pub mod controls;
pub mod corrections;
pub mod explaining;
pub mod held;
pub mod holdings;
pub mod intake;
mod judging;
mod numbers;
pub mod rereading;
pub mod retry;
pub mod strip_lots;
pub mod telling;

#[cfg(test)]
mod tests;
