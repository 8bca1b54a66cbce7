//! Our own topics, published at the broker as retained messages.

use ebbmark_store::model::Stamp;
use rumqttc::{AsyncClient, PublishOptions};
use tokio::sync::watch;

use crate::mqtt::Outgoing;

/// What the publisher is told about the connection.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Link {
    /// Grows with each connection.
    pub connection: u64,
    /// The broker remembers nothing of us, so perhaps nothing of what we published.
    pub is_afresh: bool,
    pub up: Option<Stamp>,
}

/// Publishes each value and waits for its acknowledgement before the next. So there is never
/// more than one under way: no two contend for a packet id, and a slow broker is told only the
/// latest of each topic.
pub async fn publish(client: AsyncClient, hub: Outgoing, mut link: watch::Receiver<Link>) {
    let mut newest = hub.watch();
    let mut seen = 0;
    let mut last = Link::default();
    loop {
        let now = *link.borrow_and_update();
        if now.connection != last.connection && now.is_afresh {
            seen = 0;
        }
        last = now;
        newest.mark_unchanged();
        if now.up.is_some()
            && let Some(value) = hub.since(seen).into_iter().next()
        {
            let options = PublishOptions::at_least_once().retained();
            match client.try_publish_tracked(&*value.topic, value.payload.to_vec(), options) {
                Ok(notice) => match notice.wait_completion_async().await {
                    Ok(()) => seen = value.serial,
                    // The broker forgot us in between; it is told again on the new connection.
                    Err(error) => {
                        tracing::debug!(topic = &*value.topic, %error, "to be published again");
                        if link.changed().await.is_err() {
                            return;
                        }
                    }
                },
                Err(error) => {
                    // Cannot be helped by trying again.
                    tracing::warn!(topic = &*value.topic, %error, "not published");
                    seen = value.serial;
                }
            }
            continue;
        }
        tokio::select! {
            changed = link.changed() => if changed.is_err() { return },
            changed = newest.changed() => if changed.is_err() { return },
        }
    }
}
