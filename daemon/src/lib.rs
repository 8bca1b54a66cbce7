//! The daemon: thin edges around `ebbmark-core`.
//!
//! A reading's journey: a packet comes in by [`mqtt`] or the page's HTTP intake, the store's
//! writer decodes and commits it, only then it is acknowledged; [`assess`] follows the commit
//! with a verdict, [`notify`] sends what the verdict calls for, the page shows it.

mod assess;
mod backup;
pub mod cli;
pub mod clock;
pub mod config;
mod demo;
mod doors;
mod down;
mod hand;
mod heartbeat;
mod log;
mod logging;
mod look_round;
mod mark;
pub mod mqtt;
pub mod notify;
mod password;
mod reckon;
mod replay;
mod run;
pub mod secret;
pub mod serve;
mod slug;
mod storing;
mod summary;
mod tell;
pub mod tls;
mod watchdog;
mod ways;
