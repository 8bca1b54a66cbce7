//! Builds what we answer, for either version of the protocol.

use std::sync::Arc;

use mqtt_protocol_core::mqtt::packet::{Packet, Qos, ReasonString, v3_1_1, v5_0};
use mqtt_protocol_core::mqtt::result_code::{
    DisconnectReasonCode, MqttError, PubackReasonCode, PubcompReasonCode, PubrecReasonCode,
    SubackReasonCode, SubackReturnCode, UnsubackReasonCode,
};

use crate::mqtt::policy::FilterFault;

type Built = Result<Packet, MqttError>;

/// Why a message is not taken, as MQTT 5 can say it. MQTT 3.1.1 has no words for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unwanted {
    Topic,
    NotAllowed,
    TooLarge,
}

pub fn puback(v5: bool, id: u16) -> Built {
    Ok(if v5 {
        v5_0::Puback::builder().packet_id(id).build()?.into()
    } else {
        v3_1_1::Puback::builder().packet_id(id).build()?.into()
    })
}

pub fn pubrec(v5: bool, id: u16) -> Built {
    Ok(if v5 {
        v5_0::Pubrec::builder().packet_id(id).build()?.into()
    } else {
        v3_1_1::Pubrec::builder().packet_id(id).build()?.into()
    })
}

/// MQTT 5 only: the message is not taken, and need not be sent again.
pub fn unwanted(qos: Qos, id: u16, why: Unwanted) -> Built {
    Ok(if qos == Qos::ExactlyOnce {
        let code = match why {
            Unwanted::Topic => PubrecReasonCode::TopicNameInvalid,
            Unwanted::NotAllowed => PubrecReasonCode::NotAuthorized,
            Unwanted::TooLarge => PubrecReasonCode::QuotaExceeded,
        };
        v5_0::Pubrec::builder()
            .packet_id(id)
            .reason_code(code)
            .build()?
            .into()
    } else {
        let code = match why {
            Unwanted::Topic => PubackReasonCode::TopicNameInvalid,
            Unwanted::NotAllowed => PubackReasonCode::NotAuthorized,
            Unwanted::TooLarge => PubackReasonCode::QuotaExceeded,
        };
        v5_0::Puback::builder()
            .packet_id(id)
            .reason_code(code)
            .build()?
            .into()
    })
}

pub fn pubcomp(v5: bool, id: u16, known: bool) -> Built {
    Ok(if !v5 {
        v3_1_1::Pubcomp::builder().packet_id(id).build()?.into()
    } else if known {
        v5_0::Pubcomp::builder().packet_id(id).build()?.into()
    } else {
        v5_0::Pubcomp::builder()
            .packet_id(id)
            .reason_code(PubcompReasonCode::PacketIdentifierNotFound)
            .build()?
            .into()
    })
}

pub fn pingresp(v5: bool) -> Packet {
    if v5 {
        v5_0::Pingresp::new().into()
    } else {
        v3_1_1::Pingresp::new().into()
    }
}

/// What came of one filter of a SUBSCRIBE.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Grant {
    Granted(Qos),
    Refused(FilterFault),
    /// MQTT 5: the request carried a subscription identifier.
    NoIdentifiers,
}

pub fn suback(v5: bool, id: u16, grants: &[Grant]) -> Built {
    Ok(if v5 {
        let codes = grants.iter().map(|grant| match grant {
            Grant::Granted(Qos::AtMostOnce) => SubackReasonCode::GrantedQos0,
            Grant::Granted(_) => SubackReasonCode::GrantedQos1,
            Grant::NoIdentifiers => SubackReasonCode::SubscriptionIdentifiersNotSupported,
            Grant::Refused(FilterFault::Malformed) => SubackReasonCode::TopicFilterInvalid,
            Grant::Refused(FilterFault::Shared) => {
                SubackReasonCode::SharedSubscriptionsNotSupported
            }
            Grant::Refused(FilterFault::NotOurs) => SubackReasonCode::NotAuthorized,
            Grant::Refused(FilterFault::TooMany) => SubackReasonCode::QuotaExceeded,
        });
        v5_0::Suback::builder()
            .packet_id(id)
            .reason_codes(codes.collect())
            .build()?
            .into()
    } else {
        let codes = grants.iter().map(|grant| match grant {
            Grant::Granted(Qos::AtMostOnce) => SubackReturnCode::SuccessMaximumQos0,
            Grant::Granted(_) => SubackReturnCode::SuccessMaximumQos1,
            Grant::Refused(_) | Grant::NoIdentifiers => SubackReturnCode::Failure,
        });
        v3_1_1::Suback::builder()
            .packet_id(id)
            .return_codes(codes.collect())
            .build()?
            .into()
    })
}

pub fn unsuback(v5: bool, id: u16, existed: &[bool]) -> Built {
    Ok(if v5 {
        let codes = existed.iter().map(|existed| match existed {
            true => UnsubackReasonCode::Success,
            false => UnsubackReasonCode::NoSubscriptionExisted,
        });
        v5_0::Unsuback::builder()
            .packet_id(id)
            .reason_codes(codes.collect())
            .build()?
            .into()
    } else {
        v3_1_1::Unsuback::builder().packet_id(id).build()?.into()
    })
}

/// A message of ours; `id` makes it QoS 1.
pub fn publish(v5: bool, topic: &str, payload: Arc<[u8]>, retain: bool, id: Option<u16>) -> Built {
    // The two builders share no trait, only their method names.
    macro_rules! build {
        ($version:ident) => {{
            let start = $version::Publish::builder()
                .topic_name(topic)?
                .payload(payload)
                .retain(retain);
            match id {
                Some(id) => start.qos(Qos::AtLeastOnce).packet_id(id),
                None => start.qos(Qos::AtMostOnce),
            }
            .build()?
            .into()
        }};
    }
    Ok(if v5 { build!(v5_0) } else { build!(v3_1_1) })
}

/// MQTT 5 only: why we are about to close.
pub fn disconnect(code: DisconnectReasonCode, reason: &str) -> Built {
    let reason = ReasonString::new(reason)?;
    Ok(v5_0::Disconnect::builder()
        .reason_code(code)
        .props(vec![reason.into()])
        .build()?
        .into())
}
