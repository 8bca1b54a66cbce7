//! From an open socket to a greeted client: CONNECT, the checks, CONNACK.

use std::time::Duration;

use mqtt_protocol_core::mqtt::packet::{
    AssignedClientIdentifier, MaximumPacketSize, Packet, Property, ReasonString, ReceiveMaximum,
    SessionExpiryInterval, SharedSubscriptionAvailable, SubscriptionIdentifierAvailable, v3_1_1,
    v5_0,
};
use mqtt_protocol_core::mqtt::result_code::{ConnectReasonCode, ConnectReturnCode, MqttError};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::time::{Instant, sleep, timeout_at};

use super::Shared;
use super::counts::Refusal;
use super::frame::{Frame, FrameReader, ReadError};
use super::hello::Hello;
use super::session::{Seat, Session};
use super::wire::{SendError, Wire};
use crate::doors::Full;

/// Longest client id taken; it is kept with every message.
const CLIENT_ID_BYTES: usize = 256;

/// A wrong password is answered so late, its place being held meanwhile: guesses come no faster than
/// places there are for connections.
const AFTER_A_GUESS: Duration = Duration::from_secs(1);

pub struct Greeted {
    pub hello: Hello,
    pub seat: Seat,
    pub session: Session,
}

/// Why a connection ended before it began.
#[derive(Debug, thiserror::Error)]
pub enum Away {
    #[error("no CONNECT within {0} s")]
    TooSlow(u32),
    #[error("the first packet is no CONNECT we can read")]
    NotConnect,
    #[error("protocol level {0} is not served, only 4 (MQTT 3.1.1) and 5")]
    Version(u8),
    #[error("{0}")]
    Refused(#[from] NotServed),
    #[error("{0}")]
    Read(#[from] ReadError),
    #[error("{0}")]
    Send(#[from] SendError),
    #[error("no random bytes for a client id: {0}")]
    Random(getrandom::Error),
    #[error("the daemon is stopping")]
    Stopping,
}

impl Away {
    pub fn refusal(&self) -> Option<Refusal> {
        match self {
            Away::Refused(NotServed::NoCredentials | NotServed::WrongCredentials) => {
                Some(Refusal::Credentials)
            }
            Away::Refused(NotServed::Full(_)) => Some(Refusal::TooManyConnections),
            Away::Read(ReadError::Closed | ReadError::Io(_)) | Away::Send(_) | Away::Stopping => {
                None
            }
            _ => Some(Refusal::Connect),
        }
    }
}

/// A well-formed CONNECT that is turned down.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotServed {
    #[error("a user name and password are needed")]
    NoCredentials,
    #[error("wrong user name or password")]
    WrongCredentials,
    #[error("a session that is kept needs a client id")]
    NoClientId,
    #[error("the client id is longer than {CLIENT_ID_BYTES} bytes or has control characters")]
    BadClientId,
    #[error("extended authentication is not offered")]
    ExtendedAuth,
    #[error("too many connections")]
    Full(Full),
}

impl NotServed {
    fn v3(self) -> ConnectReturnCode {
        match self {
            NotServed::NoCredentials | NotServed::ExtendedAuth => ConnectReturnCode::NotAuthorized,
            NotServed::WrongCredentials => ConnectReturnCode::BadUserNameOrPassword,
            NotServed::NoClientId | NotServed::BadClientId => ConnectReturnCode::IdentifierRejected,
            NotServed::Full(_) => ConnectReturnCode::ServerUnavailable,
        }
    }

    fn v5(self) -> ConnectReasonCode {
        match self {
            NotServed::NoCredentials => ConnectReasonCode::NotAuthorized,
            NotServed::WrongCredentials => ConnectReasonCode::BadUserNameOrPassword,
            NotServed::NoClientId | NotServed::BadClientId => {
                ConnectReasonCode::ClientIdentifierNotValid
            }
            NotServed::ExtendedAuth => ConnectReasonCode::BadAuthenticationMethod,
            NotServed::Full(Full::All) => ConnectReasonCode::ServerBusy,
            NotServed::Full(Full::Address) => ConnectReasonCode::QuotaExceeded,
        }
    }
}

/// Reads CONNECT and answers it. `full` turns everyone away, with the proper words.
pub async fn greet<R, W>(
    reader: &mut FrameReader<R>,
    wire: &mut Wire<W>,
    full: Option<Full>,
    shared: &Shared,
) -> Result<Greeted, Away>
where
    R: AsyncRead + Unpin,
    W: AsyncWrite + Unpin,
{
    let mut hello = read_hello(reader, wire, shared).await?;
    let assigned = match check(&hello, full, shared) {
        Ok(()) if hello.client_id.is_empty() => {
            let random = getrandom::u64().map_err(Away::Random)?;
            hello.client_id = format!("unnamed-{random:016x}");
            true
        }
        Ok(()) => false,
        Err(why) => {
            if why == NotServed::WrongCredentials {
                tokio::select! {
                    () = sleep(AFTER_A_GUESS) => {}
                    () = shared.shutdown.cancelled() => {}
                }
            }
            wire.send(refusal(hello.v5, why).map_err(SendError::from)?)
                .await?;
            return Err(why.into());
        }
    };
    let wanted_secs = hello.session_secs;
    hello.session_secs = wanted_secs.min(shared.limits.session_seconds());

    let seat = tokio::select! {
        seat = shared.sessions.take_seat(&hello.client_id) => seat,
        () = shared.shutdown.cancelled() => return Err(Away::Stopping),
    };
    let kept = if hello.clean {
        seat.forget();
        None
    } else {
        seat.resume(Instant::now())
    };
    let present = kept.is_some();
    let session = kept.unwrap_or_default();
    // The protocol answers repeats of these by itself, so they never reach the store twice.
    wire.protocol()
        .restore_qos2_publish_handled(session.unreleased.iter().copied().collect());
    let shortened = wanted_secs != hello.session_secs;
    let welcome = |receive_maximum| {
        welcome(
            &hello,
            present,
            assigned,
            shortened,
            receive_maximum,
            shared,
        )
        .map_err(SendError::from)
    };
    // Clients are known that overstep the receive maximum when they come back after a break,
    // and would be thrown out for it again each time. We only read as fast as we can store, so
    // it costs us nothing to let them.
    let told = welcome(Some(shared.limits.in_flight_messages))?;
    wire.welcome(welcome(None)?, &told).await?;
    Ok(Greeted {
        hello,
        seat,
        session,
    })
}

async fn read_hello<R, W>(
    reader: &mut FrameReader<R>,
    wire: &mut Wire<W>,
    shared: &Shared,
) -> Result<Hello, Away>
where
    R: AsyncRead + Unpin,
    W: AsyncWrite + Unpin,
{
    let deadline = Instant::now() + shared.limits.connect_timeout();
    let frame = tokio::select! {
        frame = timeout_at(deadline, connect_frame(reader)) => frame
            .map_err(|_| Away::TooSlow(shared.limits.connect_timeout_secs))??,
        () = shared.shutdown.cancelled() => return Err(Away::Stopping),
    };
    let digest = wire.digest(&frame);
    match digest.fault {
        None => {}
        Some(MqttError::UnsupportedProtocolVersion) => {
            let level = protocol_level(&frame).ok_or(Away::NotConnect)?;
            wire.put_bytes(wrong_version(level)).await?;
            return Err(Away::Version(level));
        }
        Some(_) => {
            // MQTT 3.1.1 wants a CONNECT that cannot be read to be met with silence.
            if wire.is_v5() {
                for reply in &digest.replies {
                    wire.put(reply).await?;
                }
            }
            return Err(Away::NotConnect);
        }
    }
    digest
        .packet
        .as_ref()
        .and_then(Hello::read)
        .ok_or(Away::NotConnect)
}

/// The first packet, which must be CONNECT. Anything else is known by its first byte.
async fn connect_frame<R: AsyncRead + Unpin>(reader: &mut FrameReader<R>) -> Result<Vec<u8>, Away> {
    const CONNECT: u8 = 0x10;
    if reader.peek().await? != CONNECT {
        return Err(Away::NotConnect);
    }
    match reader.next().await? {
        Frame::Whole(frame) => Ok(frame),
        Frame::TooLarge { .. } => Err(Away::NotConnect),
    }
}

/// The level a CONNECT asks for, if it is MQTT at all (`MQIsdp` is the name up to 3.1).
fn protocol_level(frame: &[u8]) -> Option<u8> {
    [&b"\x00\x04MQTT"[..], b"\x00\x06MQIsdp"]
        .into_iter()
        .find_map(|name| {
            let at = frame.windows(name.len()).take(6).position(|w| w == name)?;
            frame.get(at + name.len()).copied()
        })
}

/// CONNACK in the form that a client of that level can read.
fn wrong_version(level: u8) -> &'static [u8] {
    if level > 5 {
        &[0x20, 3, 0, 0x84, 0]
    } else {
        &[0x20, 2, 0, 1]
    }
}

fn check(hello: &Hello, full: Option<Full>, shared: &Shared) -> Result<(), NotServed> {
    if let Some(full) = full {
        return Err(NotServed::Full(full));
    }
    if hello.extended_auth {
        return Err(NotServed::ExtendedAuth);
    }
    if let Some(guard) = &shared.guard {
        let (Some(user), Some(password)) = (&hello.user, &hello.password) else {
            return Err(NotServed::NoCredentials);
        };
        if !guard.admits(user, password) {
            return Err(NotServed::WrongCredentials);
        }
    }
    // MQTT 3.1.1 lets a client without an id only have a session that ends with the connection.
    if hello.client_id.is_empty() && !hello.v5 && !hello.clean {
        return Err(NotServed::NoClientId);
    }
    if hello.client_id.len() > CLIENT_ID_BYTES || hello.client_id.contains(char::is_control) {
        return Err(NotServed::BadClientId);
    }
    Ok(())
}

fn refusal(v5: bool, why: NotServed) -> Result<Packet, MqttError> {
    Ok(if v5 {
        v5_0::Connack::builder()
            .session_present(false)
            .reason_code(why.v5())
            .props(vec![ReasonString::new(why.to_string())?.into()])
            .build()?
            .into()
    } else {
        v3_1_1::Connack::builder()
            .session_present(false)
            .return_code(why.v3())
            .build()?
            .into()
    })
}

fn welcome(
    hello: &Hello,
    present: bool,
    assigned: bool,
    shortened: bool,
    receive_maximum: Option<u16>,
    shared: &Shared,
) -> Result<Packet, MqttError> {
    if !hello.v5 {
        return Ok(v3_1_1::Connack::builder()
            .session_present(present)
            .return_code(ConnectReturnCode::Accepted)
            .build()?
            .into());
    }
    // No topic alias maximum means zero: aliases would only save bytes we do not lack.
    let mut properties: Vec<Property> = vec![
        MaximumPacketSize::new(shared.limits.packet_bytes())?.into(),
        SharedSubscriptionAvailable::new(0)?.into(),
        SubscriptionIdentifierAvailable::new(0)?.into(),
    ];
    if let Some(most) = receive_maximum {
        properties.push(ReceiveMaximum::new(most)?.into());
    }
    if assigned {
        properties.push(AssignedClientIdentifier::new(&hello.client_id)?.into());
    }
    if shortened {
        properties.push(SessionExpiryInterval::new(hello.session_secs)?.into());
    }
    Ok(v5_0::Connack::builder()
        .session_present(present)
        .reason_code(ConnectReasonCode::Success)
        .props(properties)
        .build()?
        .into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_level_is_read_from_either_name() {
        assert_eq!(protocol_level(b"\x10\x0c\x00\x04MQTT\x07\x02"), Some(7));
        assert_eq!(protocol_level(b"\x10\x0e\x00\x06MQIsdp\x03\x02"), Some(3));
        assert_eq!(protocol_level(b"\x10\x05\x00\x04HTTP\x03"), None);
        assert_eq!(protocol_level(b"\x10\x06\x00\x04MQTT"), None);
    }
}
