//! What programs see of each list: one JSON document, the same from a command as over HTTP.

pub mod controls;
pub mod held;
pub mod orders;
pub mod people;
pub mod queue;
pub mod report;
pub mod trail;
