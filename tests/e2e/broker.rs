//! Brokers the maker already has: what they accepted is in the database once, whoever is
//! restarted or killed meanwhile.

use std::collections::HashMap;
use std::io::Write;

use ebbmark_tests::cellar::Cellar;
use ebbmark_tests::mosquitto::{self, Mosquitto};
use ebbmark_tests::page::Visitor;
use ebbmark_tests::wait::until_true;

use crate::common::{days_ago, message, publish, publisher};
use crate::kill::{APART, Dice, kills, payload};

fn table(name: &str, port: u16) -> String {
    format!(
        "[[broker]]\nname = \"{name}\"\nhost = \"127.0.0.1\"\nport = {port}\ntopics = [\"shelf/#\"]\npublish = true\n\n"
    )
}

/// Retained before the daemon came: once it is here, the daemon has subscribed.
fn wait_for_subscription(cellar: &Cellar, broker: &Mosquitto, name: &str) {
    let probe = ["-t", "shelf/probe", "-m", "probe", "-q", "1", "-r"];
    mosquitto::publish(broker.port, &probe);
    until_true("the daemon subscribed", || {
        !cellar.database().payloads(name, "shelf/probe").is_empty()
    });
}

/// Each of the payloads is there once, and nothing else.
fn assert_once(cellar: &Cellar, source: &str, topic: &str, sent: &[String]) {
    let mut kept: HashMap<Vec<u8>, u32> = HashMap::new();
    for payload in cellar.database().payloads(source, topic) {
        *kept.entry(payload).or_default() += 1;
    }
    for (number, payload) in sent.iter().enumerate() {
        let times = kept.remove(payload.as_bytes());
        assert_eq!(
            times,
            Some(1),
            "message {number} of {}: {payload}",
            sent.len()
        );
    }
    assert!(kept.is_empty(), "nobody sent {kept:?}");
}

#[test]
fn two_brokers_are_two_ways_in_and_hear_the_verdict() {
    let (house, shed) = (Mosquitto::start(), Mosquitto::start());
    let tables = table("house", house.port) + &table("shed", shed.port);
    let cellar = Cellar::with(&tables);
    let (mut daemon, visitor) = cellar.open();
    wait_for_subscription(&cellar, &house, "house");
    wait_for_subscription(&cellar, &shed, "shed");
    let start = days_ago(1);
    let (one, two) = (payload(1, start), payload(2, start));
    publish(
        house.port,
        &["--version", "5"],
        &[message("shelf/a", &one, 2)],
    );
    publish(shed.port, &[], &[message("shelf/a", &two, 1)]);
    let vessel = visitor.add_vessel("North cask");
    visitor.claim("house", "shelf/a", Some(&vessel));
    visitor.claim("shed", "shelf/a", None);
    assert_once(&cellar, "house", "shelf/a", &[one]);
    assert_once(&cellar, "shed", "shelf/a", &[two]);
    let page = visitor.page("/feeds");
    assert!(
        page.contains("broker house") && page.contains("broker shed"),
        "{page}"
    );

    visitor.start_mead(
        &vessel,
        &crate::common::local(days_ago(3)),
        "1.094",
        "1.000",
    );
    for broker in [&house, &shed] {
        let topic = "ebbmark/vessel/north-cask/verdict";
        let listener = mosquitto::subscribe(broker.port, &["-t", topic]);
        let verdict = listener.out.wait_for("the verdict", |line| {
            Some(line.split_once(&format!("{topic} "))?.1.to_owned())
        });
        let verdict: serde_json::Value = serde_json::from_str(&verdict).unwrap();
        assert_eq!(verdict["vessel"], "North cask");
        assert!(verdict["sentence"].is_string() && verdict["gates"]["seal"]["open"] == false);
    }
    daemon.stop();
}

#[test]
fn nothing_is_lost_over_restarts_of_either_side() {
    let mut broker = Mosquitto::start();
    let cellar = Cellar::with(&table("house", broker.port));
    let (mut daemon, visitor) = cellar.open();
    wait_for_subscription(&cellar, &broker, "house");
    let start = days_ago(2);
    let topic = "shelf/float";
    let all: Vec<String> = (0..90).map(|n| payload(n, start)).collect();
    let send = |broker: &Mosquitto, range: std::ops::Range<usize>, qos: u8| {
        let messages: Vec<_> = all[range].iter().map(|p| message(topic, p, qos)).collect();
        publish(broker.port, &[], &messages);
    };
    send(&broker, 0..1, 1);
    visitor.claim("house", topic, None);
    send(&broker, 1..30, 1);

    // The daemon is away for a while; the broker keeps its session.
    daemon.stop();
    send(&broker, 30..60, 2);
    let mut daemon = cellar.start();
    let visitor = Visitor::signed_in(&daemon.page);
    let here = |n: usize| {
        until_true("the messages in the database", || {
            cellar.database().payloads("house", topic).len() >= n
        });
    };
    here(60);

    // The broker is away for a while; the page says so, and the daemon finds it again.
    broker.stop();
    until_true("the page in trouble", || {
        visitor.page("/feeds").contains("class=\"trouble\"")
    });
    broker.again();
    send(&broker, 60..90, 1);
    here(90);
    until_true("the page at ease", || {
        !visitor.page("/feeds").contains("class=\"trouble\"")
    });
    assert_once(&cellar, "house", topic, &all);
    daemon.stop();
}

fn survives_behind_a_broker(qos: u8) {
    let broker = Mosquitto::start();
    let cellar = Cellar::with(&table("house", broker.port));
    let (mut daemon, visitor) = cellar.open();
    wait_for_subscription(&cellar, &broker, "house");
    let start = days_ago(2);
    let topic = "shelf/kill";
    let first = payload(0, start);
    publish(broker.port, &[], &[message(topic, &first, 1)]);
    visitor.claim("house", topic, None);

    let mut client = publisher(broker.port, &["--id", "gateway"]);
    let mut input = client.input();
    let mut sent = vec![first];
    let mut dice = Dice(0x51_7cc1 + u64::from(qos));
    let database = cellar.database();
    let count = || database.payloads("house", topic).len();
    for _ in 0..kills() {
        for _ in 0..APART {
            let next = payload(sent.len() as u64, start);
            writeln!(input, "{}", message(topic, &next, qos)).expect("the client reads");
            sent.push(next);
        }
        let some = (count() + dice.below(APART) as usize).min(sent.len());
        until_true("some more in the database", || count() >= some);
        daemon.process.kill();
        daemon = cellar.start();
    }
    drop(input);
    client.must_end_well();
    until_true("all in the database", || count() >= sent.len());
    assert_once(&cellar, "house", topic, &sent);
    assert_eq!(database.readings("house", topic).len(), sent.len());
    assert_eq!(database.integrity(), "ok");
    daemon.stop();
}

#[test]
fn kills_behind_a_broker_at_least_once() {
    survives_behind_a_broker(1);
}

#[test]
fn kills_behind_a_broker_exactly_once() {
    survives_behind_a_broker(2);
}
