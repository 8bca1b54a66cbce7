//! What is well-formed but cannot work, or would not do what it seems to: each with its remedy.

use jiff::tz::TimeZone;

use super::Config;
use crate::heartbeat::HeartbeatConfig;
use crate::mqtt::broker;

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
        if self.page.listen.is_empty() {
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
        if !self.intake.listen.is_empty()
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

fn within(found: &mut Vec<String>, key: &str, value: u64, low: u64, high: u64) {
    if !(low..=high).contains(&value) {
        found.push(format!(
            "{key} is {value}; it must lie between {low} and {high}"
        ));
    }
}
