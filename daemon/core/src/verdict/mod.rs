//! The verdict: what is known about one vessel at one moment, and what may be done with it.

pub mod outcome;
