//! The built daemon against a real broker, a real browser, a real mail server.
//!
//! `tests/run` installs what these need and builds what they start. By themselves:
//! `cargo build --workspace && cargo test -p ebbmark-tests`.

mod archive;
mod backup;
mod broker;
mod card;
mod clock;
mod common;
mod config;
mod demo;
mod faults;
mod heat;
mod hostile;
mod house;
mod ingest;
mod kill;
mod look_round;
mod metrics;
mod notices;
mod notify;
mod package;
mod pages;
mod programs;
mod purity;
mod security;
mod shutdown;
mod story;
mod tasks;
mod tls;
mod tour;
mod upgrade;
mod verdicts;
mod watchdog;
mod worked;
