//! How fast both dialects are read, against fields split by hand.

fn main() {}
