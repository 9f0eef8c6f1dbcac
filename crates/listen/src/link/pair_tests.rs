//! A simulated sender against a simulated receiver.
