//! The proof itself on trial.
