//! The judgment: every reason code by name, the ways of controls and repeats, and the law that
//! nothing is guessed.

mod class;
mod flags;
mod lockout;
mod readings;
mod repeats;
mod way;
