//! Whole-house tests: the real binary, real ports, real sockets; and the house about itself.

mod again;
mod cable;
mod changes;
mod configuration;
mod corpus;
mod cut;
mod damage;
mod disk;
mod documents;
mod explain;
mod faults;
mod hole;
mod kit;
mod network;
mod outage;
mod peer;
mod power;
mod prove;
mod several;
mod steps;
mod tidy;
mod trail;
mod way;
