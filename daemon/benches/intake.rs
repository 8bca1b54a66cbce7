//! What the whole way in costs: QoS 1 messages over real sockets through the intake, each
//! acknowledged after its commit, beside a loop that only inserts a payload and a reading into
//! two bare tables, with the same pragmas.
//!
//! The bare loop commits as many rows at a time as all clients together can have in flight, which
//! is the most that one of our commits can hold: it is given the better of the comparison.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use ebbmark::mqtt::Outgoing;
use ebbmark::mqtt::intake::{self, IntakeConfig};
use ebbmark_core::feed::{FeedMap, Format, Pick, Quantity};
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::{Command, Stamp};
use ebbmark_store::{Options, open};
use rusqlite::{Connection, params};
use tokio_util::sync::CancellationToken;

const CLIENTS: i64 = 16;
const IN_FLIGHT: i64 = 20;
const EACH: i64 = 256;
const MESSAGES: i64 = CLIENTS * EACH;
const T0: Moment = Moment(1_772_344_800_000);

fn payload(n: i64) -> String {
    let at = (T0 + Span::seconds(n)).0;
    format!(r#"{{"time": {at}, "gravity": 1.0523, "temperature": 18.56, "battery": 3.91}}"#)
}

fn map() -> FeedMap {
    let pick = |from: &str, quantity| Pick {
        from: from.into(),
        quantity,
    };
    let picks = vec![
        pick("/time", Quantity::Time),
        pick("/gravity", Quantity::GravitySg),
        pick("/temperature", Quantity::TemperatureCelsius),
        pick("/battery", Quantity::BatteryVolts),
    ];
    FeedMap {
        format: Format::Json { picks },
        tilt_polynomial: Vec::new(),
    }
}

/// A float in as few bytes of MQTT 3.1.1 as do it.
struct Client {
    socket: TcpStream,
    topic: String,
    packet: u16,
}

impl Client {
    fn connect(address: SocketAddr, number: i64) -> Client {
        let mut socket = TcpStream::connect(address).expect("the intake listens");
        socket.set_nodelay(true).expect("a socket option");
        let id = format!("bench-{number:02}");
        let mut packet = vec![0x10, (12 + id.len()) as u8, 0, 4];
        packet.extend_from_slice(b"MQTT\x04\x02\x00\x3c\x00");
        packet.push(id.len() as u8);
        packet.extend_from_slice(id.as_bytes());
        socket.write_all(&packet).expect("sent");
        let mut answer = [0; 4];
        socket.read_exact(&mut answer).expect("a CONNACK");
        assert_eq!(answer, [0x20, 2, 0, 0]);
        Client {
            socket,
            topic: format!("bench/{number}"),
            packet: 0,
        }
    }

    fn publish(&mut self, n: i64) {
        self.packet = self.packet % 65_000 + 1;
        let body = payload(n);
        let length = 2 + self.topic.len() + 2 + body.len();
        assert!(length < 128, "one length byte is enough");
        let mut packet = vec![0x32, length as u8, 0, self.topic.len() as u8];
        packet.extend_from_slice(self.topic.as_bytes());
        packet.extend_from_slice(&self.packet.to_be_bytes());
        packet.extend_from_slice(body.as_bytes());
        self.socket.write_all(&packet).expect("sent");
    }

    fn wait_for_one(&mut self) {
        let mut answer = [0; 4];
        self.socket.read_exact(&mut answer).expect("a PUBACK");
        assert_eq!(answer[..2], [0x40, 2]);
    }

    /// `EACH` messages, never more than `IN_FLIGHT` unanswered.
    fn run(&mut self, first: i64) {
        for k in 0..EACH {
            if k >= IN_FLIGHT {
                self.wait_for_one();
            }
            self.publish(first + k);
        }
        for _ in 0..IN_FLIGHT.min(EACH) {
            self.wait_for_one();
        }
    }
}

fn bare(path: &Path) -> Connection {
    let conn = Connection::open(path).expect("a new file");
    conn.execute_batch(
        "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA foreign_keys = 1; \
         PRAGMA temp_store = MEMORY; PRAGMA cache_size = -16384; \
         CREATE TABLE raw (id INTEGER PRIMARY KEY, topic INTEGER NOT NULL, wall INTEGER, \
         payload BLOB NOT NULL) STRICT; \
         CREATE TABLE reading (feed INTEGER NOT NULL, at INTEGER NOT NULL, gravity REAL, \
         temperature REAL, battery REAL, PRIMARY KEY (feed, at)) STRICT, WITHOUT ROWID;",
    )
    .expect("bare tables");
    conn
}

fn bare_loop(conn: &Connection, first: i64) -> rusqlite::Result<()> {
    let batch = CLIENTS * IN_FLIGHT;
    for start in (first..first + MESSAGES).step_by(batch as usize) {
        let tx = conn.unchecked_transaction()?;
        for n in start..(start + batch).min(first + MESSAGES) {
            let at = (T0 + Span::seconds(n)).0;
            tx.prepare_cached("INSERT INTO raw (topic, wall, payload) VALUES (1, ?1, ?2)")?
                .execute(params![at, payload(n).into_bytes()])?;
            tx.prepare_cached(
                "INSERT INTO reading (feed, at, gravity, temperature, battery) \
                 VALUES (?1, ?2, ?3, ?4, ?5)",
            )?
            .execute(params![n % CLIENTS, at, 1.0523, 18.56, 3.91])?;
        }
        tx.commit()?;
    }
    Ok(())
}

fn throughput(c: &mut Criterion) {
    let folder = tempfile::tempdir().expect("a folder");
    let mut group = c.benchmark_group("intake");
    group.throughput(Throughput::Elements(MESSAGES as u64));
    group.sample_size(20);

    let conn = bare(&folder.path().join("bare.db"));
    let mut next = 0;
    group.bench_function("bare loop", |b| {
        b.iter(|| {
            bare_loop(&conn, next).expect("inserted");
            next += MESSAGES;
        });
    });

    let (writer, _reader) =
        open(&folder.path().join("store.db"), Options::default()).expect("a new store");
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .expect("a runtime");
    let shutdown = CancellationToken::new();
    let mut config = IntakeConfig {
        listen: vec![([127, 0, 0, 1], 0).into()],
        ..IntakeConfig::default()
    };
    config.limits.messages_per_second = 0;
    let clock = Arc::new(|| Stamp {
        wall: Some(T0 + Span::days(365)),
        monotonic_ms: 0,
    });
    let address = runtime.block_on(async {
        for number in 0..CLIENTS {
            let claim = Command::Claim {
                source: "intake".into(),
                topic: format!("bench/{number}"),
                name: format!("bench {number}"),
                map: map(),
                vessel: None,
            };
            writer.command(claim).await.expect("claimed");
        }
        let intake = intake::bind(
            config,
            writer.clone(),
            Outgoing::new(),
            clock,
            shutdown.clone(),
        )
        .await
        .expect("bound");
        let address = intake.local_addrs()[0];
        tokio::spawn(intake.run());
        address
    });
    let mut clients: Vec<Client> = (0..CLIENTS).map(|n| Client::connect(address, n)).collect();
    let next = AtomicI64::new(0);
    group.bench_function("intake", |b| {
        b.iter(|| {
            let first = next.fetch_add(EACH, Ordering::Relaxed);
            std::thread::scope(|scope| {
                for client in &mut clients {
                    scope.spawn(move || client.run(first));
                }
            });
        });
    });
    group.finish();
    shutdown.cancel();
}

criterion_group!(benches, throughput);
criterion_main!(benches);
