//! The floats on the wire: one MQTT connection each, one message in flight, kept until the
//! broker has acknowledged it. That is all a stranger may rely on.

use std::sync::Arc;
use std::time::Duration;

use ebbmark_core::time::Moment;
use rumqttc::{AsyncClient, Broker, EventLoop, MqttOptions, PublishOptions};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use crate::feed::Message;
use crate::scenario::DemoVessel;

/// How often simulated time is looked at. Short against the fastest demonstration in use.
const LOOK: Duration = Duration::from_millis(50);

/// Wait before another try to connect: first, and at most.
const BACK_OFF_FIRST: Duration = Duration::from_millis(250);
const BACK_OFF_MOST: Duration = Duration::from_secs(10);

/// How long the last message may wait for its acknowledgement at the end.
const GOOD_BYE: Duration = Duration::from_secs(1);

/// Sends what the floats of `vessels` say from now on, as `clock` passes each message's time,
/// until `shutdown`. Messages wait out a broker that is away, and go out when it is back.
pub async fn publish_live(
    vessels: Vec<DemoVessel>,
    host: String,
    port: u16,
    clock: impl Fn() -> Moment + Send + Sync + 'static,
    shutdown: CancellationToken,
) {
    let clock = Arc::new(clock);
    let mut floats = JoinSet::new();
    for vessel in &vessels {
        let float = Sender {
            topic: vessel.feed.topic,
            broker: Broker::tcp(host.clone(), port),
            shutdown: shutdown.clone(),
        };
        let clock = Arc::clone(&clock);
        let coming = vessel.coming();
        floats.spawn(async move { float.run(coming, move || clock()).await });
    }
    // A float that panicked must be seen, not silently missing.
    while let Some(ended) = floats.join_next().await {
        if let Err(error) = ended {
            tracing::error!(%error, "a simulated float broke");
        }
    }
}

struct Sender {
    topic: &'static str,
    broker: Broker,
    shutdown: CancellationToken,
}

impl Sender {
    async fn run(self, coming: impl Iterator<Item = Message>, clock: impl Fn() -> Moment) {
        // A name of its own per float, of the kind every broker must take (MQTT 3.1.1, 3.1.3.1).
        let id: String = self
            .topic
            .chars()
            .filter(char::is_ascii_alphanumeric)
            .take(23)
            .collect();
        let mut options = MqttOptions::new(id, self.broker.clone());
        options.set_keep_alive(30);
        let (client, connection) = AsyncClient::builder(options).capacity(4).build();

        let wire = tokio::spawn(keep_connected(
            connection,
            self.topic,
            self.shutdown.clone(),
        ));
        tokio::select! {
            () = self.shutdown.cancelled() => {}
            () = send_all(&client, self.topic, coming, clock) => {}
        }
        // Said good-bye to, a broker does not report the float as lost. The connection may be
        // down already; then there is nobody to tell.
        let _ = client.try_disconnect_with_timeout(GOOD_BYE);
        if let Err(error) = wire.await {
            tracing::error!(topic = self.topic, %error, "a simulated connection broke");
        }
    }
}

async fn send_all(
    client: &AsyncClient,
    topic: &'static str,
    coming: impl Iterator<Item = Message>,
    clock: impl Fn() -> Moment,
) {
    for message in coming {
        while clock() < message.due {
            tokio::time::sleep(LOOK).await;
        }
        // A broker that forgot the connection loses what was in flight: send until acknowledged.
        loop {
            let queued = client
                .publish_tracked(
                    topic,
                    message.payload.clone(),
                    PublishOptions::at_least_once(),
                )
                .await;
            match queued {
                Ok(notice) => match notice.wait_async().await {
                    Ok(_) => break,
                    Err(error) => tracing::debug!(topic, %error, "sending again"),
                },
                Err(error) => {
                    tracing::debug!(topic, %error, "the connection has ended");
                    return;
                }
            }
        }
    }
}

/// Drives the connection, with growing waits between tries, until shutdown.
async fn keep_connected(mut connection: EventLoop, topic: &'static str, stop: CancellationToken) {
    let mut wait = BACK_OFF_FIRST;
    loop {
        match connection.poll().await {
            Ok(_) => wait = BACK_OFF_FIRST,
            Err(error) => {
                if stop.is_cancelled() {
                    return;
                }
                tracing::info!(topic, %error, "simulated float is off the air");
                tokio::select! {
                    () = stop.cancelled() => return,
                    () = tokio::time::sleep(wait) => {}
                }
                wait = (wait * 2).min(BACK_OFF_MOST);
            }
        }
    }
}
