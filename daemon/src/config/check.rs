//! What is well-formed but cannot work, or would not do what it seems to: each with its remedy.

use jiff::tz::TimeZone;

use super::Config;
use crate::heartbeat::HeartbeatConfig;
use crate::mqtt::broker;
use crate::secret::SecretError;
use crate::tls::{Pair, TlsConfig, TlsError};

impl Config {
    /// All problems at once, so that a file is put right in one go.
    pub fn problems(&self) -> Vec<String> {
        let mut found = Vec::new();
        if let Some(zone) = &self.zone
            && TimeZone::get(zone).is_err()
        {
            found.push(format!(
                "zone \"{zone}\" is not an IANA time zone such as Europe/Vienna"
            ));
        }
        if self.page.addresses().next().is_none() {
            found.push(
                "page: listen is empty; the page needs an address such as 127.0.0.1:8420".into(),
            );
        }
        if let Some(address) = &self.page.address
            && (crate::notify::target(address).is_none() || address.contains(['?', '#', ' ', '"']))
        {
            found.push(format!(
                "page: address \"{address}\" is not one like https://cellar.example.org"
            ));
        }
        for (of, tls) in self.tls() {
            if tls.listen.is_empty() {
                found.push(format!(
                    "{of}.tls: listen is empty; name an address, or leave the table out"
                ));
            }
        }
        let store = &self.store;
        within(
            &mut found,
            "store: commit-messages",
            store.commit_messages as u64,
            1,
            10_000,
        );
        within(
            &mut found,
            "store: commit-window-ms",
            store.commit_window_ms,
            0,
            10_000,
        );
        within(
            &mut found,
            "store: quiet-gap-ms",
            store.quiet_gap_ms,
            0,
            10_000,
        );
        within(
            &mut found,
            "store: leisure-seconds",
            store.leisure_seconds,
            0,
            600,
        );
        if !self.intake.is_off()
            && let Err(e) = self.intake.limits.check()
        {
            found.push(format!("intake: {e}"));
        }
        if let Err(e) = self.intake.guarded() {
            found.push(e.to_string());
        }
        if let Err(e) = broker::check(&self.broker) {
            found.push(e.to_string());
        }
        found.extend(self.notify.check());
        found.extend(self.heartbeat.iter().flat_map(HeartbeatConfig::check));
        found.extend(self.backup.check());
        found.extend(self.shelf_life.check());
        found
    }
}

/// What stands in other files, which not everybody may read who may read the configuration.
pub struct Looked {
    pub problems: Vec<String>,
    /// What could not be looked at from here.
    pub unseen: Vec<String>,
}

impl Config {
    /// Where TLS is spoken, with the part of the configuration that says so.
    pub fn tls(&self) -> impl Iterator<Item = (&'static str, &TlsConfig)> {
        let page = self.page.tls.iter().map(|tls| ("page", tls));
        page.chain(self.intake.tls.iter().map(|tls| ("intake", tls)))
    }

    /// Reads every file that is named: certificates, keys, secrets.
    pub fn look_at_files(&self) -> Looked {
        let mut looked = Looked {
            problems: Vec::new(),
            unseen: Vec::new(),
        };
        for (of, tls) in self.tls() {
            match Pair::load(tls) {
                Ok(_) => {}
                Err(TlsError::File(e @ SecretError::NotByService(_))) => {
                    looked.unseen.push(format!("{of}.tls: {e}"));
                }
                Err(e) => looked.problems.push(format!("{of}.tls: {e}")),
            }
        }
        for (of, file) in self.secrets() {
            match file.first_line() {
                Ok(_) => {}
                Err(e @ SecretError::NotByService(_)) => looked.unseen.push(format!("{of}: {e}")),
                Err(e) => looked.problems.push(format!("{of}: {e}")),
            }
        }
        looked
    }
}

fn within(found: &mut Vec<String>, key: &str, value: u64, low: u64, high: u64) {
    if !(low..=high).contains(&value) {
        found.push(format!(
            "{key} is {value}; it must lie between {low} and {high}"
        ));
    }
}
