//! One client, from the open socket to its end.

use std::collections::{HashSet, VecDeque};
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use ebbmark_core::reading::ProblemKind;
use ebbmark_store::StoreError;
use ebbmark_store::model::{Arrival, Delivery};
use ebbmark_store::writer::ReceiptWaiter;
use mqtt_protocol_core::mqtt::packet::{
    Packet, Property, Qos, RetainHandling, SubEntry, v3_1_1, v5_0,
};
use mqtt_protocol_core::mqtt::result_code::{DisconnectReasonCode, MqttError};
use tokio::net::TcpStream;
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::sync::watch;
use tokio::time::{Instant, sleep, sleep_until, timeout};

use super::bucket::TokenBucket;
use super::counts::Refusal;
use super::doors::Full;
use super::end::End;
use super::frame::{Frame, FrameReader, ReadError};
use super::greet::{self, Greeted};
use super::hello::Hello;
use super::reply::{self, Grant, Unwanted};
use super::session::{Seat, Session};
use super::subscriber::Subscription;
use super::will::{self, Published};
use super::wire::{SendError, Wire};
use super::{SOURCE, Shared};
use crate::mqtt::policy::{self, FilterFault, TopicFault};

/// How long a client may go on sending after our last word before the socket is dropped.
const LINGER: Duration = Duration::from_secs(2);

/// Serves one client.
pub async fn serve(stream: TcpStream, peer: SocketAddr, shared: Arc<Shared>) {
    let _open = shared.counts.open();
    let (mut reader, mut wire) = halves(stream, &shared);
    match greet::greet(&mut reader, &mut wire, None, &shared).await {
        Ok(greeted) => {
            shared.counts.greeted();
            let client = greeted.hello.client_id.clone();
            tracing::debug!(%peer, client, v5 = greeted.hello.v5, "connected");
            let end = Connection::new(greeted, reader, wire, &shared)
                .serve()
                .await;
            tracing::debug!(%peer, client, %end, "disconnected");
        }
        Err(away) => {
            if let Some(why) = away.refusal() {
                shared.counts.refuse(why);
                tracing::info!(%peer, reason = %away, "connection refused");
            }
            close(&mut reader, &mut wire).await;
        }
    }
}

/// Tells a client that there is no room for it.
pub async fn turn_away(stream: TcpStream, peer: SocketAddr, full: Full, shared: Arc<Shared>) {
    let (mut reader, mut wire) = halves(stream, &shared);
    shared.counts.refuse(Refusal::TooManyConnections);
    if greet::greet(&mut reader, &mut wire, Some(full), &shared)
        .await
        .is_err()
    {
        tracing::info!(%peer, ?full, "too many connections, one refused");
    }
    close(&mut reader, &mut wire).await;
}

fn halves(
    stream: TcpStream,
    shared: &Shared,
) -> (FrameReader<OwnedReadHalf>, Wire<OwnedWriteHalf>) {
    // Acknowledgements are small and waited for; without this they would be held back.
    if let Err(error) = stream.set_nodelay(true) {
        tracing::debug!(%error, "TCP_NODELAY not set");
    }
    let (source, sink) = stream.into_split();
    (
        FrameReader::new(source, shared.limits.packet_bytes()),
        Wire::new(sink, shared.limits.write_timeout()),
    )
}

async fn close(reader: &mut FrameReader<OwnedReadHalf>, wire: &mut Wire<OwnedWriteHalf>) {
    wire.shut().await;
    // Whether it hears us out or not, the connection ends here.
    let _ = timeout(LINGER, reader.discard()).await;
}

/// How long a connection that must give way may take to finish what it is writing.
const PATIENCE: Duration = Duration::from_secs(1);

/// A message whose answer waits for its turn: MQTT wants answers in the order of the messages.
struct Waiting {
    /// `None` if it is not to be stored.
    receipt: Option<ReceiptWaiter>,
    answer: Answer,
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
struct Incoming {
    topic: String,
    payload: Vec<u8>,
    qos: Qos,
    id: Option<u16>,
    repeat: bool,
}

struct Connection<'a> {
    shared: &'a Arc<Shared>,
    hello: Hello,
    seat: Seat,
    session: Session,
    reader: FrameReader<OwnedReadHalf>,
    wire: Wire<OwnedWriteHalf>,
    /// In the order they came, which is the order they are answered in.
    waiting: VecDeque<Waiting>,
    /// QoS 2 ids among `waiting`.
    unanswered: HashSet<u16>,
    bucket: TokenBucket,
    /// Nothing is read until then: the client was too fast.
    paused_until: Option<Instant>,
    heard: Instant,
    published: Published,
    news: watch::Receiver<u64>,
    /// Cut off in the middle of writing: nothing sensible can be written after that.
    is_stuck: bool,
}

enum Turn {
    Ready(Result<(), StoreError>),
    Resume,
    News,
    Frame(Result<Frame, ReadError>),
}

impl<'a> Connection<'a> {
    fn new(
        greeted: Greeted,
        reader: FrameReader<OwnedReadHalf>,
        wire: Wire<OwnedWriteHalf>,
        shared: &'a Arc<Shared>,
    ) -> Connection<'a> {
        let now = Instant::now();
        let limits = &shared.limits;
        Connection {
            bucket: TokenBucket::new(limits.messages_per_second, limits.burst_messages, now),
            news: shared.outgoing.watch(),
            shared,
            hello: greeted.hello,
            seat: greeted.seat,
            session: greeted.session,
            reader,
            wire,
            waiting: VecDeque::new(),
            unanswered: HashSet::new(),
            paused_until: None,
            heard: now,
            published: Published::default(),
            is_stuck: false,
        }
    }

    async fn serve(mut self) -> End {
        let give_way = self.seat.give_way.clone();
        let stop = self.shared.shutdown.clone();
        let drain = self.shared.limits.drain_timeout();
        let stuck = async {
            tokio::select! {
                () = async { give_way.cancelled().await; sleep(PATIENCE).await; } => End::TakenOver,
                () = async { stop.cancelled().await; sleep(drain).await; } => End::Stopping,
            }
        };
        let mut end = tokio::select! {
            biased;
            end = self.turns() => end,
            // A turn looks up between packets; this is for one that hangs in writing to a client
            // that does not read.
            end = stuck => {
                self.is_stuck = true;
                end
            }
        };
        if matches!(end, End::Stopping)
            && !self.is_stuck
            && let Err(worse) = self.drain().await
        {
            end = worse;
        }
        self.finish(end).await
    }

    /// Takes turns until there is a reason to end.
    async fn turns(&mut self) -> End {
        // A session that is taken up again may be owed something.
        if let Err(end) = self.catch_up().await {
            return end;
        }
        let mut was_reading = true;
        loop {
            let reading = self.paused_until.is_none()
                && self.waiting.len() < self.shared.limits.in_flight_messages.into();
            if reading && !was_reading {
                // While we were not reading, its silence was our doing.
                self.heard = Instant::now();
            }
            was_reading = reading;
            let silent_from = self.silent_from();
            let turn = tokio::select! {
                biased;
                () = self.shared.shutdown.cancelled() => return End::Stopping,
                () = self.seat.give_way.cancelled() => return End::TakenOver,
                ready = first_ready(&mut self.waiting) => Turn::Ready(ready),
                () = until(self.paused_until) => Turn::Resume,
                () = until(silent_from), if reading => return End::Silent,
                Ok(()) = self.news.changed(), if self.session.subscriber.is_listening() => Turn::News,
                frame = self.reader.next(), if reading => Turn::Frame(frame),
            };
            let done = match turn {
                Turn::Ready(stored) => self.answer(stored).await,
                Turn::Resume => {
                    self.paused_until = None;
                    Ok(())
                }
                Turn::News => self.catch_up().await,
                Turn::Frame(Ok(Frame::Whole(frame))) => {
                    self.heard = Instant::now();
                    self.packet(&frame).await
                }
                Turn::Frame(Ok(Frame::TooLarge { bytes, topic })) => {
                    self.too_large(bytes, topic).await
                }
                Turn::Frame(Err(error)) => Err(End::Gone(error)),
            };
            if let Err(end) = done {
                return end;
            }
        }
    }

    fn silent_from(&self) -> Option<Instant> {
        let keep_alive = Duration::from_secs(self.hello.keep_alive_secs.into());
        (!keep_alive.is_zero()).then(|| self.heard + keep_alive + keep_alive / 2)
    }

    async fn packet(&mut self, frame: &[u8]) -> Result<(), End> {
        if !is_answer(frame) {
            self.paused_until = self.bucket.take(Instant::now());
        }
        let digest = self.wire.digest(frame);
        for reply in &digest.replies {
            // A repeat of a QoS 2 message that is not yet stored must not be answered yet.
            let early = pubrec_id(reply).is_some_and(|id| self.unanswered.contains(&id));
            if !early {
                self.wire.put(reply).await?;
            }
        }
        if let Some(fault) = digest.fault {
            return Err(End::Protocol(fault));
        }
        match digest.packet {
            Some(packet) => self.act(packet).await,
            None => Ok(()),
        }
    }

    async fn act(&mut self, packet: Packet) -> Result<(), End> {
        match packet {
            Packet::V3_1_1Publish(publish) => self.publish(incoming_v3(&publish)).await,
            Packet::V5_0Publish(publish) => self.publish(incoming_v5(&publish)).await,
            Packet::V3_1_1Pubrel(pubrel) => self.released(pubrel.packet_id()).await,
            Packet::V5_0Pubrel(pubrel) => self.released(pubrel.packet_id()).await,
            Packet::V3_1_1Puback(puback) => self.acknowledged(puback.packet_id()).await,
            Packet::V5_0Puback(puback) => self.acknowledged(puback.packet_id()).await,
            Packet::V3_1_1Subscribe(subscribe) => {
                self.subscribe(subscribe.packet_id(), subscribe.entries(), false)
                    .await
            }
            Packet::V5_0Subscribe(subscribe) => {
                let identified = subscribe
                    .props()
                    .iter()
                    .any(|property| matches!(property, Property::SubscriptionIdentifier(_)));
                self.subscribe(subscribe.packet_id(), subscribe.entries(), identified)
                    .await
            }
            Packet::V3_1_1Unsubscribe(unsubscribe) => {
                let filters = unsubscribe.entries().iter().map(|filter| filter.as_str());
                self.unsubscribe(unsubscribe.packet_id(), filters).await
            }
            Packet::V5_0Unsubscribe(unsubscribe) => {
                let filters = unsubscribe.entries().iter().map(|filter| filter.as_str());
                self.unsubscribe(unsubscribe.packet_id(), filters).await
            }
            Packet::V3_1_1Pingreq(_) | Packet::V5_0Pingreq(_) => {
                let pong = reply::pingresp(self.hello.v5);
                Ok(self.wire.send(pong).await?)
            }
            Packet::V3_1_1Disconnect(_) => Err(End::Goodbye { keep_will: false }),
            Packet::V5_0Disconnect(goodbye) => Err(self.goodbye(&goodbye)),
            Packet::V5_0Auth(_) => Err(End::ExtendedAuth),
            _ => Err(End::Misuse("this packet does not belong here")),
        }
    }

    async fn publish(&mut self, message: Incoming) -> Result<(), End> {
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
        };
        // Waits while the store's queue is full: then nobody is read any further.
        let receipt = tokio::select! {
            biased;
            queued = self.shared.writer.arrive(arrival) => {
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
            });
        }
        Ok(())
    }

    async fn too_large(&mut self, bytes: usize, topic: Option<String>) -> Result<(), End> {
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
    async fn answer(&mut self, stored: Result<(), StoreError>) -> Result<(), End> {
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

    async fn released(&mut self, id: u16) -> Result<(), End> {
        let known = self.session.unreleased.remove(&id);
        Ok(self
            .wire
            .send(reply::pubcomp(self.hello.v5, id, known)?)
            .await?)
    }

    async fn acknowledged(&mut self, id: u16) -> Result<(), End> {
        self.session.subscriber.acknowledged(id);
        self.deliver().await
    }

    async fn subscribe(
        &mut self,
        id: u16,
        entries: &[SubEntry],
        identified: bool,
    ) -> Result<(), End> {
        let mut grants = Vec::with_capacity(entries.len());
        let mut owed = Vec::new();
        for entry in entries {
            if identified {
                grants.push(Grant::NoIdentifiers);
                continue;
            }
            match self.grant(entry) {
                Ok((qos, owes_retained)) => {
                    grants.push(Grant::Granted(qos));
                    if owes_retained {
                        owed.push(entry.topic_filter());
                    }
                }
                Err(fault) => {
                    self.shared.counts.refuse(Refusal::Subscription);
                    let client = &self.hello.client_id;
                    tracing::info!(client, filter = entry.topic_filter(), %fault, "not subscribed");
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

    async fn unsubscribe(
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

    fn goodbye(&mut self, packet: &v5_0::Disconnect) -> End {
        let expiry = packet.props().iter().flatten().find_map(|property| {
            let Property::SessionExpiryInterval(secs) = property else {
                return None;
            };
            Some(secs.val())
        });
        if let Some(secs) = expiry {
            if secs > 0 && self.hello.session_secs == 0 {
                return End::Misuse("a session that was not to be kept cannot be kept after all");
            }
            self.hello.session_secs = secs.min(self.shared.limits.session_seconds());
        }
        let code = packet.reason_code();
        End::Goodbye {
            keep_will: code.is_some_and(|code| code != DisconnectReasonCode::NormalDisconnection),
        }
    }

    /// Sends what was published since the last look.
    async fn catch_up(&mut self) -> Result<(), End> {
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

    /// Answers what is already on its way to the disk, within the time there is.
    async fn drain(&mut self) -> Result<(), End> {
        let deadline = Instant::now() + self.shared.limits.drain_timeout();
        while !self.waiting.is_empty() {
            tokio::select! {
                ready = first_ready(&mut self.waiting) => self.answer(ready).await?,
                () = sleep_until(deadline) => break,
            }
        }
        Ok(())
    }

    async fn finish(mut self, end: End) -> End {
        if let Some(why) = end.refusal() {
            self.shared.counts.refuse(why);
            let client = &self.hello.client_id;
            tracing::info!(client, reason = %end, "connection ended");
        }
        if self.hello.v5
            && !self.is_stuck
            && let Some(code) = end.code()
            && let Ok(last_word) = reply::disconnect(code, &end.to_string())
        {
            // It may not hear it any more; it is only a courtesy.
            let _ = self.wire.send(last_word).await;
        }
        let client_id = self.hello.client_id.clone();
        if self.hello.session_secs > 0 {
            self.session.subscriber.rewind();
            let keep = Duration::from_secs(self.hello.session_secs.into());
            self.seat.park(self.session, keep, Instant::now());
        }
        if end.sets_off_will()
            && let Some(will) = self.hello.will
        {
            will::carry_out(
                will,
                self.published,
                client_id,
                self.hello.session_secs,
                self.shared,
            );
        }
        // Whoever waits for the seat need not wait for the socket.
        drop(self.seat);
        close(&mut self.reader, &mut self.wire).await;
        end
    }
}

/// Waits until the first message can be answered. May be dropped and called again.
async fn first_ready(waiting: &mut VecDeque<Waiting>) -> Result<(), StoreError> {
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

async fn until(instant: Option<Instant>) {
    match instant {
        Some(instant) => sleep_until(instant).await,
        None => std::future::pending().await,
    }
}

/// Packets that only follow from earlier ones, and so do not count towards the rate.
fn is_answer(frame: &[u8]) -> bool {
    const PUBACK: u8 = 4;
    const PUBREL: u8 = 6;
    frame
        .first()
        .is_some_and(|first| matches!(first >> 4, PUBACK | PUBREL))
}

fn pubrec_id(packet: &Packet) -> Option<u16> {
    match packet {
        Packet::V3_1_1Pubrec(pubrec) => Some(pubrec.packet_id()),
        Packet::V5_0Pubrec(pubrec) => Some(pubrec.packet_id()),
        _ => None,
    }
}

fn incoming_v3(publish: &v3_1_1::Publish) -> Incoming {
    Incoming {
        topic: publish.topic_name().to_owned(),
        payload: publish.payload().as_slice().to_vec(),
        qos: publish.qos(),
        id: publish.packet_id(),
        repeat: publish.dup(),
    }
}

fn incoming_v5(publish: &v5_0::Publish) -> Incoming {
    Incoming {
        topic: publish.topic_name().to_owned(),
        payload: publish.payload().as_slice().to_vec(),
        qos: publish.qos(),
        id: publish.packet_id(),
        repeat: publish.dup(),
    }
}
