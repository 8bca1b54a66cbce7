//! The ways out, as the page and the command line speak of them.

use std::sync::Arc;

use anyhow::{Result, bail};
use ebbmark_core::time::Moment;
use ebbmark_web::WayOut;

use crate::notify::config::{LOG, MAIL, MQTT};
use crate::notify::{NotifyConfig, place, ways};

/// Every way out that is on, in words.
pub fn described(config: &NotifyConfig) -> Vec<WayOut> {
    let describe = |name: &str| match name {
        LOG => "the daemon's own log".to_string(),
        MQTT => "retained MQTT topics under ebbmark/notice/".to_string(),
        MAIL => {
            let to = config
                .mail
                .as_ref()
                .map(|m| m.to.join(", "))
                .unwrap_or_default();
            format!("mail to {to}")
        }
        hook => {
            let url = config.webhook.get(hook).map(|w| w.url.as_str());
            format!("a call to {}", place(url.unwrap_or_default()))
        }
    };
    let channels = config.channels();
    channels
        .into_iter()
        .map(|name| WayOut {
            description: describe(&name),
            name,
        })
        .collect()
}

/// Sends a test by each way out, or by one, and says what came of it.
///
/// # Errors
/// No such way, the configuration is wrong, or one of them failed.
pub async fn test(config: &NotifyConfig, only: Option<&str>, now: Moment) -> Result<()> {
    let all = ways(config, Arc::new(|_, _| {}))?;
    let names: Vec<&str> = all.iter().map(|(name, _)| name.as_str()).collect();
    if let Some(name) = only.filter(|name| !names.contains(name)) {
        bail!(
            "no way out is named \"{name}\"; there are: {}",
            names.join(", ")
        );
    }
    let mut failed = 0;
    for (name, way) in all
        .iter()
        .filter(|(name, _)| only.is_none_or(|o| o == name))
    {
        if name == MQTT {
            println!("{name}: goes out through the running daemon; test it on the page");
            continue;
        }
        match way.test(now).await {
            Ok(()) => println!("{name}: sent"),
            Err(e) => {
                println!("{name}: failed: {e}");
                failed += 1;
            }
        }
    }
    if failed > 0 {
        bail!("{failed} of the ways out failed");
    }
    Ok(())
}
