//! Whole-house tests: the real binary, real ports, real sockets; and the house about itself.

mod configuration;
mod documents;
mod faults;
mod kit;
mod outage;
mod several;
mod tidy;
mod way;
