//! A cellar that does not exist: fermentations from balances of matter, floats that misbehave,
//! and real MQTT. It shares no state with the daemon and speaks to it as a stranger would.

pub mod float;
pub mod plant;
mod rng;
