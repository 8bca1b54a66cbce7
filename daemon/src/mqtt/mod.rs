//! MQTT, both ways round: floats publish straight to us ([`intake`]), or to a broker the
//! maker already has and we fetch from there ([`broker`]). What we tell the rest of the house
//! leaves by both through one hub ([`outgoing`]).

pub mod broker;
pub mod credentials;
mod filter;
pub mod intake;
pub mod outgoing;
mod policy;

pub use credentials::{Credentials, CredentialsError};
pub use outgoing::Outgoing;
