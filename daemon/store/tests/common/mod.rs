//! A store in a folder of its own, and the shortest words for filling it.
#![expect(
    dead_code,
    reason = "each test binary uses some of these, none uses all"
)]

use std::path::{Path, PathBuf};

use ebbmark_core::deed::{Deed, What};
use ebbmark_core::feed::{FeedMap, Format, Pick, Quantity};
use ebbmark_core::ids::{FeedId, VesselId};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::Gravity;
use ebbmark_store::model::{
    Arrival, BatchFacts, Command, Delivery, Done, Part, Receipt, Stamp, VesselFacts,
};
use ebbmark_store::{Options, Reader, StoreError, Writer, open};

/// 2026-03-01T06:00:00Z, on an hour.
pub const T0: Moment = Moment(1_772_344_800_000);
pub const ALWAYS: (Moment, Moment) = (Moment(i64::MIN), Moment(i64::MAX));

pub struct Store {
    pub writer: Writer,
    pub reader: Reader,
    pub path: PathBuf,
    folder: tempfile::TempDir,
}

impl Store {
    pub fn new() -> Store {
        Store::on(tempfile::tempdir().unwrap())
    }

    /// On what lies in a folder as `store.db`.
    pub fn on(folder: tempfile::TempDir) -> Store {
        let path = folder.path().join("store.db");
        let (writer, reader) = open(&path, Options::default()).unwrap();
        Store {
            writer,
            reader,
            path,
            folder,
        }
    }

    pub async fn reopen(self) -> Store {
        self.writer.close().await;
        let (writer, reader) = open(&self.path, Options::default()).unwrap();
        Store {
            writer,
            reader,
            ..self
        }
    }

    pub async fn run(&self, command: Command) -> Done {
        self.writer.command(command).await.unwrap()
    }

    /// The words of the refusal.
    pub async fn refused(&self, command: Command) -> String {
        match self.writer.command(command).await {
            Err(StoreError::Refused(why)) => why,
            other => panic!("should have been refused: {other:?}"),
        }
    }

    pub async fn arrive(&self, arrival: Arrival) -> Receipt {
        self.writer
            .arrive(arrival)
            .await
            .unwrap()
            .await
            .unwrap()
            .unwrap()
    }

    /// So many readings of a topic, a minute apart, sent without waiting for each.
    pub async fn fill(&self, topic: &str, minutes: std::ops::Range<i64>) {
        let mut waiting = Vec::new();
        for n in minutes {
            let message = arrival(topic, &measured(n, 1.05));
            waiting.push(self.writer.arrive(message).await.unwrap());
        }
        for waiter in waiting {
            waiter.await.unwrap().unwrap();
        }
    }

    pub async fn vessel(&self, name: &str) -> VesselId {
        match self.run(Command::AddVessel(vessel_facts(name))).await {
            Done::Vessel(id) => id,
            other => panic!("{other:?}"),
        }
    }

    pub async fn claim(&self, topic: &str, map: FeedMap, vessel: Option<VesselId>) -> FeedId {
        match self.run(claim(topic, map, vessel)).await {
            Done::Feed(id) => id,
            other => panic!("{other:?}"),
        }
    }

    /// All readings of a feed as (milliseconds after T0, gravity).
    pub fn gravities(&self, feed: FeedId) -> Vec<(i64, f64)> {
        self.reader
            .readings(feed, ALWAYS.0, ALWAYS.1)
            .unwrap()
            .iter()
            .map(|r| (r.at.0 - T0.0, r.gravity.unwrap_or(f64::NAN)))
            .collect()
    }

    pub fn problem_count(&self, kind: ebbmark_core::reading::ProblemKind) -> u64 {
        self.reader
            .problems()
            .unwrap()
            .iter()
            .filter(|p| p.kind == kind)
            .map(|p| p.count)
            .sum()
    }

    /// A look past the crate's own eyes.
    pub fn sql(&self) -> rusqlite::Connection {
        rusqlite::Connection::open(&self.path).unwrap()
    }

    pub fn count(&self, sql: &str) -> i64 {
        self.sql().query_row(sql, [], |r| r.get(0)).unwrap()
    }
}

pub fn vessel_facts(name: &str) -> VesselFacts {
    VesselFacts {
        name: name.into(),
        capacity: None,
        temperature_low: None,
        temperature_high: None,
        tare: None,
        place: String::new(),
    }
}

pub fn batch_facts(name: &str) -> BatchFacts {
    BatchFacts {
        name: name.into(),
        started: T0,
        original_gravity: Gravity::new(1.1).ok(),
        expected_final: None,
        tolerance: None,
        volume: None,
        yeast: String::new(),
        honey: String::new(),
        note: String::new(),
        origin: None,
    }
}

/// A must is started; what has an origin is poured off from it.
pub fn beginning(vessel: VesselId, facts: BatchFacts) -> Command {
    let Some(origin) = facts.origin else {
        return Command::StartBatch { vessel, facts };
    };
    Command::PourBatch {
        vessel,
        parts: vec![Part {
            parent: origin.parent,
            volume: facts.volume,
            emptied: false,
        }],
        feeds: Vec::new(),
        once: None,
        made_at: origin.at,
        facts,
    }
}

pub fn claim(topic: &str, map: FeedMap, vessel: Option<VesselId>) -> Command {
    Command::Claim {
        source: "intake".into(),
        topic: topic.into(),
        name: format!("feed {topic}"),
        map,
        vessel,
    }
}

/// `{"t": <unix ms>, "g": <SG>}`.
pub fn timed() -> FeedMap {
    json(&[("/t", Quantity::Time), ("/g", Quantity::GravitySg)])
}

/// `{"g": <SG>}`, timed by arrival.
pub fn untimed() -> FeedMap {
    json(&[("/g", Quantity::GravitySg)])
}

pub fn json(picks: &[(&str, Quantity)]) -> FeedMap {
    FeedMap {
        format: Format::Json {
            picks: picks
                .iter()
                .map(|(from, quantity)| Pick {
                    from: (*from).into(),
                    quantity: *quantity,
                })
                .collect(),
        },
        tilt_polynomial: Vec::new(),
    }
}

pub fn at(minutes: i64) -> Moment {
    T0 + Span::minutes(minutes)
}

/// A payload for [`timed`], measured so many minutes after T0.
pub fn measured(minutes: i64, gravity: f64) -> String {
    format!(r#"{{"t": {}, "g": {gravity}}}"#, at(minutes).0)
}

/// Arrives at T0 + one day.
pub fn arrival(topic: &str, payload: &str) -> Arrival {
    arrival_at(topic, payload, Some(T0 + Span::days(1)))
}

pub fn arrival_at(topic: &str, payload: &str, wall: Option<Moment>) -> Arrival {
    Arrival {
        source: "intake".into(),
        topic: topic.into(),
        payload: payload.into(),
        stamp: Stamp {
            wall,
            monotonic_ms: 1_000,
        },
        delivery: None,
        retained: false,
    }
}

pub fn delivered(topic: &str, payload: &str, packet_id: u16, repeat: bool) -> Arrival {
    Arrival {
        delivery: Some(Delivery {
            peer: "float-1".into(),
            packet_id,
            repeat,
        }),
        ..arrival(topic, payload)
    }
}

pub fn deed(what: What, minutes: i64) -> Deed {
    Deed {
        note: "so it was".into(),
        ..Deed::new(at(minutes), what)
    }
}

/// A database as version 9 kept it, filled by hand: the feed 1 of the topic `a` with 2,000 readings, one a
/// minute, and three payloads of a topic nobody claimed.
pub fn as_version_9(path: &Path) {
    let conn = rusqlite::Connection::open(path).unwrap();
    for n in 1..=9 {
        let file = format!("{}/src/migrations/{n:04}.sql", env!("CARGO_MANIFEST_DIR"));
        conn.execute_batch(&std::fs::read_to_string(file).unwrap())
            .unwrap();
    }
    conn.execute_batch(&format!(
        "PRAGMA application_id = 1164078443; PRAGMA user_version = 9; \
         INSERT INTO run DEFAULT VALUES; \
         INSERT INTO topic (id, source, topic, heard, last_raw, last_wall) VALUES \
             (1, 'intake', 'a', 2000, 2000, {last}), (2, 'intake', 'nobody', 3, 2003, {last}); \
         INSERT INTO feed (id, topic, name, map, readings, last_at, gravity, gravity_at) VALUES \
             (1, 1, 'a', '{map}', 2000, {last}, 1.05, {last}); \
         WITH RECURSIVE n (i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < 1999) \
             INSERT INTO raw (id, topic, wall, run, monotonic, payload, delivery) \
             SELECT i + 1, 1, {first} + i * 60000, 1, i, \
             CAST('{{\"t\": ' || ({first} + i * 60000) || ', \"g\": 1.05}}' AS BLOB), i FROM n; \
         INSERT INTO raw (topic, wall, run, monotonic, payload) VALUES \
             (2, {last}, 1, 1, x'31'), (2, {last}, 1, 1, x'32'), (2, NULL, 1, 1, x'33'); \
         INSERT INTO reading (feed, at, raw, gravity, kinds) \
             SELECT 1, wall, id, 1.05, 0 FROM raw WHERE topic = 1; \
         INSERT INTO hour (feed, hour, gravity_n, gravity_median, gravity_min, gravity_max, gravity_at) \
             SELECT 1, at / 3600000, count(*), 1.05, 1.05, 1.05, min(at) FROM reading GROUP BY 2; \
         INSERT INTO stale_hour VALUES (1, {first} / 3600000, 7); \
         UPDATE hour SET gravity_n = 1 WHERE hour = {first} / 3600000;",
        first = T0.0,
        last = at(1999).0,
        map = serde_json::to_string(&timed()).unwrap(),
    ))
    .unwrap();
}
