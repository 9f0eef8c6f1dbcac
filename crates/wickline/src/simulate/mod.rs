//! A simulated analyzer: what it runs, how it prints, how it talks on its line.

pub mod analyzer;
pub mod orders;
pub mod port;
pub mod print;
pub mod script;
