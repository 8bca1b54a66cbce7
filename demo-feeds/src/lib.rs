//! A cellar that does not exist: fermentations from balances of matter, floats that misbehave,
//! and real MQTT. It shares no state with the daemon and speaks to it as a stranger would.

pub mod feed;
pub mod float;
pub mod kinds;
pub mod live;
pub mod message;
pub mod plant;
pub mod rng;
pub mod scenario;
