//! Topics and sizes that are not taken, and how that is said and counted.

use ebbmark::mqtt::intake::{IntakeConfig, Limits, Refusal};

use crate::cellar::Cellar;
use crate::raw::{Connect, Publish, Raw, length};

#[tokio::test]
async fn a_payload_over_the_limit_is_refused_and_counted() {
    let cellar = Cellar::open().await;
    let just = vec![b'x'; 64 * 1024];
    let over = vec![b'x'; 64 * 1024 + 1];
    let mut v5 = Raw::welcome(cellar.address, Connect::v5("b")).await;
    v5.publish(Publish::new("cellar/just", &just, 1, 1)).await;
    v5.expect(&[0x40, 2, 0, 1]).await;
    v5.publish(Publish::new("cellar/over", &over, 1, 2)).await;
    v5.expect(&[0x40, 3, 0, 2, 0x97]).await;
    v5.publish(Publish::new("cellar/over", &over, 2, 3)).await;
    v5.expect(&[0x50, 3, 0, 3, 0x97]).await;
    v5.publish(Publish::new("cellar/over", &over, 0, 0)).await;
    v5.ping().await;
    let mut v3 = Raw::welcome(cellar.address, Connect::v3("a")).await;
    v3.publish(Publish::new("cellar/over", &over, 1, 1)).await;
    v3.expect_end().await;

    assert_eq!(cellar.taken("cellar/just").len(), 1);
    assert_eq!(cellar.taken("cellar/over").len(), 0);
    let (count, detail) = cellar.problem("cellar/over").unwrap();
    assert_eq!(count, 4);
    assert!(detail.contains("65537 bytes"), "{detail}");
    assert_eq!(cellar.counts.refused(Refusal::TooLarge), 4);
}

#[tokio::test]
async fn ten_megabytes_are_refused_by_their_header() {
    let cellar = Cellar::open().await;
    for v5 in [false, true] {
        let connect = Connect {
            v5,
            ..Connect::v3("a")
        };
        let mut raw = Raw::welcome(cellar.address, connect).await;
        // The header and the topic alone; the rest never comes, and need not.
        let mut start = vec![0x32];
        start.extend(length(10_000_000));
        start.extend(crate::raw::text("cellar/huge"));
        raw.send(&start).await;
        if v5 {
            raw.expect_disconnect(0x95).await;
        } else {
            raw.expect_end().await;
        }
    }
    let (count, detail) = cellar.problem("cellar/huge").unwrap();
    assert_eq!(count, 2);
    assert!(detail.contains("10000005 bytes"), "{detail}");
}

#[tokio::test]
async fn topics_one_may_not_publish_to() {
    let cellar = Cellar::open().await;
    let long = "x".repeat(300);
    let deep = "x/".repeat(20);
    for (topic, code) in [
        ("ebbmark/a", 0x87),
        ("ebbmark", 0x87),
        ("$SYS/a", 0x87),
        (long.as_str(), 0x90),
        (deep.as_str(), 0x90),
    ] {
        let mut v5 = Raw::welcome(cellar.address, Connect::v5("b")).await;
        v5.publish(Publish::new(topic, b"1", 1, 1)).await;
        v5.expect(&[0x40, 3, 0, 1, code]).await;
        v5.publish(Publish::new(topic, b"1", 2, 2)).await;
        v5.expect(&[0x50, 3, 0, 2, code]).await;
        // Refused is not received: the id is free again.
        v5.publish(Publish::new("cellar/a", b"1", 2, 2)).await;
        v5.expect(&[0x50, 2, 0, 2]).await;
        let mut v3 = Raw::welcome(cellar.address, Connect::v3("a")).await;
        v3.publish(Publish::new(topic, b"1", 1, 1)).await;
        v3.expect_end().await;
    }
    assert_eq!(cellar.counts.refused(Refusal::Topic), 15);
    let (count, detail) = cellar.problem("ebbmark/a").unwrap();
    assert_eq!(count, 3);
    assert!(detail.contains("the daemon's own"), "{detail}");
    assert!(
        cellar
            .reader
            .unclaimed()
            .unwrap()
            .iter()
            .all(|topic| topic.topic == "cellar/a")
    );

    for topic in ["a/+", "#"] {
        let mut v3 = Raw::welcome(cellar.address, Connect::v3("a")).await;
        v3.publish(Publish::new(topic, b"1", 1, 1)).await;
        v3.expect_end().await;
    }
}

#[tokio::test]
async fn topic_aliases_are_not_offered() {
    let cellar = Cellar::open().await;
    let mut raw = Raw::welcome(cellar.address, Connect::v5("a")).await;
    // An alias (property 0x23) without a topic.
    raw.send(&[0x30, 7, 0, 0, 3, 0x23, 0, 1, b'x']).await;
    raw.expect_disconnect(0x94).await;
    assert_eq!(cellar.counts.refused(Refusal::Protocol), 1);
}

#[tokio::test]
async fn a_flood_is_slowed_down_and_nothing_is_lost() {
    let mut cellar = Cellar::with(IntakeConfig {
        limits: Limits {
            messages_per_second: 100,
            burst_messages: 5,
            ..Limits::default()
        },
        ..IntakeConfig::default()
    })
    .await;
    let mut raw = Raw::welcome(cellar.address, Connect::v3("a")).await;
    let start = tokio::time::Instant::now();
    for _ in 0..25 {
        raw.publish(Publish::new("cellar/a", b"1", 0, 0)).await;
    }
    raw.ping().await;
    // A lower bound is no race: 20 messages past the burst take at least 200 ms.
    assert!(start.elapsed() >= std::time::Duration::from_millis(190));
    cellar
        .until("all stored", |cellar| {
            cellar
                .reader
                .unclaimed()
                .unwrap()
                .iter()
                .any(|topic| topic.count == 25)
        })
        .await;
}

#[tokio::test]
async fn packets_that_do_not_belong_end_the_connection() {
    let cellar = Cellar::open().await;
    let connect = Connect::v3("a").frame();
    for bytes in [
        &connect[..],
        // CONNACK, SUBACK and PINGRESP are the server's; PUBACK for what was never sent.
        &[0x20, 2, 0, 0],
        &[0x90, 3, 0, 1, 0],
        &[0xD0, 0],
        &[0x40, 2, 0, 1],
        // Packet type 0 and 15.
        &[0x00, 0],
        &[0xF0, 0],
        // SUBSCRIBE without its bit, PINGREQ with one too many.
        &[0x80, 6, 0, 1, 0, 1, b'a', 0],
        &[0xC1, 0],
        // QoS 3.
        &[0x36, 5, 0, 1, b'a', 0, 1],
    ] {
        let mut v3 = Raw::welcome(cellar.address, Connect::v3("a")).await;
        v3.send(bytes).await;
        v3.expect_end().await;
    }
}
