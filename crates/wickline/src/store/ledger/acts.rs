//! acts
