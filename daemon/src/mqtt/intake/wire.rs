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

    /// Writes a packet that the protocol state already knows of.
    pub async fn put(&mut self, packet: &Packet) -> Result<(), SendError> {
        self.put_bytes(&packet.to_continuous_buffer()).await
    }

    pub async fn put_bytes(&mut self, bytes: &[u8]) -> Result<(), SendError> {
        timeout(self.write_timeout, self.sink.write_all(bytes))
            .await
            .map_err(|_| SendError::Stalled)?
            .map_err(SendError::Io)
    }

    pub async fn shut(&mut self) {
        // The peer may be gone already; there is nothing more to tell it.
        let _ = timeout(self.write_timeout, self.sink.shutdown()).await;
    }
}
