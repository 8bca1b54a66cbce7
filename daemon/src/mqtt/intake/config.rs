//! What the maker may set for the built-in intake.

use std::net::{Ipv4Addr, SocketAddr};
use std::time::Duration;

use ebbmark_core::topic;
use serde::Deserialize;

use super::IntakeError;
use crate::mqtt::Credentials;
use crate::tls::{self, TlsConfig};

/// The port registered for MQTT with IANA.
pub const MQTT_PORT: u16 = 1883;

#[derive(Clone, Debug, Deserialize, PartialEq, Eq)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct IntakeConfig {
    /// Addresses to listen on. Others than loopback need `credentials`.
    pub listen: Vec<SocketAddr>,
    /// Addresses where TLS is spoken, besides. Default: none.
    pub tls: Option<TlsConfig>,
    /// One user for all floats; without it anyone on this machine may connect.
    pub credentials: Option<Credentials>,
    pub limits: Limits,
}

impl Default for IntakeConfig {
    fn default() -> Self {
        IntakeConfig {
            listen: vec![(Ipv4Addr::LOCALHOST, MQTT_PORT).into()],
            tls: None,
            credentials: None,
            limits: Limits::default(),
        }
    }
}

impl IntakeConfig {
    /// All addresses, in the clear and over TLS.
    pub fn addresses(&self) -> impl Iterator<Item = &SocketAddr> {
        tls::addresses(&self.listen, self.tls.as_ref())
    }

    pub fn is_off(&self) -> bool {
        self.addresses().next().is_none()
    }

    /// # Errors
    /// An address other than loopback is to be opened without a user and a password.
    pub fn guarded(&self) -> Result<(), IntakeError> {
        let open = |address: &&SocketAddr| !address.ip().to_canonical().is_loopback();
        match self.addresses().find(open) {
            Some(address) if self.credentials.is_none() => Err(IntakeError::Unguarded(*address)),
            _ => Ok(()),
        }
    }
}

/// How much one client, and all of them together, may ask of us.
#[derive(Clone, Debug, Deserialize, PartialEq, Eq)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Limits {
    /// Longest payload taken. 65536.
    pub payload_bytes: u32,
    /// Longest topic. 256.
    pub topic_bytes: u16,
    /// Most levels in a topic. 16.
    pub topic_levels: u16,
    /// Connections at a time. 64.
    pub connections: u16,
    /// Of these from one address. 32.
    pub connections_per_address: u16,
    /// Messages a second from one connection, over time; a faster one is read more slowly.
    /// 0 sets no limit. 200.
    pub messages_per_second: u32,
    /// Messages a connection may send at once before that rate holds. 1000.
    pub burst_messages: u32,
    /// Messages of a connection on their way to the disk before we stop reading; also the
    /// receive maximum told to MQTT 5 clients. 20.
    pub in_flight_messages: u16,
    /// Filters one client may subscribe to. 32.
    pub subscriptions: u16,
    /// From the connection being made to a complete CONNECT, 10; over TLS as long again for TLS itself.
    pub connect_timeout_secs: u32,
    /// How long a client may leave what we send unread before it is cut off. 20.
    pub write_timeout_secs: u32,
    /// When stopping: how long to wait for the last messages to be stored and acknowledged. 5.
    pub drain_timeout_secs: u32,
    /// Longest that the session of an absent client is kept. 168.
    pub session_hours: u32,
    /// Sessions of absent clients kept. 256.
    pub sessions: u16,
}

impl Default for Limits {
    fn default() -> Self {
        Limits {
            payload_bytes: 64 * 1024,
            topic_bytes: topic::LONGEST,
            topic_levels: topic::DEEPEST,
            connections: 64,
            connections_per_address: 32,
            messages_per_second: 200,
            burst_messages: 1000,
            in_flight_messages: 20,
            subscriptions: 32,
            connect_timeout_secs: 10,
            write_timeout_secs: 20,
            drain_timeout_secs: 5,
            session_hours: 7 * 24,
            sessions: 256,
        }
    }
}

/// A limit that makes the intake useless, or that the protocol cannot express.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[error("intake limit {name} is {value}; it must lie between {least} and {most}")]
pub struct BadLimit {
    name: &'static str,
    value: u32,
    least: u32,
    most: u32,
}

/// Room in a packet for what stands around the payload: topic, ids and MQTT 5 properties.
const AROUND_PAYLOAD_BYTES: u32 = 2048;

impl Limits {
    /// # Errors
    /// Names the first limit that cannot be kept.
    pub fn check(&self) -> Result<(), BadLimit> {
        const NO_ZERO: u32 = 1;
        let bounds = [
            // Above this a packet could not say its own length.
            ("payload-bytes", self.payload_bytes, NO_ZERO, 16 << 20),
            ("topic-bytes", self.topic_bytes.into(), NO_ZERO, 65_535),
            ("topic-levels", self.topic_levels.into(), NO_ZERO, 65_535),
            ("connections", self.connections.into(), NO_ZERO, 65_535),
            (
                "connections-per-address",
                self.connections_per_address.into(),
                NO_ZERO,
                65_535,
            ),
            ("burst-messages", self.burst_messages, NO_ZERO, 1_000_000),
            (
                "in-flight-messages",
                self.in_flight_messages.into(),
                NO_ZERO,
                // Well inside what the store looks through for a repeat.
                64,
            ),
            (
                "connect-timeout-secs",
                self.connect_timeout_secs,
                NO_ZERO,
                3600,
            ),
            ("write-timeout-secs", self.write_timeout_secs, NO_ZERO, 3600),
            ("drain-timeout-secs", self.drain_timeout_secs, 0, 60),
            ("session-hours", self.session_hours, 0, 24 * 365),
        ];
        bounds
            .into_iter()
            .find(|(_, value, least, most)| !(*least..=*most).contains(value))
            .map_or(Ok(()), |(name, value, least, most)| {
                Err(BadLimit {
                    name,
                    value,
                    least,
                    most,
                })
            })
    }

    /// Longest packet read; a longer one is refused by its header alone.
    pub fn packet_bytes(&self) -> u32 {
        self.payload_bytes
            .saturating_add(u32::from(self.topic_bytes))
            .saturating_add(AROUND_PAYLOAD_BYTES)
    }

    pub fn connect_timeout(&self) -> Duration {
        Duration::from_secs(self.connect_timeout_secs.into())
    }

    pub fn write_timeout(&self) -> Duration {
        Duration::from_secs(self.write_timeout_secs.into())
    }

    pub fn drain_timeout(&self) -> Duration {
        Duration::from_secs(self.drain_timeout_secs.into())
    }

    pub fn session_seconds(&self) -> u32 {
        self.session_hours.saturating_mul(3600)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_defaults_are_sound() {
        assert_eq!(Limits::default().check(), Ok(()));
    }

    #[test]
    fn a_limit_that_cannot_be_kept_is_named() {
        let limits = Limits {
            in_flight_messages: 0,
            ..Limits::default()
        };
        assert_eq!(
            limits.check().unwrap_err().to_string(),
            "intake limit in-flight-messages is 0; it must lie between 1 and 64"
        );
    }

    #[test]
    fn keys_are_kebab_case_and_typos_are_refused() {
        let config: IntakeConfig = toml::from_str(
            r#"
            listen = ["192.0.2.7:1883"]
            credentials = { user = "cellar", password = "linden" }
            limits.payload-bytes = 1000
            "#,
        )
        .unwrap();
        assert_eq!(config.limits.payload_bytes, 1000);
        assert_eq!(config.limits.connections, 64);
        assert!(toml::from_str::<IntakeConfig>("limits.payload_bytes = 1").is_err());
    }
}
