//! Lines on pseudo-terminals and on loopback.
