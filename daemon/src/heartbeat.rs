//! A call that goes out as long as the daemon lives: whoever waits for it notices when it stays
//! out, which no notice of a dead daemon could tell.

use std::collections::BTreeMap;
use std::fmt;
use std::time::Duration;

use anyhow::{Result, anyhow};
use serde::Deserialize;
use tokio_util::sync::CancellationToken;
use ureq::Agent;

use crate::notify::{Secrets, in_words, url};
use crate::secret::SecretFile;

const TIMEOUT: Duration = Duration::from_secs(15);

#[derive(Clone, Deserialize, PartialEq, Eq)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct HeartbeatConfig {
    /// Called with GET; what it answers is read no further than whether it took it.
    pub url: String,
    /// Files whose first lines stand for `{{secret.NAME}}` in the address. Default: none.
    #[serde(default)]
    pub secrets: BTreeMap<String, SecretFile>,
    /// Minutes between two calls (1 to 1440). Default: 5.
    #[serde(default = "default_every")]
    pub every_minutes: u32,
}

fn default_every() -> u32 {
    5
}

impl HeartbeatConfig {
    /// Everything that is wrong. The address may hold a secret, so it is not repeated.
    pub fn check(&self) -> Vec<String> {
        let mut problems = Vec::new();
        let found = url(&self.url, &Secrets::unread(&self.secrets));
        problems.extend(found.err().map(|e| format!("heartbeat: {e}")));
        if !(1..=1440).contains(&self.every_minutes) {
            problems.push(format!(
                "heartbeat: every-minutes is {}; it must lie between 1 and 1440",
                self.every_minutes
            ));
        }
        problems
    }

    fn every(&self) -> Duration {
        Duration::from_secs(u64::from(self.every_minutes) * 60)
    }
}

// The address may hold a secret, which must not reach a log through `{:?}`.
impl fmt::Debug for HeartbeatConfig {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("HeartbeatConfig")
            .field("secrets", &self.secrets)
            .field("every_minutes", &self.every_minutes)
            .finish_non_exhaustive()
    }
}

/// Ready to be run.
pub struct Heartbeat {
    url: String,
    every: Duration,
}

impl Heartbeat {
    /// # Errors
    /// A secret cannot be read.
    pub fn new(config: &HeartbeatConfig) -> Result<Heartbeat> {
        let url = Secrets::read(&config.secrets).and_then(|secrets| url(&config.url, &secrets));
        Ok(Heartbeat {
            url: url.map_err(|e| anyhow!("heartbeat: {e}"))?,
            every: config.every(),
        })
    }
}

/// Calls until `shutdown`. A failure is a line in the log, one for each time it begins.
pub async fn run(heartbeat: Heartbeat, shutdown: CancellationToken) {
    let agent = Agent::config_builder()
        .timeout_global(Some(TIMEOUT))
        .max_redirects(0)
        .http_status_as_error(false)
        .user_agent(concat!("ebbmark/", env!("CARGO_PKG_VERSION")))
        .build()
        .new_agent();
    let mut beats = tokio::time::interval(heartbeat.every);
    let mut failing = false;
    loop {
        tokio::select! {
            () = shutdown.cancelled() => return,
            _ = beats.tick() => {}
        }
        let (agent, url) = (agent.clone(), heartbeat.url.clone());
        let beat = tokio::task::spawn_blocking(move || beat(&agent, &url)).await;
        let beat = beat.unwrap_or_else(|e| Err(format!("the call broke off: {e}")));
        match &beat {
            Ok(()) if failing => tracing::info!("the heartbeat is heard again"),
            Err(e) if !failing => tracing::warn!("the heartbeat is not heard: {e}"),
            _ => {}
        }
        failing = beat.is_err();
    }
}

fn beat(agent: &Agent, url: &str) -> Result<(), String> {
    let answer = agent.get(url).call().map_err(in_words)?;
    if answer.status().is_success() {
        Ok(())
    } else {
        Err(format!("answered {}", answer.status()))
    }
}
