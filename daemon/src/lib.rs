//! The daemon.

pub mod notify;
