//! How LIS02 records are read.
