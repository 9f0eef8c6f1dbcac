//! Layouts as they come from a configuration.
