//! The daemon is killed at random moments while messages come in. What was acknowledged is in
//! the database, once.
//!
//! `EBBMARK_KILLS` says how often; a few by default, 200 with `tests/run --full`.

use std::collections::HashMap;
use std::io::Write;
use std::thread;

use ebbmark_tests::cellar::{Cellar, Daemon};
use ebbmark_tests::page::Visitor;
use serde_json::json;

use crate::common::{days_ago, message, publish, publisher};

/// Messages between two kills, at most.
pub const APART: u64 = 60;

pub fn kills() -> u64 {
    match std::env::var("EBBMARK_KILLS") {
        Ok(text) => text.parse().expect("EBBMARK_KILLS is a number"),
        Err(_) => 6,
    }
}

/// Small and repeatable (xorshift64, Marsaglia 2003).
pub struct Dice(pub u64);

impl Dice {
    pub fn below(&mut self, n: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % n
    }
}

fn gravity(number: u64) -> f64 {
    1.01 + (number % 1000) as f64 / 10_000.0
}

pub fn payload(number: u64, start: i64) -> String {
    json!({ "sg": gravity(number), "time": start + number as i64 }).to_string()
}

fn survives(qos: u8, version: &str) {
    let cellar = Cellar::with("[intake.limits]\nmessages-per-second = 0");
    let (first, visitor) = cellar.open();
    let topic = format!("shelf/kill/{qos}");
    let start = days_ago(2);
    publish(
        first.intake_port,
        &[],
        &[message(&topic, &payload(0, start), 1)],
    );
    visitor.claim("intake", &topic, None);

    let kills = kills();
    let total = (kills + 1) * APART;
    let id = format!("float-{qos}");
    let options = ["--version", version, "--id", &id, "--persistent"];
    let mut client = publisher(first.intake_port, &options);
    let mut input = client.input();
    let lines: Vec<String> = (1..total)
        .map(|n| message(&topic, &payload(n, start), qos).to_string())
        .collect();
    // It reads only as fast as it is acknowledged.
    let writer = thread::spawn(move || {
        for line in lines {
            writeln!(input, "{line}").expect("the foreign client reads");
        }
    });

    let mut dice = Dice(0x9e37_79b9 + u64::from(qos));
    let mut daemon: Daemon = first;
    for _ in 0..kills {
        let seen = client.out.all().len() as u64;
        // In the thick of it: some more messages were acknowledged, others are on their way.
        let wanted = (seen + 1 + dice.below(APART - 1)).min(total - 1);
        client.out.wait_for_count(wanted as usize);
        daemon.process.kill();
        daemon = cellar.start();
    }
    writer.join().expect("everything was written");
    client.must_end_well();

    let mut kept: HashMap<Vec<u8>, u32> = HashMap::new();
    let database = cellar.database();
    for payload in database.payloads("intake", &topic) {
        *kept.entry(payload).or_default() += 1;
    }
    for number in 0..total {
        let times = kept.remove(payload(number, start).as_bytes());
        assert_eq!(times, Some(1), "message {number} of {total}");
    }
    assert!(kept.is_empty(), "nobody sent {kept:?}");
    let readings = database.readings("intake", &topic);
    assert_eq!(readings.len() as u64, total);
    for (number, reading) in readings.iter().enumerate() {
        assert_eq!(reading.at, (start + number as i64) * 1000);
        let sent = gravity(number as u64);
        assert!(reading.gravity.is_some_and(|g| (g - sent).abs() < 1e-9));
    }
    assert_eq!(database.integrity(), "ok");
    // The page is whole too.
    Visitor::signed_in(&daemon.page).page("/feeds");
    daemon.stop();
}

#[test]
fn at_least_once_survives_kills() {
    survives(1, "311");
}

#[test]
fn at_least_once_survives_kills_with_mqtt_5() {
    survives(1, "5");
}

#[test]
fn exactly_once_survives_kills() {
    survives(2, "311");
}
