//! What is done when a client goes without saying goodbye.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;

use ebbmark_store::model::{Arrival, Command};

use super::hello::Will;
use super::{SOURCE, Shared};
use crate::mqtt::policy;

/// Topics remembered per connection; a float has one or two.
const MOST_TOPICS: usize = 64;

/// The topics a client has published to over one connection.
#[derive(Default)]
pub struct Published(BTreeSet<String>);

impl Published {
    pub fn note(&mut self, topic: &str) {
        if self.0.len() < MOST_TOPICS && !self.0.contains(topic) {
            self.0.insert(topic.to_owned());
        }
    }
}

/// Carries out a will: now, or after its delay unless the client is back by then.
///
/// A delay never outlasts the session: with it ends the client's claim to be coming back. Where
/// too many wait already there is none.
pub fn carry_out(
    will: Will,
    published: Published,
    client_id: String,
    session_secs: u32,
    shared: &Arc<Shared>,
) {
    let shared = shared.clone();
    let delay = Duration::from_secs(will.delay_secs.min(session_secs).into());
    let back = match delay.is_zero() {
        true => None,
        false => shared.sessions.delay_will(&client_id),
    };
    shared.tracker.clone().spawn(async move {
        if let Some(back) = back {
            tokio::select! {
                () = back.cancelled() => return,
                // Whether it would have come back can no longer be known.
                () = shared.shutdown.cancelled() => return,
                () = tokio::time::sleep(delay) => {}
            }
            shared.sessions.will_is_out(&client_id);
        }
        announce(will, published, &shared).await;
    });
}

async fn announce(will: Will, published: Published, shared: &Shared) {
    let stamp = (shared.clock)();
    match policy::check_topic(&will.topic, &shared.limits) {
        Ok(()) if will.payload.len() <= shared.payload_limit() => {
            let arrival = Arrival {
                source: SOURCE.into(),
                topic: will.topic,
                payload: will.payload,
                stamp,
                delivery: None,
                retained: false,
            };
            if let Err(error) = shared.writer.arrive(arrival).await {
                tracing::warn!(%error, "a last will was not stored");
            }
        }
        Ok(()) => tracing::info!(topic = will.topic, "last will too large, not taken"),
        Err(fault) => tracing::info!(topic = will.topic, %fault, "last will not taken"),
    }
    // Without a believable clock there is no saying when it went.
    let Some(at) = stamp.wall else { return };
    if published.0.is_empty() {
        return;
    }
    let command = Command::WentAway {
        source: SOURCE.into(),
        topics: published.0.into_iter().collect(),
        at,
    };
    if let Err(error) = shared.writer.command(command).await {
        tracing::warn!(%error, "that a client went away was not stored");
    }
}
