//! The program as a library.
