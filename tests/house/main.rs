//! Whole-house tests: the real binary, real ports, real sockets; and the house about itself.

mod changes;
mod configuration;
mod disk;
mod documents;
mod faults;
mod kit;
mod peer;
mod power;
mod tidy;
mod way;
