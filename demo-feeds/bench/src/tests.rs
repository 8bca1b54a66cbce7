//! The short form of the bench.
