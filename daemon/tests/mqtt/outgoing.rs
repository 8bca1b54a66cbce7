//! Clients subscribing to our own topics.

use crate::cellar::Cellar;
use crate::raw::{Connect, Publish, Raw, packet, text};

fn publish(topic: &str, payload: &str, retain: bool) -> Vec<u8> {
    Publish {
        retain,
        ..Publish::new(topic, payload.as_bytes(), 0, 0)
    }
    .frame(false)
}

#[tokio::test]
async fn only_our_own_topics_can_be_subscribed_to() {
    let cellar = Cellar::open().await;
    let mut v3 = Raw::welcome(cellar.address, Connect::v3("a")).await;
    let mut v5 = Raw::welcome(cellar.address, Connect::v5("b")).await;
    for (filter, v3_code, v5_code) in [
        ("ebbmark/#", 1, 1),
        ("ebbmark/+/state", 1, 1),
        ("#", 0x80, 0x87),
        ("+/a", 0x80, 0x87),
        ("cellar/a", 0x80, 0x87),
        ("$SYS/#", 0x80, 0x87),
        ("ebbmark/#/a", 0x80, 0x8F),
        ("$share/g/ebbmark/#", 0x80, 0x9E),
    ] {
        // QoS 2 asked for, at most 1 granted.
        assert_eq!(v3.subscribe(1, filter, 2).await, [0x90, 3, 0, 1, v3_code]);
        assert_eq!(
            v5.subscribe(1, filter, 2).await,
            [0x90, 4, 0, 1, 0, v5_code],
            "{filter}"
        );
    }
    v5.subscribe_with(2, "ebbmark/#", 0, &[0x0B, 5]).await;
    v5.expect(&[0x90, 4, 0, 2, 0, 0xA1]).await;
}

#[tokio::test]
async fn what_is_retained_comes_first_then_what_is_new() {
    let cellar = Cellar::open().await;
    cellar
        .outgoing
        .publish("ebbmark/oak/state".into(), b"falling".to_vec());
    let mut raw = Raw::welcome(cellar.address, Connect::v3("a")).await;
    assert_eq!(raw.subscribe(1, "ebbmark/#", 0).await[4], 0);
    raw.expect(&publish("ebbmark/oak/state", "falling", true))
        .await;
    cellar
        .outgoing
        .publish("ebbmark/oak/state".into(), b"still".to_vec());
    raw.expect(&publish("ebbmark/oak/state", "still", false))
        .await;
    // Unsubscribed: nothing more but the answer to the ping.
    let mut body = vec![0, 2];
    body.extend(text("ebbmark/#"));
    raw.send(&packet(0xA2, &body)).await;
    raw.expect(&[0xB0, 2, 0, 2]).await;
    cellar
        .outgoing
        .publish("ebbmark/oak/state".into(), b"stuck".to_vec());
    raw.ping().await;
}

#[tokio::test]
async fn mqtt_5_subscription_options() {
    let cellar = Cellar::open().await;
    cellar.outgoing.publish("ebbmark/a".into(), b"1".to_vec());
    let mut raw = Raw::welcome(cellar.address, Connect::v5("a")).await;
    // Retain handling 2: do not send what is retained. Retain as published.
    assert_eq!(raw.subscribe(1, "ebbmark/a", 0x20 | 0x08).await[5], 0);
    raw.ping().await;
    cellar.outgoing.publish("ebbmark/a".into(), b"2".to_vec());
    let retained = Publish {
        retain: true,
        ..Publish::new("ebbmark/a", b"2", 0, 0)
    };
    raw.expect(&retained.frame(true)).await;
    // Retain handling 1: only for a new subscription, which this is not.
    raw.subscribe(2, "ebbmark/a", 0x10).await;
    raw.ping().await;
    let mut body = vec![0, 3, 0];
    body.extend(text("ebbmark/a"));
    body.extend(text("ebbmark/b"));
    raw.send(&packet(0xA2, &body)).await;
    raw.expect(&[0xB0, 5, 0, 3, 0, 0, 0x11]).await;
}

#[tokio::test]
async fn qos_1_comes_again_after_a_break_and_only_the_latest() {
    let cellar = Cellar::open().await;
    let connect = Connect {
        clean: false,
        ..Connect::v3("page")
    };
    let mut raw = Raw::welcome(cellar.address, connect).await;
    raw.subscribe(1, "ebbmark/#", 1).await;
    cellar.outgoing.publish("ebbmark/a".into(), b"1".to_vec());
    let first = raw.packet().await;
    assert_eq!((first[0], first.last()), (0x32, Some(&b'1')));
    // Not acknowledged, and gone. Two more values in the meantime.
    raw.send(&[0xE0, 0]).await;
    raw.expect_end().await;
    cellar.outgoing.publish("ebbmark/b".into(), b"2".to_vec());
    cellar.outgoing.publish("ebbmark/b".into(), b"3".to_vec());

    let (mut raw, connack) = Raw::greet(cellar.address, connect).await;
    assert_eq!(connack, [0x20, 2, 1, 0]);
    for wanted in [b'1', b'3'] {
        let got = raw.packet().await;
        assert_eq!((got[0], got.last()), (0x32, Some(&wanted)), "{got:02x?}");
        let id = &got[got.len() - 3..got.len() - 1];
        raw.send(&[0x40, 2, id[0], id[1]]).await;
    }
    raw.ping().await;
}

#[tokio::test]
async fn a_client_that_does_not_read_holds_nobody_up() {
    let cellar = Cellar::open().await;
    let mut deaf = Raw::welcome(cellar.address, Connect::v3("deaf")).await;
    deaf.subscribe(1, "ebbmark/#", 0).await;
    let mut awake = Raw::welcome(cellar.address, Connect::v3("awake")).await;
    awake.subscribe(1, "ebbmark/end", 0).await;
    let large = vec![b'x'; 60_000];
    for round in 0..50 {
        for topic in 0..10 {
            let mut payload = large.clone();
            payload[0] = b'0' + (round % 10);
            cellar
                .outgoing
                .publish(format!("ebbmark/large/{topic}"), payload);
        }
    }
    cellar.outgoing.publish("ebbmark/end".into(), b"x".to_vec());
    awake.expect(&publish("ebbmark/end", "x", false)).await;
    // When it reads at last, it gets the latest of each topic, and the end.
    let mut latest = std::collections::BTreeMap::new();
    while latest.len() < 11 || latest.values().any(|first| !b"9x".contains(first)) {
        let got = deaf.packet().await;
        let start = got.len() - got.iter().rev().take_while(|b| **b == b'x').count();
        let topic_at = got.windows(8).position(|w| w == b"ebbmark/").unwrap();
        if got.ends_with(b"ebbmark/endx") {
            latest.insert("end".to_owned(), b'x');
        } else {
            let topic = String::from_utf8_lossy(&got[topic_at + 8..start - 1]).into_owned();
            latest.insert(topic, got[start - 1]);
        }
    }
}

#[tokio::test]
async fn a_client_that_does_not_read_gives_way_and_does_not_hold_up_the_end() {
    let mut cellar = Cellar::open().await;
    // Deaf in earnest: more is sent than the sockets hold.
    let mut deaf = Raw::welcome(cellar.address, Connect::v3("a")).await;
    deaf.subscribe(1, "ebbmark/#", 0).await;
    for topic in 0..400 {
        cellar
            .outgoing
            .publish(format!("ebbmark/{topic}"), vec![b'x'; 60_000]);
    }
    let mut back = Raw::welcome(cellar.address, Connect::v3("a")).await;
    back.subscribe(1, "ebbmark/#", 0).await;
    cellar.stop().await;
}
