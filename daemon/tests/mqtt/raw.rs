//! A client that speaks in frames, so that it can also say what a well-behaved one would not.

use std::net::SocketAddr;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;

use crate::cellar::FAILSAFE;

pub struct Raw {
    stream: TcpStream,
    v5: bool,
}

/// What goes into CONNECT.
#[derive(Clone, Copy)]
pub struct Connect<'a> {
    pub v5: bool,
    pub client_id: &'a str,
    pub clean: bool,
    pub keep_alive: u16,
    pub user: Option<(&'a str, &'a str)>,
    pub will: Option<(&'a str, &'a str)>,
    /// MQTT 5 properties, encoded.
    pub properties: &'a [u8],
    pub will_properties: &'a [u8],
}

impl Connect<'_> {
    pub fn v3(client_id: &str) -> Connect<'_> {
        Connect {
            v5: false,
            client_id,
            clean: true,
            keep_alive: 0,
            user: None,
            will: None,
            properties: &[],
            will_properties: &[],
        }
    }

    pub fn v5(client_id: &str) -> Connect<'_> {
        Connect {
            v5: true,
            ..Connect::v3(client_id)
        }
    }

    pub fn frame(&self) -> Vec<u8> {
        let mut flags = if self.clean { 0x02 } else { 0 };
        if self.will.is_some() {
            flags |= 0x04;
        }
        if self.user.is_some() {
            flags |= 0xC0;
        }
        let mut body = text("MQTT");
        body.push(if self.v5 { 5 } else { 4 });
        body.push(flags);
        body.extend(self.keep_alive.to_be_bytes());
        if self.v5 {
            body.extend(counted(self.properties));
        }
        body.extend(text(self.client_id));
        if let Some((topic, payload)) = self.will {
            if self.v5 {
                body.extend(counted(self.will_properties));
            }
            body.extend(text(topic));
            body.extend(text(payload));
        }
        if let Some((user, password)) = self.user {
            body.extend(text(user));
            body.extend(text(password));
        }
        packet(0x10, &body)
    }
}

/// What goes into PUBLISH.
#[derive(Clone, Copy)]
pub struct Publish<'a> {
    pub topic: &'a str,
    pub payload: &'a [u8],
    pub qos: u8,
    pub id: u16,
    pub dup: bool,
    pub retain: bool,
}

impl<'a> Publish<'a> {
    pub fn new(topic: &'a str, payload: &'a [u8], qos: u8, id: u16) -> Publish<'a> {
        Publish {
            topic,
            payload,
            qos,
            id,
            dup: false,
            retain: false,
        }
    }

    pub fn again(self) -> Publish<'a> {
        Publish { dup: true, ..self }
    }

    pub fn frame(&self, v5: bool) -> Vec<u8> {
        let mut body = text(self.topic);
        if self.qos > 0 {
            body.extend(self.id.to_be_bytes());
        }
        if v5 {
            body.push(0);
        }
        body.extend(self.payload);
        let flags = (u8::from(self.dup) << 3) | (self.qos << 1) | u8::from(self.retain);
        packet(0x30 | flags, &body)
    }
}

impl Raw {
    pub async fn open(address: SocketAddr) -> Raw {
        Raw {
            stream: TcpStream::connect(address).await.unwrap(),
            v5: false,
        }
    }

    /// Connects and returns CONNACK as well.
    pub async fn greet(address: SocketAddr, connect: Connect<'_>) -> (Raw, Vec<u8>) {
        let mut raw = Raw::open(address).await;
        raw.v5 = connect.v5;
        raw.send(&connect.frame()).await;
        let connack = raw.packet().await;
        (raw, connack)
    }

    /// Connects, and expects to be welcome.
    pub async fn welcome(address: SocketAddr, connect: Connect<'_>) -> Raw {
        let (raw, connack) = Raw::greet(address, connect).await;
        assert_eq!((connack[0], connack[3]), (0x20, 0), "{connack:02x?}");
        raw
    }

    pub async fn send(&mut self, bytes: &[u8]) {
        self.stream.write_all(bytes).await.unwrap();
    }

    pub async fn publish(&mut self, publish: Publish<'_>) {
        let frame = publish.frame(self.v5);
        self.send(&frame).await;
    }

    pub async fn subscribe(&mut self, id: u16, filter: &str, options: u8) -> Vec<u8> {
        self.subscribe_with(id, filter, options, &[]).await;
        self.packet().await
    }

    pub async fn subscribe_with(&mut self, id: u16, filter: &str, options: u8, properties: &[u8]) {
        let mut body = id.to_be_bytes().to_vec();
        if self.v5 {
            body.extend(counted(properties));
        }
        body.extend(text(filter));
        body.push(options);
        self.send(&packet(0x82, &body)).await;
    }

    /// The next whole packet.
    pub async fn packet(&mut self) -> Vec<u8> {
        let read = async {
            let mut bytes = vec![self.stream.read_u8().await?];
            let mut length = 0usize;
            for shift in [0, 7, 14, 21] {
                let byte = self.stream.read_u8().await?;
                bytes.push(byte);
                length |= usize::from(byte & 0x7F) << shift;
                if byte & 0x80 == 0 {
                    break;
                }
            }
            let start = bytes.len();
            bytes.resize(start + length, 0);
            self.stream.read_exact(&mut bytes[start..]).await?;
            Ok::<_, std::io::Error>(bytes)
        };
        timeout(FAILSAFE, read)
            .await
            .expect("a packet in time")
            .expect("a packet before the end")
    }

    /// Expects exactly this packet next.
    pub async fn expect(&mut self, wanted: &[u8]) {
        let got = self.packet().await;
        assert_eq!(got, wanted, "got {got:02x?}, wanted {wanted:02x?}");
    }

    /// Expects a DISCONNECT with this reason code (MQTT 5), then the end.
    pub async fn expect_disconnect(&mut self, code: u8) {
        let got = self.packet().await;
        assert_eq!((got[0], got[2]), (0xE0, code), "{got:02x?}");
        self.expect_end().await;
    }

    /// Expects that nothing more comes before the connection ends.
    pub async fn expect_end(&mut self) {
        let mut rest = Vec::new();
        let end = timeout(FAILSAFE, self.stream.read_to_end(&mut rest))
            .await
            .expect("the end in time");
        assert!(rest.is_empty(), "{end:?} after {rest:02x?}");
    }

    /// As [`Raw::expect_end`], and says of what.
    pub async fn expect_silence(&mut self, what: &str) {
        let rest = self.read_to_the_end().await;
        assert!(rest.is_empty(), "{what} was answered by {rest:02x?}");
    }

    /// Expects a CONNACK of 3.1.1 with this code and no session, then the end.
    pub async fn expect_refusal(&mut self, code: u8) {
        self.expect(&[0x20, 2, 0, code]).await;
        self.expect_end().await;
    }

    /// Nothing more is sent from this side.
    pub async fn no_more(&mut self) {
        self.stream.shutdown().await.unwrap();
    }

    /// What comes until the connection ends, by a reset too.
    pub async fn read_to_the_end(&mut self) -> Vec<u8> {
        let mut rest = Vec::new();
        // A reset is an end like any other.
        let _ = timeout(FAILSAFE, self.stream.read_to_end(&mut rest))
            .await
            .expect("the end in time");
        rest
    }

    /// A round trip: everything sent before has been looked at.
    pub async fn ping(&mut self) {
        self.send(&[0xC0, 0]).await;
        self.expect(&[0xD0, 0]).await;
    }
}

pub fn packet(first: u8, body: &[u8]) -> Vec<u8> {
    let mut bytes = vec![first];
    bytes.extend(length(body.len()));
    bytes.extend(body);
    bytes
}

pub fn length(mut rest: usize) -> Vec<u8> {
    let mut bytes = Vec::new();
    loop {
        let low = u8::try_from(rest & 0x7F).unwrap();
        rest >>= 7;
        if rest == 0 {
            bytes.push(low);
            return bytes;
        }
        bytes.push(low | 0x80);
    }
}

pub fn text(text: &str) -> Vec<u8> {
    let mut bytes = u16::try_from(text.len()).unwrap().to_be_bytes().to_vec();
    bytes.extend(text.as_bytes());
    bytes
}

fn counted(bytes: &[u8]) -> Vec<u8> {
    let mut out = length(bytes.len());
    out.extend(bytes);
    out
}
