//! forward
