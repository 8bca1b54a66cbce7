//! The daemon: thin edges around `ebbmark-core`.

pub mod cli;
pub mod replay;
