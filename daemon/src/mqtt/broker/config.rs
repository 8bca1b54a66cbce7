//! What the maker says about a broker to fetch from.

use std::collections::HashSet;
use std::path::PathBuf;
use std::time::Duration;

use serde::Deserialize;

use crate::mqtt::credentials::{Credentials, CredentialsError};
use crate::mqtt::{filter, intake};

#[derive(Clone, Debug, Deserialize, PartialEq, Eq)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct BrokerConfig {
    /// What its messages carry as their source.
    pub name: String,
    pub host: String,
    /// 1883, or 8883 with TLS.
    #[serde(default)]
    pub port: Option<u16>,
    #[serde(default)]
    pub tls: bool,
    /// Certificates to trust instead of the system's, as PEM.
    #[serde(default)]
    pub ca_file: Option<PathBuf>,
    #[serde(default)]
    pub credentials: Option<Credentials>,
    /// Names our session at the broker; two clients must not share one. `ebbmark`.
    #[serde(default = "default_client_id")]
    pub client_id: String,
    /// Filters to subscribe to.
    pub topics: Vec<String>,
    /// 60.
    #[serde(default = "default_keep_alive")]
    pub keep_alive_secs: u16,
    /// Whether what we have to tell is published there too, retained.
    #[serde(default)]
    pub publish: bool,
}

fn default_client_id() -> String {
    "ebbmark".into()
}

fn default_keep_alive() -> u16 {
    60
}

#[derive(Debug, thiserror::Error)]
pub enum BrokerError {
    #[error("a broker needs a name, which {0:?} is not; use letters, digits, - and _")]
    Name(String),
    #[error("the broker name {0:?} is taken by a built-in way in; choose another")]
    Reserved(String),
    #[error("two brokers are named {0:?}; give each its own name")]
    Twice(String),
    #[error("broker {0}: the host is empty")]
    NoHost(String),
    #[error("broker {0}: the client id is empty; it names the session the broker keeps for us")]
    NoClientId(String),
    #[error("broker {0}: no topics to fetch and nothing to publish; give topics")]
    NoTopics(String),
    #[error(
        "broker {name}: {topic:?} is not a topic filter; + and # must stand for a whole level, # only for the last"
    )]
    Topic { name: String, topic: String },
    #[error("broker {0}: keep-alive-secs must be at least 5")]
    KeepAlive(String),
    #[error("broker {0}: ca-file is given but tls is not on; set tls = true")]
    CaWithoutTls(String),
    #[error("broker {name}: user and password: {cause}")]
    Credentials {
        name: String,
        cause: CredentialsError,
    },
    #[error("broker {name}: cannot read ca-file {path}: {cause}")]
    CaFile {
        name: String,
        path: PathBuf,
        cause: std::io::Error,
    },
    #[error("broker {name}: ca-file {path} holds no usable certificate; it must be PEM")]
    NoCertificate { name: String, path: PathBuf },
    #[error("broker {name}: the system's certificates cannot be used: {cause}; give a ca-file")]
    SystemCertificates {
        name: String,
        cause: Box<rumqttc::TlsError>,
    },
}

/// Checks each broker, and that no two are taken for each other.
///
/// # Errors
/// Names the first thing wrong.
pub fn check(brokers: &[BrokerConfig]) -> Result<(), BrokerError> {
    let mut names = HashSet::new();
    for broker in brokers {
        broker.check()?;
        if !names.insert(&broker.name) {
            return Err(BrokerError::Twice(broker.name.clone()));
        }
    }
    Ok(())
}

impl BrokerConfig {
    /// # Errors
    /// Names the first thing wrong.
    pub fn check(&self) -> Result<(), BrokerError> {
        let name = || self.name.clone();
        let plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
        if self.name.is_empty() || !self.name.chars().all(plain) {
            return Err(BrokerError::Name(name()));
        }
        if [intake::SOURCE, "http", "import", "hand"].contains(&self.name.as_str()) {
            return Err(BrokerError::Reserved(name()));
        }
        if self.host.is_empty() {
            return Err(BrokerError::NoHost(name()));
        }
        if self.client_id.is_empty() {
            return Err(BrokerError::NoClientId(name()));
        }
        if self.topics.is_empty() && !self.publish {
            return Err(BrokerError::NoTopics(name()));
        }
        if let Some(topic) = self.topics.iter().find(|t| !filter::well_formed(t)) {
            return Err(BrokerError::Topic {
                name: name(),
                topic: topic.clone(),
            });
        }
        if self.keep_alive_secs < 5 {
            return Err(BrokerError::KeepAlive(name()));
        }
        if self.ca_file.is_some() && !self.tls {
            return Err(BrokerError::CaWithoutTls(name()));
        }
        Ok(())
    }

    pub fn port(&self) -> u16 {
        const MQTT_TLS_PORT: u16 = 8883;
        self.port.unwrap_or(if self.tls {
            MQTT_TLS_PORT
        } else {
            intake::MQTT_PORT
        })
    }

    pub fn keep_alive(&self) -> Duration {
        Duration::from_secs(self.keep_alive_secs.into())
    }

    /// Whether one of our filters takes in the topic. A broker's session may still hold
    /// filters from an earlier configuration.
    pub fn wants(&self, topic: &str) -> bool {
        self.topics
            .iter()
            .any(|wanted| filter::takes_in(without_share(wanted), topic))
    }
}

/// `$share/group/filter` delivers what `filter` takes in.
fn without_share(wanted: &str) -> &str {
    wanted
        .strip_prefix("$share/")
        .and_then(|rest| rest.split_once('/'))
        .map_or(wanted, |(_group, filter)| filter)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn config(extra: &str) -> BrokerConfig {
        toml::from_str(&format!("name = 'house'\nhost = 'broker.example'\n{extra}")).unwrap()
    }

    #[test]
    fn what_is_left_out_has_its_default() {
        let broker = config("topics = ['cellar/#']");
        assert!(broker.check().is_ok());
        assert_eq!(broker.port(), 1883);
        assert_eq!(broker.client_id, "ebbmark");
        assert_eq!(broker.keep_alive_secs, 60);
        assert!(!broker.publish);
        assert_eq!(config("topics = ['a']\ntls = true").port(), 8883);
    }

    #[test]
    fn what_is_wrong_is_named() {
        for (extra, words) in [
            ("topics = []", "no topics"),
            ("topics = ['a/#/b']", "\"a/#/b\" is not a topic filter"),
            ("topics = ['a']\nkeep-alive-secs = 1", "at least 5"),
            ("topics = ['a']\nca-file = 'x.pem'", "set tls = true"),
            ("topics = ['a']\nclient-id = ''", "client id is empty"),
        ] {
            let error = config(extra).check().unwrap_err().to_string();
            assert!(error.contains(words), "{error}");
        }
        let mut broker = config("topics = ['a']");
        broker.name = "intake".into();
        assert!(matches!(broker.check(), Err(BrokerError::Reserved(_))));
        let twice = [config("topics = ['a']"), config("topics = ['b']")];
        assert!(matches!(check(&twice), Err(BrokerError::Twice(_))));
    }

    #[test]
    fn only_what_the_filters_take_in_is_wanted() {
        let broker = config("topics = ['cellar/+', '$share/readers/shed/#']");
        assert!(broker.wants("cellar/float"));
        assert!(broker.wants("shed/a/b"));
        assert!(!broker.wants("cellar/float/battery"));
    }
}
