//! Bytes at the MQTT intake's door, over a stream in memory: framing, greeting, taking, telling.

use std::cell::RefCell;
use std::net::SocketAddr;
use std::sync::Arc;

use ebbmark::mqtt::intake::{self, Intake, IntakeConfig, Limits};
use ebbmark::mqtt::{Credentials, Outgoing};
use ebbmark_store::model::Stamp;
use ebbmark_store::{Reader, Writer};
use tempfile::TempDir;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _, duplex, split};
use tokio::runtime::Runtime;
use tokio_util::sync::CancellationToken;

use crate::{NOW, store};

const PEER: SocketAddr = SocketAddr::new(
    std::net::IpAddr::V4(std::net::Ipv4Addr::new(192, 0, 2, 1)),
    50_000,
);
/// Ample for all we say to what a fuzzer sends.
const PIPE: usize = 1 << 20;

struct Door {
    runtime: Runtime,
    writer: Writer,
    reader: Reader,
    outgoing: Outgoing,
    _folder: TempDir,
}

thread_local! {
    static DOOR: RefCell<Door> = RefCell::new(open());
}

fn open() -> Door {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .expect("a runtime");
    let (writer, reader, folder) = store::open();
    let outgoing = Outgoing::new();
    outgoing.publish("ebbmark/tasks".into(), b"[]".to_vec());
    outgoing.publish("ebbmark/vessel/oak/verdict".into(), b"{}".to_vec());
    Door {
        runtime,
        writer,
        reader,
        outgoing,
        _folder: folder,
    }
}

/// The first byte: whether a password is asked for, and how many bytes come at a time.
pub fn run(data: &[u8]) {
    let Some((how, data)) = data.split_first() else {
        return;
    };
    DOOR.with_borrow_mut(|door| door.runtime.block_on(knock(door, *how, data)));
}

async fn knock(door: &Door, how: u8, data: &[u8]) {
    let shutdown = CancellationToken::new();
    let intake = bind(door, how & 1 != 0, shutdown.clone()).await;
    let counts = intake.counts();
    let (ours, theirs) = duplex(PIPE);
    let (mut reads, mut writes) = split(theirs);
    let size = match how >> 1 {
        0 => data.len().max(1),
        n => usize::from(n),
    };
    let sending = async {
        for piece in data.chunks(size) {
            if writes.write_all(piece).await.is_err() {
                break;
            }
            tokio::task::yield_now().await;
        }
        // The end of what is sent, as a float that loses its battery ends.
        let _ = writes.shutdown().await;
    };
    let reading = async {
        let mut said = Vec::new();
        let _ = reads.read_to_end(&mut said).await;
        said
    };
    let (_, (), said) = tokio::join!(intake.attend(ours, PEER), sending, reading);
    is_from_a_server(&said);
    // An answer is a few bytes to a packet, a packet two bytes at least, but for the two values
    // each subscription brings and the words of a refusal.
    assert!(said.len() <= 2048 + data.len() * 64, "{} said", said.len());
    assert_eq!(counts.connections(), 0);
    let unclaimed = door.reader.unclaimed().expect("the store is read");
    assert!(unclaimed.len() <= 200);
    shutdown.cancel();
}

async fn bind(door: &Door, guarded: bool, shutdown: CancellationToken) -> Intake {
    let config = IntakeConfig {
        listen: vec![([127, 0, 0, 1], 0).into()],
        tls: None,
        credentials: guarded.then(|| Credentials {
            user: "cellar".into(),
            password: Some("linden".into()),
            password_file: None,
        }),
        limits: Limits {
            payload_bytes: 4096,
            messages_per_second: 0,
            ..Limits::default()
        },
    };
    let clock: intake::Clock = Arc::new(|| Stamp {
        wall: Some(NOW),
        monotonic_ms: 0,
    });
    intake::bind(
        config,
        door.writer.clone(),
        door.outgoing.clone(),
        clock,
        shutdown,
    )
    .await
    .expect("a free port")
}

/// Whatever we were sent, what we say is whole packets, of kinds a server sends, CONNACK first.
fn is_from_a_server(mut said: &[u8]) {
    let mut is_first = true;
    while let Some((first, rest)) = said.split_first() {
        let mut length = 0usize;
        let mut field = 0usize;
        loop {
            let byte = rest.get(field).copied().expect("a packet says its length");
            length |= usize::from(byte & 0x7f) << (7 * field);
            field += 1;
            if byte & 0x80 == 0 {
                break;
            }
            assert!(field < 4, "a length of more than four bytes");
        }
        let kind = first >> 4;
        assert_eq!(kind == 2 && *first == 0x20, is_first, "{first:02x}");
        let flags_hold = match kind {
            3 => first & 0x06 != 0x06 && first & 0x06 != 0x04,
            6 => false,
            2 | 4 | 5 | 7 | 9 | 11 | 13 | 14 => first & 0x0f == 0,
            _ => false,
        };
        assert!(flags_hold, "{first:02x} from a server");
        said = rest
            .get(field + length..)
            .expect("a packet is as long as it says");
        is_first = false;
    }
}
