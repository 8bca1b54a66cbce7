//! Why a connection ends, and what follows from it.

use mqtt_protocol_core::mqtt::result_code::{DisconnectReasonCode, MqttError};

use super::counts::Refusal;
use super::frame::ReadError;
use super::wire::SendError;

#[derive(Debug, thiserror::Error)]
pub enum End {
    #[error("the client said goodbye")]
    Goodbye { keep_will: bool },
    #[error("{0}")]
    Gone(ReadError),
    #[error("{0}")]
    Unsendable(#[from] SendError),
    #[error("nothing heard for one and a half times the keep-alive")]
    Silent,
    #[error("another connection came under the same client id")]
    TakenOver,
    #[error("the daemon is stopping")]
    Stopping,
    #[error("the message could not be stored, send it again: {0}")]
    Store(String),
    #[error("not allowed by MQTT: {0}")]
    Protocol(MqttError),
    #[error("not allowed by MQTT: {0}")]
    Misuse(&'static str),
    #[error("too many QoS 2 messages are not released")]
    Unreleased,
    #[error("extended authentication is not offered")]
    ExtendedAuth,
    #[error("a packet of {0} bytes is too large")]
    TooLarge(usize),
    /// MQTT 3.1.1 has no other way to refuse a message.
    #[error("message not taken: {0}")]
    NotTaken(String),
}

impl From<MqttError> for End {
    fn from(fault: MqttError) -> End {
        End::Unsendable(fault.into())
    }
}

impl End {
    /// What an MQTT 5 client is told before we close.
    pub fn code(&self) -> Option<DisconnectReasonCode> {
        match self {
            End::Goodbye { .. } => None,
            // Mostly the protocol layer has said so already, and then does not say it twice.
            End::Protocol(fault) => Some((*fault).into()),
            End::Gone(ReadError::BadLength) => Some(DisconnectReasonCode::MalformedPacket),
            End::Gone(ReadError::Closed | ReadError::Io(_)) | End::Unsendable(_) => None,
            End::Silent => Some(DisconnectReasonCode::KeepAliveTimeout),
            End::TakenOver => Some(DisconnectReasonCode::SessionTakenOver),
            End::Stopping => Some(DisconnectReasonCode::ServerShuttingDown),
            End::Store(_) => Some(DisconnectReasonCode::UnspecifiedError),
            End::Misuse(_) | End::ExtendedAuth => Some(DisconnectReasonCode::ProtocolError),
            End::Unreleased => Some(DisconnectReasonCode::ReceiveMaximumExceeded),
            End::TooLarge(_) => Some(DisconnectReasonCode::PacketTooLarge),
            End::NotTaken(_) => Some(DisconnectReasonCode::NotAuthorized),
        }
    }

    /// Whether the client went without saying goodbye, so that its will is to be done. Not so
    /// when it is plainly there (taken over) or when it is we who are in trouble.
    pub fn sets_off_will(&self) -> bool {
        match self {
            End::Goodbye { keep_will } => *keep_will,
            End::TakenOver | End::Stopping | End::Store(_) => false,
            _ => true,
        }
    }

    pub fn refusal(&self) -> Option<Refusal> {
        match self {
            End::Store(_) => Some(Refusal::Store),
            End::Protocol(_)
            | End::Misuse(_)
            | End::Unreleased
            | End::ExtendedAuth
            | End::Gone(ReadError::BadLength) => Some(Refusal::Protocol),
            // Counted where they happened, with their topic.
            End::TooLarge(_) | End::NotTaken(_) => None,
            _ => None,
        }
    }
}
