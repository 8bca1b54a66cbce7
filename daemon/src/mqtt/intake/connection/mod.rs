//! One client, from the open socket to its end.

mod taking;
mod telling;

use std::collections::{HashSet, VecDeque};
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use ebbmark_store::StoreError;
use mqtt_protocol_core::mqtt::packet::{Packet, Property, v5_0};
use mqtt_protocol_core::mqtt::result_code::DisconnectReasonCode;
use tokio::net::TcpStream;
use tokio::sync::watch;
use tokio::time::{Instant, sleep, sleep_until, timeout};

use super::bucket::TokenBucket;
use super::counts::Refusal;
use super::end::End;
use super::frame::{Frame, FrameReader, ReadError};
use super::greet::{self, Greeted};
use super::hello::Hello;
use super::reply;
use super::session::{Seat, Session};
use super::stream::{self, Sink, Source};
use super::will::{self, Published};
use super::wire::Wire;
use super::{Shared, Tls};
use crate::doors::Full;
use crate::tls;
use taking::{Incoming, Waiting, first_ready};

/// How long a client may go on sending after our last word before the socket is dropped.
const LINGER: Duration = Duration::from_secs(2);

/// Serves one client.
pub async fn serve(stream: (TcpStream, Tls), peer: SocketAddr, shared: Arc<Shared>) {
    let _open = shared.counts.open();
    let Some((mut reader, mut wire)) = halves(stream, peer, &shared).await else {
        return;
    };
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
pub async fn turn_away(
    stream: (TcpStream, Tls),
    peer: SocketAddr,
    full: Full,
    shared: Arc<Shared>,
) {
    shared.counts.refuse(Refusal::TooManyConnections);
    let Some((mut reader, mut wire)) = halves(stream, peer, &shared).await else {
        return;
    };
    if greet::greet(&mut reader, &mut wire, Some(full), &shared)
        .await
        .is_err()
    {
        tracing::info!(%peer, ?full, "too many connections, one refused");
    }
    close(&mut reader, &mut wire).await;
}

/// `None` when TLS was wanted and did not come about.
async fn halves(
    (stream, tls): (TcpStream, Tls),
    peer: SocketAddr,
    shared: &Shared,
) -> Option<(FrameReader<Source>, Wire<Sink>)> {
    // Acknowledgements are small and waited for; without this they would be held back.
    if let Err(error) = stream.set_nodelay(true) {
        tracing::debug!(%error, "TCP_NODELAY not set");
    }
    let (source, sink) = match tls {
        None => stream::plain(stream),
        Some(tls) => {
            let greeted = tokio::select! {
                () = shared.shutdown.cancelled() => return None,
                greeted = tls::greet(stream, &tls, shared.limits.connect_timeout()) => greeted,
            };
            match greeted {
                Ok(stream) => stream::over_tls(stream),
                Err(why) => {
                    shared.counts.refuse(Refusal::Connect);
                    tracing::info!(%peer, reason = %why, "connection refused");
                    return None;
                }
            }
        }
    };
    Some((
        FrameReader::new(source, shared.limits.packet_bytes()),
        Wire::new(sink, shared.limits.write_timeout()),
    ))
}

async fn close(reader: &mut FrameReader<Source>, wire: &mut Wire<Sink>) {
    wire.shut().await;
    // Whether it hears us out or not, the connection ends here.
    let _ = timeout(LINGER, reader.discard()).await;
}

/// How long a connection that must give way may take to finish what it is writing.
const PATIENCE: Duration = Duration::from_secs(1);

struct Connection<'a> {
    shared: &'a Arc<Shared>,
    hello: Hello,
    seat: Seat,
    session: Session,
    reader: FrameReader<Source>,
    wire: Wire<Sink>,
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
        reader: FrameReader<Source>,
        wire: Wire<Sink>,
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
            Packet::V3_1_1Publish(publish) => self.publish(Incoming::v3(&publish)).await,
            Packet::V5_0Publish(publish) => self.publish(Incoming::v5(&publish)).await,
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
        if matches!(end, End::TakenOver) {
            let client = &self.hello.client_id;
            tracing::info!(
                client,
                "came again on another connection; if this goes on, two devices share this client id"
            );
        }
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
