//! The way of a result through the house: heard, read, judged, delivered.

pub mod compose;
pub mod delivery;
pub mod event;
pub mod hearing;
pub mod reading;
