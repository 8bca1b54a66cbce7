//! Taking in what the client publishes, and answering it.

use std::collections::VecDeque;

use ebbmark_core::reading::ProblemKind;
use ebbmark_core::topic::TopicFault;
use ebbmark_store::StoreError;
use ebbmark_store::model::{Arrival, Delivery};
use ebbmark_store::writer::ReceiptWaiter;
use mqtt_protocol_core::mqtt::packet::{Qos, v3_1_1, v5_0};
use tokio::io::{AsyncRead, AsyncWrite};

use super::super::SOURCE;
use super::super::counts::Refusal;
use super::super::end::End;
use super::super::held::Piece;
use super::super::reply::{self, Unwanted};
use super::Connection;
use crate::mqtt::policy;

/// QoS 2 messages a client may leave unreleased; some send all they have at once.
const MOST_UNRELEASED: usize = 4096;

/// A message whose answer waits for its turn: MQTT wants answers in the order of the messages.
pub struct Waiting {
    /// `None` if it is not to be stored.
    receipt: Option<ReceiptWaiter>,
    answer: Answer,
    _held: Option<Piece>,
}

/// What the client is sent when its message's turn comes.
#[derive(Clone, Copy)]
enum Answer {
    None,
    Puback(u16),
    Pubrec(u16),
    Unwanted(Qos, u16, Unwanted),
}

/// A PUBLISH of either version.
pub struct Incoming {
    topic: String,
    payload: Vec<u8>,
    qos: Qos,
    id: Option<u16>,
    repeat: bool,
}

impl<R, W> Connection<'_, R, W>
where
    R: AsyncRead + Unpin,
    W: AsyncWrite + Unpin,
{
    pub async fn publish(&mut self, message: Incoming) -> Result<(), End> {
        if let Err(fault) = policy::check_topic(&message.topic, &self.shared.limits) {
            let why = match fault {
                TopicFault::Ours | TopicFault::Dollar => Unwanted::NotAllowed,
                _ => Unwanted::Topic,
            };
            return self.unwanted(&message, why, fault.to_string()).await;
        }
        let bytes = message.payload.len();
        if bytes > self.shared.payload_limit() {
            let limit = self.shared.limits.payload_bytes;
            let detail = format!("a payload of {bytes} bytes, at most {limit} are taken");
            return self.unwanted(&message, Unwanted::TooLarge, detail).await;
        }
        let is_exactly_once = message.qos == Qos::ExactlyOnce;
        if is_exactly_once && self.session.unreleased.len() >= MOST_UNRELEASED {
            return Err(End::Unreleased);
        }
        self.published.note(&message.topic);
        self.shared.counts.message(bytes);
        let answer = match (message.qos, message.id) {
            (Qos::AtLeastOnce, Some(id)) => Answer::Puback(id),
            (Qos::ExactlyOnce, Some(id)) => Answer::Pubrec(id),
            _ => Answer::None,
        };
        let arrival = Arrival {
            source: SOURCE.into(),
            topic: message.topic,
            payload: message.payload,
            stamp: (self.shared.clock)(),
            delivery: message.id.map(|packet_id| Delivery {
                peer: self.hello.client_id.clone(),
                packet_id,
                repeat: message.repeat,
            }),
            retained: false,
        };
        // One that asks for no answer may wait for company, as long as it keeps no later one from being
        // read: only so many are under way.
        let most = usize::from(self.shared.limits.in_flight_messages);
        let at_leisure = matches!(answer, Answer::None) && self.waiting.len() < most / 2;
        let writer = &self.shared.writer;
        let arrive = async {
            match at_leisure {
                true => writer.arrive_at_leisure(arrival).await,
                false => writer.arrive(arrival).await,
            }
        };
        let held = self.shared.held.hold(bytes);
        // Waits while the store's queue is full: then nobody is read any further.
        let receipt = tokio::select! {
            biased;
            queued = arrive => {
                queued.map_err(|error| End::Store(error.to_string()))?
            }
            () = self.shared.shutdown.cancelled() => return Err(End::Stopping),
            () = self.seat.give_way.cancelled() => return Err(End::TakenOver),
        };
        if let Answer::Pubrec(id) = answer {
            self.unanswered.insert(id);
        }
        self.waiting.push_back(Waiting {
            receipt: Some(receipt),
            answer,
            _held: Some(held),
        });
        Ok(())
    }

    /// Refuses a message that will be no better the next time.
    async fn unwanted(
        &mut self,
        message: &Incoming,
        why: Unwanted,
        detail: String,
    ) -> Result<(), End> {
        let (refusal, kind) = match why {
            Unwanted::Topic | Unwanted::NotAllowed => (Refusal::Topic, ProblemKind::Unreadable),
            Unwanted::TooLarge => (Refusal::TooLarge, ProblemKind::OutOfRange),
        };
        let topic = policy::shown(&message.topic, self.shared.limits.topic_bytes);
        self.shared
            .refuse(refusal, &topic, kind, detail.clone())
            .await;
        if !self.hello.v5 {
            return Err(End::NotTaken(detail));
        }
        if let Some(id) = message.id {
            if message.qos == Qos::ExactlyOnce {
                self.unanswered.insert(id);
            }
            self.waiting.push_back(Waiting {
                receipt: None,
                answer: Answer::Unwanted(message.qos, id, why),
                _held: None,
            });
        }
        Ok(())
    }

    pub async fn too_large(&mut self, bytes: usize, topic: Option<String>) -> Result<(), End> {
        let limit = self.shared.limits.payload_bytes;
        let topic = policy::shown(
            topic.as_deref().unwrap_or("(unknown)"),
            self.shared.limits.topic_bytes,
        );
        let detail = format!("a packet of {bytes} bytes, at most {limit} of payload are taken");
        self.shared
            .refuse(Refusal::TooLarge, &topic, ProblemKind::OutOfRange, detail)
            .await;
        Err(End::TooLarge(bytes))
    }

    /// The first waiting message is stored, or could not be.
    pub async fn answer(&mut self, stored: Result<(), StoreError>) -> Result<(), End> {
        let Some(first) = self.waiting.pop_front() else {
            return Ok(());
        };
        stored.map_err(|error| End::Store(error.to_string()))?;
        match first.answer {
            Answer::None => Ok(()),
            Answer::Puback(id) => Ok(self.wire.send(reply::puback(self.hello.v5, id)?).await?),
            Answer::Pubrec(id) => {
                self.unanswered.remove(&id);
                self.session.unreleased.insert(id);
                Ok(self.wire.send(reply::pubrec(self.hello.v5, id)?).await?)
            }
            Answer::Unwanted(qos, id, why) => {
                self.unanswered.remove(&id);
                Ok(self.wire.send(reply::unwanted(qos, id, why)?).await?)
            }
        }
    }

    pub async fn released(&mut self, id: u16) -> Result<(), End> {
        let known = self.session.unreleased.remove(&id);
        Ok(self
            .wire
            .send(reply::pubcomp(self.hello.v5, id, known)?)
            .await?)
    }
}

/// Waits until the first message can be answered. May be dropped and called again.
pub async fn first_ready(waiting: &mut VecDeque<Waiting>) -> Result<(), StoreError> {
    let Some(first) = waiting.front_mut() else {
        return std::future::pending().await;
    };
    match &mut first.receipt {
        None => Ok(()),
        Some(receipt) => match receipt.await {
            Ok(stored) => stored.map(drop),
            Err(_) => Err(StoreError::WriterGone),
        },
    }
}

impl Incoming {
    pub fn v3(publish: &v3_1_1::Publish) -> Incoming {
        Incoming {
            topic: publish.topic_name().to_owned(),
            payload: publish.payload().as_slice().to_vec(),
            qos: publish.qos(),
            id: publish.packet_id(),
            repeat: publish.dup(),
        }
    }

    pub fn v5(publish: &v5_0::Publish) -> Incoming {
        Incoming {
            topic: publish.topic_name().to_owned(),
            payload: publish.payload().as_slice().to_vec(),
            qos: publish.qos(),
            id: publish.packet_id(),
            repeat: publish.dup(),
        }
    }
}
