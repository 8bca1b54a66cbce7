//! What a client says in CONNECT, the same for both versions of the protocol.

use mqtt_protocol_core::mqtt::packet::{Packet, Property, v3_1_1, v5_0};

/// What a client wants said if it goes without saying goodbye.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Will {
    pub topic: String,
    pub payload: Vec<u8>,
    pub delay_secs: u32,
}

pub struct Hello {
    pub v5: bool,
    pub client_id: String,
    pub clean: bool,
    pub keep_alive_secs: u16,
    pub user: Option<String>,
    pub password: Option<Vec<u8>>,
    pub will: Option<Will>,
    /// How long the client wants its session kept after it is gone; `u32::MAX` is for ever.
    pub session_secs: u32,
    /// QoS 1 messages it takes before it has acknowledged one.
    pub receive_maximum: u16,
    /// It asks for an exchange we do not offer.
    pub extended_auth: bool,
}

impl Hello {
    /// `None` if the packet is no CONNECT.
    pub fn read(packet: &Packet) -> Option<Hello> {
        match packet {
            Packet::V3_1_1Connect(connect) => Some(Hello::read_v3(connect)),
            Packet::V5_0Connect(connect) => Some(Hello::read_v5(connect)),
            _ => None,
        }
    }

    fn read_v3(connect: &v3_1_1::Connect) -> Hello {
        let clean = connect.clean_session();
        Hello {
            v5: false,
            client_id: connect.client_id().to_owned(),
            clean,
            keep_alive_secs: connect.keep_alive(),
            user: connect.user_name().map(str::to_owned),
            password: connect.password().map(<[u8]>::to_vec),
            will: connect.will_topic().map(|topic| Will {
                topic: topic.to_owned(),
                payload: connect.will_payload().unwrap_or_default().to_vec(),
                delay_secs: 0,
            }),
            session_secs: if clean { 0 } else { u32::MAX },
            receive_maximum: u16::MAX,
            extended_auth: false,
        }
    }

    fn read_v5(connect: &v5_0::Connect) -> Hello {
        let mut hello = Hello {
            v5: true,
            client_id: connect.client_id().to_owned(),
            clean: connect.clean_start(),
            keep_alive_secs: connect.keep_alive(),
            user: connect.user_name().map(str::to_owned),
            password: connect.password().map(<[u8]>::to_vec),
            will: connect.will_topic().map(|topic| Will {
                topic: topic.to_owned(),
                payload: connect.will_payload().unwrap_or_default().to_vec(),
                delay_secs: connect
                    .will_props()
                    .iter()
                    .find_map(|property| match property {
                        Property::WillDelayInterval(delay) => Some(delay.val()),
                        _ => None,
                    })
                    .unwrap_or(0),
            }),
            session_secs: 0,
            receive_maximum: u16::MAX,
            extended_auth: false,
        };
        for property in connect.props() {
            match property {
                Property::SessionExpiryInterval(secs) => hello.session_secs = secs.val(),
                Property::ReceiveMaximum(most) => hello.receive_maximum = most.val(),
                Property::AuthenticationMethod(_) => hello.extended_auth = true,
                _ => {}
            }
        }
        hello
    }
}
