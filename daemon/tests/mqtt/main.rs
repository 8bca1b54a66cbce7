//! The MQTT edges against raw frames, foreign clients and a real broker.
//!
//! Needs mosquitto and its clients; `tests/run` says how to get them.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

mod broker;
mod cellar;
mod foreign;
mod greeting;
mod limits;
mod normative;
mod outgoing;
mod qos;
mod raw;
mod tools;
mod wills;
