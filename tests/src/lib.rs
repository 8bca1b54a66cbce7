//! What the end-to-end tests stand on: the built programs and their surroundings, all real.
//!
//! Nothing here waits a fixed time. Processes are followed by what they say; where only asking
//! tells, it is asked again until it is so, up to one generous deadline (see [`wait`]). Whatever
//! a test starts ends with it, also when it fails.

pub mod cellar;
pub mod certificate;
pub mod database;
pub mod form;
pub mod lines;
pub mod mosquitto;
pub mod page;
pub mod ports;
pub mod process;
pub mod sink;
pub mod tools;
pub mod wait;
