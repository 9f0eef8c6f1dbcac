//! What people and the daemon do to reports, messages and numbers: each act one transaction, and whatever
//! changes what a receiver is told passes the door.

pub mod aside;
pub mod asking;
pub mod badges;
mod bearing;
pub mod caring;
pub mod closing;
pub mod comparing;
pub mod compose;
pub mod configuration;
pub mod control_views;
pub mod controls;
pub mod correct;
pub mod decide;
pub mod door;
pub mod explaining;
mod facts;
pub mod from_tape;
pub mod holdings;
pub mod identify;
pub mod instruments;
pub mod intake;
mod judging;
pub mod line_query;
pub(crate) mod meeting;
mod numbers;
mod order_number;
pub mod ordering;
pub mod people;
pub mod purge;
pub mod release;
pub mod reread;
pub mod retry;
pub mod reviewing;
pub mod second_result;
pub mod set_back;
pub mod settling;
pub mod strip_lots;
pub mod telephoned;
pub mod telling;
pub mod tokens;
pub mod unread;
pub mod withdraw;

#[cfg(test)]
mod tests;

/// What an act made of reports: ids and new states.
pub type Became = Vec<(i64, String)>;
