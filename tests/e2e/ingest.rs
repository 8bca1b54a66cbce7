//! What senders send is what stands in the database, once.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::Command;

use ebbmark_tests::cellar::Cellar;
use ebbmark_tests::mosquitto;
use ebbmark_tests::tools::system;
use ebbmark_tests::wait::until_true;
use serde_json::json;

use crate::common::{days_ago, message, now_ms, publish, rfc3339};

fn near(a: Option<f64>, b: f64) -> bool {
    a.is_some_and(|a| (a - b).abs() < 1e-9)
}

/// Three forms of payload, three qualities of service, two versions of the protocol: each message
/// is kept once, and reads as it should once its topic is claimed, the earlier ones included.
#[test]
fn every_form_and_quality_of_service_is_kept_once_and_read_after_the_claim() {
    let cellar = Cellar::new();
    let (daemon, visitor) = cellar.open();
    let vessel = visitor.add_vessel("Demijohn by the stairs");
    let start = days_ago(2);
    let mut topics = Vec::new();
    for version in ["311", "5"] {
        let mut messages = Vec::new();
        for qos in [0, 1, 2] {
            for form in ["senml", "json", "number"] {
                let topic = format!("shelf/{version}/{form}/{qos}");
                for i in 0..3_i64 {
                    let gravity = 1.080 - 0.001 * i as f64;
                    let at = start + 900 * i;
                    let payload = match form {
                        // RFC 8428: base name and base time; temperature in its unit Cel.
                        "senml" => json!([
                            { "bn": "urn:dev:os:1-7:", "bt": at, "n": "gravity", "u": "/", "v": gravity },
                            { "n": "temperature", "u": "Cel", "v": 18.5 },
                        ])
                        .to_string(),
                        "json" => json!({ "probe": { "sg": gravity, "temp": 18.5 }, "time": rfc3339(at) })
                            .to_string(),
                        _ => gravity.to_string(),
                    };
                    messages.push(message(&topic, &payload, qos));
                }
                topics.push((topic, form));
            }
        }
        publish(daemon.intake_port, &["--version", version], &messages);
    }
    for (topic, form) in &topics {
        visitor.claim("intake", topic, Some(&vessel));
        let database = cellar.database();
        assert_eq!(database.payloads("intake", topic).len(), 3, "{topic}");
        let readings = database.readings("intake", topic);
        assert_eq!(readings.len(), 3, "{topic}: {readings:?}");
        for (i, reading) in readings.iter().enumerate() {
            let gravity = 1.080 - 0.001 * i as f64;
            assert!(near(reading.gravity, gravity), "{topic}: {readings:?}");
            if *form == "number" {
                assert!((now_ms() - reading.at).abs() < 600_000, "timed by arrival");
            } else {
                assert_eq!(reading.at, (start + 900 * i as i64) * 1000, "{topic}");
                assert!(near(reading.temperature, 18.5), "{topic}: {readings:?}");
            }
        }
    }
    // Once claimed, what comes is read at once.
    let topic = "shelf/311/json/1";
    let more = json!({ "probe": { "sg": 1.05, "temp": 19.0 }, "time": rfc3339(start + 9000) });
    publish(
        daemon.intake_port,
        &[],
        &[message(topic, &more.to_string(), 1)],
    );
    let readings = cellar.database().readings("intake", topic);
    assert!(near(readings[3].gravity, 1.05), "{readings:?}");
}

#[test]
fn a_foreign_publisher_with_a_retained_message_and_a_will() {
    let cellar = Cellar::new();
    let (daemon, visitor) = cellar.open();
    let will = ["--will-topic", "shelf/a/away", "--will-payload", "gone"];
    let plain = ["-t", "shelf/a", "-m", "1.072", "-q", "1", "-r"];
    mosquitto::publish(daemon.intake_port, &[&will[..], &plain[..]].concat());
    let five = ["-V", "mqttv5", "-t", "shelf/a", "-m", "1.071", "-q", "2"];
    mosquitto::publish(daemon.intake_port, &five);
    visitor.claim("intake", "shelf/a", None);
    let gravities: Vec<_> = cellar
        .database()
        .readings("intake", "shelf/a")
        .iter()
        .map(|r| r.gravity)
        .collect();
    assert_eq!(gravities, [Some(1.072), Some(1.071)]);
}

/// Nothing of this may become a reading, end the daemon, or go unseen.
#[test]
fn bad_input_is_counted_and_shown() {
    let cellar = Cellar::new();
    let (daemon, visitor) = cellar.open();
    let good = json!({ "sg": 1.07, "temp": 18.0 }).to_string();
    publish(daemon.intake_port, &[], &[message("shelf/b", &good, 1)]);
    visitor.claim("intake", "shelf/b", None);

    let deep = "[".repeat(5000);
    let bad = [
        "",
        "{\"sg\":1.0",
        "hello",
        "{\"sg\":7,\"temp\":18}",
        "{\"sg\":\"sweet\",\"temp\":18}",
        "{\"sg\":NaN,\"temp\":18}",
        "{\"sg\":1e400,\"temp\":18}",
        "{\"temp\":4000}",
        "[]",
        "{}",
        "null",
        &deep,
    ];
    let mut messages: Vec<_> = bad.iter().map(|b| message("shelf/b", b, 1)).collect();
    // Not UTF-8, and a zero byte.
    messages.push(json!({ "topic": "shelf/b", "base64": "//79AAE=", "qos": 2 }));
    publish(daemon.intake_port, &[], &messages);

    let database = cellar.database();
    let readings = database.readings("intake", "shelf/b");
    // Four of them have a temperature that is right beside a gravity that is not.
    assert!(
        readings.iter().filter(|r| r.gravity.is_some()).count() == 1,
        "{readings:?}"
    );
    let counted = database.count("SELECT coalesce(sum(count), 0) FROM problem");
    assert!(counted >= messages.len() as u64 - 1, "{counted} problems");
    let page = visitor.page("/feeds");
    for words in [
        "unreadable",
        "out of range",
        "not a number",
        "value missing",
    ] {
        assert!(page.contains(words), "{words}: {page}");
    }
    // And it goes on taking good ones.
    publish(daemon.intake_port, &[], &[message("shelf/b", &good, 1)]);
}

#[test]
fn readings_over_http_need_the_token_and_a_sane_size() {
    let cellar = Cellar::new();
    let (_daemon, visitor) = cellar.open();
    let reading = br#"{"gravity":1.061,"temperature":17.5}"#;
    assert_eq!(visitor.post_reading("shelf/c", "", reading).status, 401);
    let token = visitor.intake_token();
    assert_eq!(
        visitor.post_reading("shelf/c", "wrong", reading).status,
        401
    );
    let answer = visitor.post_reading("shelf/c", &token, reading);
    assert_eq!(answer.status, 202, "{}", answer.body);
    assert_eq!(cellar.database().payloads("http", "shelf/c").len(), 1);

    let large = vec![b'1'; 70 * 1024];
    assert_eq!(visitor.post_reading("shelf/c", &token, &large).status, 413);
    visitor.claim("http", "shelf/c", None);
    let readings = cellar.database().readings("http", "shelf/c");
    assert_eq!(readings.len(), 1);
    assert!(near(readings[0].temperature, 17.5));
    assert!(visitor.page("/feeds").contains("larger than 65536 bytes"));

    let read = json!({ "readings": 1, "problems": 0 }).to_string();
    let answer = visitor.post_reading("shelf/c", &token, br#"{"gravity":1.06,"temperature":17}"#);
    assert_eq!(
        serde_json::from_str::<serde_json::Value>(&answer.body).unwrap(),
        serde_json::from_str::<serde_json::Value>(&read).unwrap()
    );
}

/// A payload of ten megabytes is refused without being held in memory, and nobody else notices.
#[test]
fn a_huge_payload_costs_no_memory() {
    let cellar = Cellar::new();
    let (daemon, visitor) = cellar.open();
    visitor.page("/feeds");
    let before = daemon.resident_kib();

    let mut wire = TcpStream::connect(("127.0.0.1", daemon.intake_port)).unwrap();
    // CONNECT and PUBLISH by hand (MQTT 3.1.1, 3.1 and 3.3): no client need agree to send it.
    let connect = b"\x10\x10\x00\x04MQTT\x04\x02\x00\x3c\x00\x04huge";
    wire.write_all(connect).unwrap();
    let mut connack = [0; 4];
    wire.read_exact(&mut connack).unwrap();
    assert_eq!(connack, [0x20, 2, 0, 0]);
    let payload = vec![b'9'; 10 << 20];
    let mut length = payload.len() + 2 + 7;
    let mut head = vec![0x30];
    while length > 0 {
        let low = (length % 128) as u8;
        length /= 128;
        head.push(if length > 0 { low | 0x80 } else { low });
    }
    head.extend(b"\x00\x07shelf/d");
    wire.write_all(&head).unwrap();
    // It may hang up in the middle, or read on without keeping.
    let _ = wire.write_all(&payload);
    drop(wire);

    until_true("the refusal on the page", || {
        visitor.page("/feeds").contains("shelf/d")
    });
    let after = daemon.resident_kib();
    assert!(
        after < before + 8 * 1024,
        "{before} KiB before, {after} KiB after a payload of 10 MiB"
    );
    publish(daemon.intake_port, &[], &[message("shelf/e", "1.05", 1)]);
    assert_eq!(cellar.database().payloads("intake", "shelf/d").len(), 0);
    assert_eq!(cellar.database().payloads("intake", "shelf/e").len(), 1);
}

#[test]
fn with_a_user_set_only_that_user_gets_in() {
    let cellar = Cellar::new();
    let secret = cellar.file("intake-password", "kein Einlass\n");
    cellar.configure(&format!(
        "[intake.credentials]\nuser = \"floats\"\npassword-file = {secret:?}"
    ));
    let (daemon, _visitor) = cellar.open();
    let publish = |more: &[&str]| {
        Command::new(system("mosquitto_pub"))
            .args(["-h", "127.0.0.1", "-p", &daemon.intake_port.to_string()])
            .args(["-t", "shelf/f", "-m", "1.05", "-q", "1"])
            .args(more)
            .output()
            .expect("mosquitto_pub starts")
            .status
            .success()
    };
    assert!(!publish(&[]));
    assert!(!publish(&["-u", "floats", "-P", "wrong"]));
    assert!(!publish(&["-u", "someone", "-P", "kein Einlass"]));
    assert_eq!(cellar.database().payloads("intake", "shelf/f").len(), 0);
    assert!(publish(&["-u", "floats", "-P", "kein Einlass"]));
    assert_eq!(cellar.database().payloads("intake", "shelf/f").len(), 1);
    let said = daemon.process.err.all().join("\n");
    assert!(!said.contains("kein Einlass"), "{said}");
}
