//! One connection's protocol state and its way out.

use std::io;
use std::time::Duration;

use mqtt_protocol_core::mqtt::common::Cursor;
use mqtt_protocol_core::mqtt::connection::Event;
use mqtt_protocol_core::mqtt::packet::{GenericPacketTrait as _, Packet};
use mqtt_protocol_core::mqtt::result_code::MqttError;
use mqtt_protocol_core::mqtt::{Connection, Version, role};
use tokio::io::AsyncWriteExt;
use tokio::time::timeout;

use super::frame::lengths;
use super::sound;

pub struct Wire<W> {
    protocol: Connection<role::Server>,
    sink: W,
    write_timeout: Duration,
}

/// What came of one packet.
#[derive(Default)]
pub struct Digest {
    /// Answers the protocol itself calls for.
    pub replies: Vec<Packet>,
    /// The packet, if it is for us to act on.
    pub packet: Option<Packet>,
    /// The connection cannot go on.
    pub fault: Option<MqttError>,
}

#[derive(Debug, thiserror::Error)]
pub enum SendError {
    #[error("the protocol does not allow this packet now: {0}")]
    Protocol(#[from] MqttError),
    #[error("the client does not read what we send")]
    Stalled,
    #[error(transparent)]
    Io(#[from] io::Error),
}

impl<W: AsyncWriteExt + Unpin> Wire<W> {
    pub fn new(sink: W, write_timeout: Duration) -> Wire<W> {
        Wire {
            protocol: Connection::new(Version::Undetermined),
            sink,
            write_timeout,
        }
    }

    pub fn protocol(&mut self) -> &mut Connection<role::Server> {
        &mut self.protocol
    }

    pub fn is_v5(&self) -> bool {
        self.protocol.get_protocol_version() == Version::V5_0
    }

    /// Takes in one complete packet.
    pub fn digest(&mut self, frame: &[u8]) -> Digest {
        let mut digest = Digest::default();
        if !has_right_flags(frame) || !is_sound_connect(frame) {
            digest.fault = Some(MqttError::MalformedPacket);
            return digest;
        }
        if has_packet_id_zero(frame) {
            // The library takes it in, and panics on building the answer.
            digest.fault = Some(MqttError::ProtocolError);
            return digest;
        }
        for event in self.protocol.recv(&mut Cursor::new(frame)) {
            match event {
                Event::NotifyPacketReceived(packet) => digest.packet = Some(packet),
                Event::RequestSendPacket { packet, .. } => digest.replies.push(packet),
                Event::NotifyError(fault) => digest.fault = Some(fault),
                // Keep-alive is kept by the connection's own clock, which stands still while we
                // are the ones not reading; closing follows from the fault.
                Event::NotifyPacketIdReleased(_)
                | Event::RequestTimerReset { .. }
                | Event::RequestTimerCancel(_)
                | Event::RequestClose => {}
            }
        }
        digest
    }

    /// Sends a packet, if the protocol allows it now.
    pub async fn send(&mut self, packet: Packet) -> Result<(), SendError> {
        for event in self.protocol.send(packet) {
            match event {
                Event::RequestSendPacket { packet, .. } => self.put(&packet).await?,
                Event::NotifyError(fault) => return Err(fault.into()),
                _ => {}
            }
        }
        Ok(())
    }

    /// Sends CONNACK. `known` is what the protocol state learns of it, `told` what the client is
    /// told; they differ in the receive maximum, which we ask for but do not insist on.
    pub async fn welcome(&mut self, known: Packet, told: &Packet) -> Result<(), SendError> {
        for event in self.protocol.send(known) {
            match event {
                Event::RequestSendPacket { .. } => self.put(told).await?,
                Event::NotifyError(fault) => return Err(fault.into()),
                _ => {}
            }
        }
        Ok(())
    }

    /// Writes a packet that the protocol state already knows of.
    pub async fn put(&mut self, packet: &Packet) -> Result<(), SendError> {
        self.put_bytes(&packet.to_continuous_buffer()).await
    }

    pub async fn put_bytes(&mut self, bytes: &[u8]) -> Result<(), SendError> {
        // TLS takes bytes over whose records the socket has no room for yet.
        let written = async {
            self.sink.write_all(bytes).await?;
            self.sink.flush().await
        };
        timeout(self.write_timeout, written)
            .await
            .map_err(|_| SendError::Stalled)?
            .map_err(SendError::Io)
    }

    pub async fn shut(&mut self) {
        // The peer may be gone already; there is nothing more to tell it.
        let _ = timeout(self.write_timeout, self.sink.shutdown()).await;
    }
}

/// Whether the low half of the first byte is as MQTT says; the library only looks at PUBLISH.
fn has_right_flags(frame: &[u8]) -> bool {
    const PUBLISH: u8 = 3;
    const WITH_BIT_1: [u8; 3] = [6, 8, 10];
    let Some(first) = frame.first() else {
        return false;
    };
    match first >> 4 {
        PUBLISH => true,
        kind if WITH_BIT_1.contains(&kind) => first & 0x0f == 0x02,
        _ => first & 0x0f == 0,
    }
}

fn is_sound_connect(frame: &[u8]) -> bool {
    const CONNECT: u8 = 1;
    let is_connect = frame.first().is_some_and(|first| first >> 4 == CONNECT);
    match lengths(frame) {
        Ok(Some((body_at, _))) if is_connect => sound::connect(frame, body_at),
        _ => true,
    }
}

/// Whether a packet that needs a packet id has the one id that MQTT does not allow.
fn has_packet_id_zero(frame: &[u8]) -> bool {
    const PUBLISH: u8 = 3;
    const WITH_ID_FIRST: [u8; 6] = [4, 5, 6, 7, 8, 10];
    let Some(first) = frame.first() else {
        return false;
    };
    let Ok(Some((header, _))) = lengths(frame) else {
        return false;
    };
    let body = frame.get(header..).unwrap_or_default();
    let at_id = match first >> 4 {
        PUBLISH if first & 0x06 == 0 => return false,
        PUBLISH => match body {
            [high, low, ..] => body.get(2 + usize::from(u16::from_be_bytes([*high, *low]))..),
            _ => None,
        },
        kind if WITH_ID_FIRST.contains(&kind) => Some(body),
        _ => None,
    };
    matches!(at_id, Some([0, 0, ..]))
}

#[cfg(test)]
mod tests {
    use proptest::collection::vec;
    use proptest::prelude::*;

    use super::*;

    const CONNECT_V3: &[u8] = b"\x10\x0d\x00\x04MQTT\x04\x02\x00\x00\x00\x01a";
    const CONNECT_V5: &[u8] = b"\x10\x0e\x00\x04MQTT\x05\x02\x00\x00\x00\x00\x01a";

    fn framed(first: u8, body: &[u8]) -> Vec<u8> {
        let mut frame = vec![first];
        // Two bytes of length do for bodies this short.
        frame.push(u8::try_from(body.len() & 0x7f).unwrap() | 0x80);
        frame.push(u8::try_from(body.len() >> 7).unwrap());
        frame.extend(body);
        frame
    }

    async fn connected(hello: &[u8]) -> Wire<Vec<u8>> {
        let mut wire = Wire::new(Vec::new(), Duration::from_secs(1));
        let digest = wire.digest(hello);
        assert!(digest.packet.is_some(), "{:?}", digest.fault);
        let welcome: Packet = if wire.is_v5() {
            mqtt_protocol_core::mqtt::packet::v5_0::Connack::builder()
                .session_present(false)
                .reason_code(mqtt_protocol_core::mqtt::result_code::ConnectReasonCode::Success)
                .build()
                .unwrap()
                .into()
        } else {
            mqtt_protocol_core::mqtt::packet::v3_1_1::Connack::builder()
                .session_present(false)
                .return_code(mqtt_protocol_core::mqtt::result_code::ConnectReturnCode::Accepted)
                .build()
                .unwrap()
                .into()
        };
        wire.send(welcome).await.unwrap();
        wire
    }

    fn run(future: impl Future<Output = ()>) {
        tokio::runtime::Builder::new_current_thread()
            .enable_time()
            .build()
            .unwrap()
            .block_on(future);
    }

    proptest! {
        // Whatever comes from outside is taken in or refused, and never a panic.
        #[test]
        fn any_first_packet_is_survived(first: u8, body in vec(any::<u8>(), 0..200)) {
            let mut wire = Wire::new(Vec::<u8>::new(), Duration::from_secs(1));
            wire.digest(&framed(first, &body));
        }

        #[test]
        fn any_connect_is_survived(level in 3u8..7, body in vec(any::<u8>(), 0..200)) {
            let mut wire = Wire::new(Vec::<u8>::new(), Duration::from_secs(1));
            let mut start = b"\x00\x04MQTT".to_vec();
            start.push(level);
            start.extend(&body);
            wire.digest(&framed(0x10, &start));
        }

        #[test]
        fn any_later_packets_are_survived(
            v5: bool,
            packets in vec((any::<u8>(), vec(any::<u8>(), 0..60)), 1..8),
        ) {
            run(async {
                let mut wire = connected(if v5 { CONNECT_V5 } else { CONNECT_V3 }).await;
                for (first, body) in &packets {
                    wire.digest(&framed(*first, body));
                }
            });
        }

        // Bodies whose first fields hold: a topic or packet id, and properties.
        #[test]
        fn any_likely_packets_are_survived(
            v5: bool,
            first in prop::sample::select(vec![
                0x30u8, 0x32, 0x34, 0x3d, 0x40, 0x50, 0x62, 0x70, 0x82, 0xa2, 0xe0, 0xf0,
            ]),
            id in 0u16..3,
            properties in vec(any::<u8>(), 0..20),
            rest in vec(any::<u8>(), 0..30),
        ) {
            run(async {
                let mut wire = connected(if v5 { CONNECT_V5 } else { CONNECT_V3 }).await;
                let mut body = Vec::new();
                if first >> 4 == 3 {
                    body.extend([0, 1, b'a']);
                }
                body.extend(id.to_be_bytes());
                if v5 {
                    body.push(u8::try_from(properties.len()).unwrap());
                    body.extend(&properties);
                }
                body.extend(&rest);
                wire.digest(&framed(first, &body));
                wire.digest(&framed(first, &body));
            });
        }
    }
}
