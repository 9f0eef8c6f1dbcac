//! Standing.
