//! The connection itself: polled without waiting for anything but room for what comes.

use std::sync::Arc;
use std::time::Duration;

use ebbmark_core::reading::ProblemKind;
use ebbmark_core::topic::is_ours;
use ebbmark_store::Writer;
use ebbmark_store::model::{Arrival, Command, Delivery};
use rumqttc::{
    AsyncClient, ConnAck, ConnectReturnCode, ConnectionError, Event, EventLoop, Incoming, Publish,
    QoS, SubAck, SubscribeFilter, SubscribeReasonCode,
};
use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, sleep, timeout, timeout_at};
use tokio_util::sync::CancellationToken;

use super::backoff::Backoff;
use super::config::BrokerConfig;
use super::forward::{Gate, Inbox, Receipt, Received, Trouble};
use super::publish::Link;
use super::{BrokerCounts, BrokerState};
use crate::mqtt::intake::{Clock, Limits};
use crate::mqtt::policy;

/// How long a goodbye may take.
const GOODBYE: Duration = Duration::from_secs(2);
/// Keep-alives without a word before the connection is given up.
const SILENT_KEEP_ALIVES: u32 = 3;

pub struct Connection<'a> {
    pub config: BrokerConfig,
    pub client: AsyncClient,
    pub events: EventLoop,
    pub writer: Writer,
    pub clock: Clock,
    pub counts: Arc<BrokerCounts>,
    pub state: watch::Sender<BrokerState>,
    pub inbox: Inbox,
    pub troubles: mpsc::UnboundedReceiver<Trouble>,
    pub gate: &'a Gate,
    pub link: watch::Sender<Link>,
    /// Whether the broker has granted all our filters in the session it keeps. Not known at the
    /// start: the session may be from a run with other filters.
    pub is_subscribed: bool,
}

impl Connection<'_> {
    /// Connects, and connects again after every break, until told to stop.
    pub async fn keep_up(mut self, shutdown: CancellationToken) {
        let mut backoff = Backoff::default();
        let mut number = self.gate.next_connection();
        loop {
            let mut since = None;
            let ended = tokio::select! {
                ended = self.converse(number, &mut since) => ended,
                () = shutdown.cancelled() => break,
            };
            number = self.gate.next_connection();
            // After the gate, so that no acknowledgement of the old connection is left behind.
            self.events.clean();
            self.went_down(&ended);
            let lasted = since.map_or(Duration::ZERO, |since: Instant| since.elapsed());
            let pause = backoff.after(lasted, random());
            tokio::select! {
                () = sleep(pause) => {}
                () = shutdown.cancelled() => break,
            }
        }
        self.say_goodbye().await;
    }

    /// One connection, from the attempt to its end. Returns what ended it.
    async fn converse(&mut self, number: u64, since: &mut Option<Instant>) -> String {
        let patience = self.config.keep_alive() * SILENT_KEEP_ALIVES;
        let mut deadline = Instant::now() + patience;
        loop {
            // Not silence of the broker's.
            let waited = Instant::now();
            tokio::select! {
                Some(trouble) = self.troubles.recv() => match trouble {
                    Trouble { why, connection } if connection == number => return why,
                    _ => continue,
                },
                () = self.inbox.room() => deadline += waited.elapsed(),
            }
            let event = tokio::select! {
                Some(trouble) = self.troubles.recv() => match trouble {
                    Trouble { why, connection } if connection == number => return why,
                    // The break it calls for has already happened.
                    _ => continue,
                },
                polled = timeout_at(deadline, self.events.poll()) => match polled {
                    Ok(Ok(event)) => event,
                    Ok(Err(error)) => return explain(&error, &self.config),
                    Err(_) => return format!("no word from the broker for {} s", patience.as_secs()),
                },
            };
            let Event::Incoming(packet) = event else {
                continue;
            };
            deadline = Instant::now() + patience;
            let done = match packet {
                Incoming::ConnAck(connack) => {
                    *since = Some(Instant::now());
                    self.went_up(number, &connack)
                }
                Incoming::SubAck(suback) => {
                    self.subscribed(&suback);
                    Ok(())
                }
                Incoming::Publish(publish) => self.take(publish, number),
                _ => Ok(()),
            };
            if let Err(why) = done {
                return why;
            }
        }
    }

    fn went_up(&mut self, number: u64, connack: &ConnAck) -> Result<(), String> {
        let now = (self.clock)();
        let name = &self.config.name;
        tracing::info!(
            broker = name,
            session = connack.session_present,
            "connected"
        );
        self.state.send_modify(|state| state.connected = Some(now));
        self.link.send_replace(Link {
            connection: number,
            is_afresh: !connack.session_present,
            up: Some(now),
        });
        self.is_subscribed &= connack.session_present;
        if self.is_subscribed || self.config.topics.is_empty() {
            return Ok(());
        }
        let filters = self
            .config
            .topics
            .iter()
            .map(|topic| SubscribeFilter::new(topic.clone(), QoS::AtLeastOnce));
        self.client
            .try_subscribe_many(filters)
            .map_err(|error| format!("cannot subscribe: {error}"))
    }

    fn subscribed(&mut self, suback: &SubAck) {
        let refused: Vec<String> = self
            .config
            .topics
            .iter()
            .zip(&suback.return_codes)
            .filter(|(_, code)| matches!(code, SubscribeReasonCode::Failure))
            .map(|(topic, _)| topic.clone())
            .collect();
        self.is_subscribed = refused.is_empty();
        if !self.is_subscribed {
            let name = &self.config.name;
            tracing::warn!(broker = name, ?refused, "the broker refused subscriptions");
            let at = (self.clock)();
            let words = format!(
                "the broker refused the subscription to {}; check what this user may read",
                refused.join(", ")
            );
            self.state.send_modify(|state| {
                state.last_error = Some((at, words));
            });
        }
        self.state
            .send_modify(|state| state.refused_topics = refused);
    }

    /// Hands a message over; gives up the connection if there is no room for one that the
    /// broker would send again.
    fn take(&self, publish: Publish, number: u64) -> Result<(), String> {
        let ack = self.client.prepare_ack(&publish);
        if ack.is_some() && !self.gate.owe(publish.pkid) {
            return Ok(());
        }
        let receipt = Receipt {
            ack,
            connection: number,
        };
        let is_repeatable = publish.qos != QoS::AtMostOnce;
        let arrival = match self.acceptable(&publish) {
            Ok(topic) => Some(Arrival {
                source: self.config.name.clone(),
                topic,
                payload: publish.payload.to_vec(),
                stamp: (self.clock)(),
                delivery: is_repeatable.then(|| Delivery {
                    peer: self.config.client_id.clone(),
                    packet_id: publish.pkid,
                    repeat: publish.dup,
                }),
                retained: publish.retain,
            }),
            // Acknowledged all the same: it will be no better the next time.
            Err(Unwanted::NotForUs) => None,
            Err(Unwanted::Refused {
                topic,
                kind,
                detail,
            }) => {
                self.refuse(topic, kind, detail);
                None
            }
        };
        let is_wanted = arrival.is_some();
        match self.inbox.put(Received { arrival, receipt }) {
            Ok(()) if is_wanted => self.counts.message(),
            Ok(()) => {}
            Err(_) if is_repeatable => {
                return Err("the store cannot keep up; asking the broker to send again".into());
            }
            Err(_) => self.counts.lose(),
        }
        Ok(())
    }

    fn acceptable(&self, publish: &Publish) -> Result<String, Unwanted> {
        let limits = Limits::default();
        let Ok(topic) = std::str::from_utf8(&publish.topic) else {
            return Err(Unwanted::Refused {
                topic: String::from_utf8_lossy(&publish.topic).into_owned(),
                kind: ProblemKind::Unreadable,
                detail: "the topic is not UTF-8".into(),
            });
        };
        // Our own words come back when the filter is wide; left-over filters of an earlier
        // configuration may still bring what is no longer asked for.
        if is_ours(topic) || !self.config.wants(topic) {
            return Err(Unwanted::NotForUs);
        }
        let refused = |kind, detail: String| Unwanted::Refused {
            topic: policy::shown(topic, limits.topic_bytes),
            kind,
            detail,
        };
        policy::check_topic(topic, &limits)
            .map_err(|fault| refused(ProblemKind::Unreadable, fault.to_string()))?;
        let bytes = publish.payload.len();
        if bytes > usize::try_from(limits.payload_bytes).unwrap_or(usize::MAX) {
            let most = limits.payload_bytes;
            return Err(refused(
                ProblemKind::OutOfRange,
                format!("a payload of {bytes} bytes, at most {most} are taken"),
            ));
        }
        Ok(topic.to_owned())
    }

    fn refuse(&self, topic: String, kind: ProblemKind, detail: String) {
        self.counts.refuse();
        let source = self.config.name.clone();
        tracing::info!(broker = source, topic, detail, "message refused");
        let Some(at) = (self.clock)().wall else {
            return;
        };
        let writer = self.writer.clone();
        // On its own: nothing may hold up the polling.
        tokio::spawn(async move {
            let command = Command::Refused {
                source,
                topic,
                kind,
                detail,
                at,
            };
            if let Err(error) = writer.command(command).await {
                tracing::warn!(%error, "a refusal was not stored");
            }
        });
    }

    fn went_down(&self, why: &str) {
        self.counts.broke();
        tracing::warn!(broker = self.config.name, why, "connection broken");
        let at = (self.clock)();
        self.state.send_modify(|state| {
            state.connected = None;
            state.last_error = Some((at, why.to_owned()));
        });
        self.link.send_modify(|link| link.up = None);
    }

    async fn say_goodbye(&mut self) {
        self.state.send_modify(|state| state.connected = None);
        if self.client.try_disconnect().is_err() {
            return;
        }
        let told = async {
            // Ends with the error that says that nothing is left to do.
            while self.events.poll().await.is_ok() {}
        };
        if timeout(GOODBYE, told).await.is_err() {
            tracing::debug!(broker = self.config.name, "left without a goodbye");
        }
    }
}

enum Unwanted {
    NotForUs,
    Refused {
        topic: String,
        kind: ProblemKind,
        detail: String,
    },
}

/// An error with what can be done about it, where that is known.
fn explain(error: &ConnectionError, config: &BrokerConfig) -> String {
    let remedy = match error {
        ConnectionError::ConnectionRefused(
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized,
        ) => "; check user and password",
        ConnectionError::ConnectionRefused(ConnectReturnCode::BadClientId) => {
            "; choose another client-id"
        }
        ConnectionError::Io(io) if io.kind() == std::io::ErrorKind::ConnectionRefused => {
            "; is the broker running, and is the port right?"
        }
        ConnectionError::Tls(_) => "; check the port, the host name and ca-file",
        _ => "",
    };
    format!("{}:{}: {error}{remedy}", config.host, config.port())
}

/// Without randomness the pauses are only less spread.
fn random() -> u32 {
    getrandom::u32().unwrap_or(u32::MAX)
}
