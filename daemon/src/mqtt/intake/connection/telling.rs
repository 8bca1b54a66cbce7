//! Telling the client what it has subscribed to.

use mqtt_protocol_core::mqtt::packet::{Qos, RetainHandling, SubEntry};
use mqtt_protocol_core::mqtt::result_code::MqttError;
use tokio::io::{AsyncRead, AsyncWrite};

use super::super::counts::Refusal;
use super::super::end::End;
use super::super::reply::{self, Grant};
use super::super::subscriber::Subscription;
use super::super::wire::SendError;
use super::Connection;
use crate::mqtt::policy::{self, FilterFault};

impl<R, W> Connection<'_, R, W>
where
    R: AsyncRead + Unpin,
    W: AsyncWrite + Unpin,
{
    pub async fn acknowledged(&mut self, id: u16) -> Result<(), End> {
        self.session.subscriber.acknowledged(id);
        self.deliver().await
    }

    pub async fn subscribe(
        &mut self,
        id: u16,
        entries: &[SubEntry],
        identified: bool,
    ) -> Result<(), End> {
        let mut grants = Vec::with_capacity(entries.len());
        let mut owed = Vec::new();
        let mut faults = 0usize;
        for entry in entries {
            if identified {
                grants.push(Grant::NoIdentifiers);
                continue;
            }
            match self.grant(entry) {
                Ok((qos, owes_retained)) => {
                    grants.push(Grant::Granted(qos));
                    // The same filter may stand in one packet thousands of times.
                    if owes_retained && !owed.contains(&entry.topic_filter()) {
                        owed.push(entry.topic_filter());
                    }
                }
                Err(fault) => {
                    self.shared.counts.refuse(Refusal::Subscription);
                    if faults == 0 && self.shared.counts.may_tell() {
                        let client = &self.hello.client_id;
                        tracing::info!(client, filter = entry.topic_filter(), %fault, "not subscribed");
                    }
                    faults += 1;
                    grants.push(Grant::Refused(fault));
                }
            }
        }
        self.wire
            .send(reply::suback(self.hello.v5, id, &grants)?)
            .await?;
        for filter in owed {
            self.session
                .subscriber
                .owe_retained(filter, &self.shared.outgoing);
        }
        self.deliver().await
    }

    /// The granted QoS, and whether present values are to be sent.
    fn grant(&mut self, entry: &SubEntry) -> Result<(Qos, bool), FilterFault> {
        let filter = entry.topic_filter();
        let limits = &self.shared.limits;
        policy::check_filter(filter, limits)?;
        let subscriber = &mut self.session.subscriber;
        let is_new = !subscriber.has(filter);
        if is_new && subscriber.subscriptions() >= limits.subscriptions.into() {
            return Err(FilterFault::TooMany);
        }
        let options = entry.sub_opts();
        let qos = match options.qos() {
            Qos::AtMostOnce => Qos::AtMostOnce,
            Qos::AtLeastOnce | Qos::ExactlyOnce => Qos::AtLeastOnce,
        };
        let subscription = Subscription {
            filter: filter.to_owned(),
            qos,
            retain_as_published: options.rap(),
        };
        subscriber.subscribe(subscription, &self.shared.outgoing);
        let owes_retained = match options.rh() {
            RetainHandling::SendRetained => true,
            RetainHandling::SendRetainedIfNotExists => is_new,
            RetainHandling::DoNotSendRetained => false,
        };
        Ok((qos, owes_retained))
    }

    pub async fn unsubscribe(
        &mut self,
        id: u16,
        filters: impl Iterator<Item = &str>,
    ) -> Result<(), End> {
        let existed: Vec<bool> = filters
            .map(|filter| self.session.subscriber.unsubscribe(filter))
            .collect();
        Ok(self
            .wire
            .send(reply::unsuback(self.hello.v5, id, &existed)?)
            .await?)
    }

    /// Sends what was published since the last look.
    pub async fn catch_up(&mut self) -> Result<(), End> {
        self.session.subscriber.catch_up(&self.shared.outgoing);
        self.deliver().await
    }

    async fn deliver(&mut self) -> Result<(), End> {
        while let Some(message) = self.session.subscriber.next(self.hello.receive_maximum) {
            let id = match message.qos {
                Qos::AtMostOnce => None,
                _ => Some(self.wire.protocol().acquire_packet_id()?),
            };
            let value = message.value;
            let packet = reply::publish(
                self.hello.v5,
                &value.topic,
                value.payload.clone(),
                message.retain,
                id,
            )?;
            match self.wire.send(packet).await {
                Ok(()) => {}
                // It said that it takes no packet this large, so it goes without.
                Err(SendError::Protocol(MqttError::PacketTooLarge)) => {
                    if let Some(id) = id {
                        self.wire.protocol().release_packet_id(id);
                    }
                    continue;
                }
                Err(error) => return Err(error.into()),
            }
            if let Some(id) = id {
                self.session.subscriber.sent(id, value);
            }
        }
        Ok(())
    }
}
