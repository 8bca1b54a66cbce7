//! The ways out, each ready to send.

use std::sync::Arc;

use ebbmark_core::notice::NoticeKind;
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use jiff::tz::TimeZone;

use super::config::{LOG, MAIL, MQTT, NotifyConfig};
use super::letter::Letter;
use super::mail::Mail;
use super::mqtt;
use super::webhook::Webhook;

/// Publishes a retained message: topic, payload.
pub type Publish = Arc<dyn Fn(String, Vec<u8>) + Send + Sync>;

/// One way out. Cheap to clone.
#[derive(Clone)]
pub enum Way {
    Log,
    Mqtt(Publish),
    Mail(Arc<Mail>),
    Webhook(Arc<Webhook>),
}

/// Why the ways out cannot be set up: every reason at once.
#[derive(Debug, thiserror::Error)]
#[error("the ways out for notices are not set up right:\n  {}", .0.join("\n  "))]
pub struct NotReady(pub Vec<String>);

/// The ways out that are on, by the name that stands in [`ebbmark_store::model::NewNotice::channels`].
///
/// # Errors
/// The configuration is wrong, or a file it names cannot be read.
pub fn ways(config: &NotifyConfig, publish: Publish) -> Result<Vec<(String, Way)>, NotReady> {
    let mut problems = config.check();
    if !problems.is_empty() {
        return Err(NotReady(problems));
    }
    let mut ways = Vec::new();
    if config.log {
        ways.push((LOG.to_owned(), Way::Log));
    }
    if config.mqtt {
        ways.push((MQTT.to_owned(), Way::Mqtt(publish)));
    }
    if let Some(mail) = &config.mail {
        match Mail::new(mail) {
            Ok(mail) => ways.push((MAIL.to_owned(), Way::Mail(Arc::new(mail)))),
            Err(problem) => problems.push(format!("notify.mail.{problem}")),
        }
    }
    for (name, hook) in &config.webhook {
        match Webhook::new(hook) {
            Ok(hook) => ways.push((name.clone(), Way::Webhook(Arc::new(hook)))),
            Err(problem) => problems.push(format!("notify.webhook.{name}.{problem}")),
        }
    }
    if problems.is_empty() {
        Ok(ways)
    } else {
        Err(NotReady(problems))
    }
}

impl Way {
    /// Whether it calls the maker: it keeps the quiet hours, and takes several notices as one. The
    /// log and the topics are there to be looked at, and say what is at once.
    pub fn calls_him(&self) -> bool {
        matches!(self, Way::Mail(_) | Way::Webhook(_))
    }

    pub fn shows_pictures(&self) -> bool {
        matches!(self, Way::Mail(_))
    }

    /// # Errors
    /// It was not taken, in words for the maker.
    pub async fn send(
        &self,
        letter: &Letter,
        now: Moment,
        style: &Style<'_>,
    ) -> Result<(), String> {
        match self {
            Way::Log => {
                tracing::info!(
                    kind = letter.kind,
                    vessel = letter.vessel.as_deref(),
                    at = letter.at.to_rfc3339(),
                    "{}: {}",
                    letter.title,
                    letter.body
                );
                Ok(())
            }
            Way::Mqtt(publish) => {
                for (topic, payload) in mqtt::publications(letter) {
                    publish(topic, payload);
                }
                Ok(())
            }
            Way::Mail(mail) => mail.send(letter, now, style).await,
            Way::Webhook(hook) => {
                let (hook, letter) = (Arc::clone(hook), letter.clone());
                tokio::task::spawn_blocking(move || hook.send(&letter))
                    .await
                    .unwrap_or_else(|error| Err(format!("the call broke off: {error}")))
            }
        }
    }

    /// Sends a test through this way, as a real notice goes, and tells at once whether it went.
    /// (A test of the queue as well is a notice of [`NoticeKind::Test`] put into the store.)
    ///
    /// # Errors
    /// As [`Way::send`].
    pub async fn test(&self, now: Moment) -> Result<(), String> {
        let letter = Letter::bare(
            format!("test-{}", now.0),
            NoticeKind::Test,
            now,
            "Ebbmark: a test".to_owned(),
            "If you can read this, notices come through this way.".to_owned(),
        );
        self.send(&letter, now, &Style::usual(&TimeZone::UTC)).await
    }
}
