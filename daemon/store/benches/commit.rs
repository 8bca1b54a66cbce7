//! What the store costs over the least that could be done: messages through [`Writer::arrive`]
//! (kept, decoded, checked against what is known, marked, told) beside a loop that only
//! inserts a payload and a reading into two bare tables, with the same pragmas and the same
//! number of rows in a commit.

use std::path::Path;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use ebbmark_core::feed::{FeedMap, Format, Pick, Quantity};
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::{Arrival, Command, Delivery, Stamp};
use ebbmark_store::{Options, Writer, open};
use rusqlite::{Connection, params};

const MESSAGES: i64 = 4096;
const T0: Moment = Moment(1_772_344_800_000);

fn payload(n: i64) -> String {
    format!(
        r#"{{"time": {}, "gravity": 1.0523, "temperature": 18.56, "battery": 3.91}}"#,
        (T0 + Span::seconds(n)).0
    )
}

fn map() -> FeedMap {
    let pick = |from: &str, quantity| Pick {
        from: from.into(),
        quantity,
    };
    FeedMap {
        format: Format::Json {
            picks: vec![
                pick("/time", Quantity::Time),
                pick("/gravity", Quantity::GravitySg),
                pick("/temperature", Quantity::TemperatureCelsius),
                pick("/battery", Quantity::BatteryVolts),
            ],
        },
        tilt_polynomial: Vec::new(),
    }
}

async fn through_the_store(writer: &Writer, first: i64) {
    let mut waiters = Vec::with_capacity(MESSAGES as usize);
    for n in first..first + MESSAGES {
        let arrival = Arrival {
            source: "intake".into(),
            topic: "cellar/float".into(),
            payload: payload(n).into_bytes(),
            stamp: Stamp {
                wall: Some(T0 + Span::seconds(n)),
                monotonic_ms: n,
            },
            delivery: Some(Delivery {
                peer: "float".into(),
                packet_id: (n % 65_535) as u16,
                repeat: false,
            }),
            retained: false,
        };
        waiters.push(writer.arrive(arrival).await.expect("the writer runs"));
    }
    for waiter in waiters {
        let receipt = waiter.await.expect("answered").expect("committed");
        assert_eq!(receipt.readings, 1);
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

fn bare_loop(conn: &Connection, first: i64, batch: i64) -> rusqlite::Result<()> {
    for start in (first..first + MESSAGES).step_by(batch as usize) {
        let tx = conn.unchecked_transaction()?;
        for n in start..(start + batch).min(first + MESSAGES) {
            let at = (T0 + Span::seconds(n)).0;
            tx.prepare_cached("INSERT INTO raw (topic, wall, payload) VALUES (1, ?1, ?2)")?
                .execute(params![at, payload(n).into_bytes()])?;
            tx.prepare_cached(
                "INSERT INTO reading (feed, at, gravity, temperature, battery) \
                 VALUES (1, ?1, ?2, ?3, ?4)",
            )?
            .execute(params![at, 1.0523, 18.56, 3.91])?;
        }
        tx.commit()?;
    }
    Ok(())
}

fn commit(c: &mut Criterion) {
    let options = Options::default();
    let folder = tempfile::tempdir().expect("a folder");
    let mut group = c.benchmark_group("commit");
    group.throughput(Throughput::Elements(MESSAGES as u64));
    group.sample_size(20);

    let conn = bare(&folder.path().join("bare.db"));
    let mut next = 0;
    group.bench_function("bare loop", |b| {
        b.iter(|| {
            bare_loop(&conn, next, options.commit_count as i64).expect("inserted");
            next += MESSAGES;
        });
    });

    let (writer, _reader) = open(&folder.path().join("store.db"), options).expect("a new store");
    let runtime = tokio::runtime::Builder::new_current_thread()
        .build()
        .expect("a runtime");
    runtime
        .block_on(writer.command(Command::Claim {
            source: "intake".into(),
            topic: "cellar/float".into(),
            name: "float".into(),
            map: map(),
            vessel: None,
        }))
        .expect("claimed");
    let mut next = 0;
    group.bench_function("arrive", |b| {
        b.iter(|| {
            runtime.block_on(through_the_store(&writer, next));
            next += MESSAGES;
        });
    });
    group.finish();
}

criterion_group!(benches, commit);
criterion_main!(benches);
