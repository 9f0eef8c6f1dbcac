//! listen
