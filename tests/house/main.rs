//! Whole-house tests: the real binary, real ports, real sockets.
