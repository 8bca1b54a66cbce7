//! What a stranger may send, thrown at what takes it: one module for each way in, each with a
//! `run` that panics when something does not hold.
//!
//! `fuzz_targets/` are these as libFuzzer programs (`tests/fuzz/run`), `tests/short.rs` runs them
//! under `cargo test` over what is kept in `corpus/` and some thousand changed copies of it.

pub mod config;
pub mod csv;
pub mod decode;
pub mod http;
pub mod line;
pub mod mqtt;
pub mod reckon;
mod store;

/// A target's name and what it does.
pub type Target = (&'static str, fn(&[u8]));

pub const ALL: [Target; 7] = [
    ("config", config::run),
    ("csv", csv::run),
    ("decode", decode::run),
    ("http", http::run),
    ("line", line::run),
    ("mqtt", mqtt::run),
    ("reckon", reckon::run),
];

/// 2026-03-01T12:00:00Z, the time it is here.
const NOW: ebbmark_core::time::Moment = ebbmark_core::time::Moment(1_772_366_400_000);

/// What stands before the first line end, and the rest.
fn first_line(data: &[u8]) -> (&[u8], &[u8]) {
    match data.iter().position(|b| *b == b'\n') {
        Some(at) => (&data[..at], &data[at + 1..]),
        None => (data, &[]),
    }
}
