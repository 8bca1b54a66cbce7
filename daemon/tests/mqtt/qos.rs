//! Taking messages: acknowledged once stored, stored once.

use crate::cellar::Cellar;
use crate::raw::{Connect, Publish, Raw};
use ebbmark::mqtt::intake::{IntakeConfig, Limits, Refusal};

#[tokio::test]
async fn qos_1_is_acknowledged_when_it_is_stored() {
    let cellar = Cellar::open().await;
    for v5 in [false, true] {
        let topic = format!("cellar/{v5}");
        let connect = Connect {
            v5,
            ..Connect::v3("float-1")
        };
        let mut raw = Raw::welcome(cellar.address, connect).await;
        raw.publish(Publish::new(&topic, b"1.042", 1, 7)).await;
        raw.expect(&[0x40, 2, 0, 7]).await;
        // No waiting: the acknowledgement says that it is there.
        assert_eq!(cellar.taken(&topic), ["1.042"]);
    }
    assert_eq!(cellar.counts.messages(), 2);
    assert_eq!(cellar.counts.payload_bytes(), 10);
}

#[tokio::test]
async fn many_in_flight_are_answered_in_order() {
    let cellar = Cellar::open().await;
    let mut raw = Raw::welcome(cellar.address, Connect::v3("float-1")).await;
    // More than the window of 20: the rest waits in the socket.
    let mut bytes = Vec::new();
    for id in 1..=50u16 {
        let payload = id.to_string();
        bytes.extend(Publish::new("cellar/a", payload.as_bytes(), 1, id).frame(false));
    }
    raw.send(&bytes).await;
    for id in 1..=50u8 {
        raw.expect(&[0x40, 2, 0, id]).await;
    }
    let kept = cellar.taken("cellar/a");
    let newest: Vec<String> = (31..=50).map(|n| n.to_string()).collect();
    assert!(kept.ends_with(&newest), "{kept:?}");
}

#[tokio::test]
async fn qos_0_is_stored_without_a_word() {
    let mut cellar = Cellar::open().await;
    let mut raw = Raw::welcome(cellar.address, Connect::v3("float-1")).await;
    let retained = Publish {
        retain: true,
        ..Publish::new("cellar/a", b"1", 0, 0)
    };
    raw.publish(retained).await;
    raw.ping().await;
    cellar
        .until("stored", |cellar| cellar.taken("cellar/a") == ["1"])
        .await;
}

#[tokio::test]
async fn qos_2_is_stored_once() {
    let cellar = Cellar::open().await;
    for (v5, unknown) in [
        (false, &[0x70, 2, 0, 9][..]),
        (true, &[0x70, 3, 0, 9, 0x92]),
    ] {
        let topic = format!("cellar/{v5}");
        let connect = Connect {
            v5,
            ..Connect::v3("float-1")
        };
        let mut raw = Raw::welcome(cellar.address, connect).await;
        let publish = Publish::new(&topic, b"1", 2, 5);
        raw.publish(publish).await;
        raw.expect(&[0x50, 2, 0, 5]).await;
        assert_eq!(cellar.taken(&topic), ["1"]);
        // Not released yet: the same id is the same message, flag or no flag.
        raw.publish(publish.again()).await;
        raw.expect(&[0x50, 2, 0, 5]).await;
        raw.publish(publish).await;
        raw.expect(&[0x50, 2, 0, 5]).await;
        raw.send(&[0x62, 2, 0, 5]).await;
        raw.expect(&[0x70, 2, 0, 5]).await;
        assert_eq!(cellar.taken(&topic), ["1"]);
        // Released: the id stands for a new message.
        raw.publish(publish).await;
        raw.expect(&[0x50, 2, 0, 5]).await;
        assert_eq!(cellar.taken(&topic), ["1", "1"]);
        raw.send(&[0x62, 2, 0, 9]).await;
        raw.expect(unknown).await;
    }
}

#[tokio::test]
async fn a_repeat_sent_before_the_commit_is_answered_once() {
    let cellar = Cellar::open().await;
    let mut raw = Raw::welcome(cellar.address, Connect::v3("float-1")).await;
    let publish = Publish::new("cellar/a", b"1", 2, 5);
    let mut both = publish.frame(false);
    both.extend(publish.again().frame(false));
    raw.send(&both).await;
    raw.expect(&[0x50, 2, 0, 5]).await;
    assert_eq!(cellar.taken("cellar/a"), ["1"]);
    // If the repeat came after the commit it is answered again; either is allowed.
    raw.send(&[0xC0, 0]).await;
    let next = raw.packet().await;
    if next != [0xD0, 0] {
        assert_eq!(next, [0x50, 2, 0, 5]);
        raw.expect(&[0xD0, 0]).await;
    }
    assert_eq!(cellar.taken("cellar/a"), ["1"]);
}

#[tokio::test]
async fn a_redelivery_after_a_break_is_not_stored_again() {
    let cellar = Cellar::open().await;
    let connect = Connect {
        clean: false,
        ..Connect::v3("float-1")
    };
    let once = Publish::new("cellar/once", b"1", 1, 3);
    let exactly = Publish::new("cellar/exactly", b"2", 2, 4);
    let mut raw = Raw::welcome(cellar.address, connect).await;
    raw.publish(once).await;
    raw.publish(exactly).await;
    raw.expect(&[0x40, 2, 0, 3]).await;
    raw.expect(&[0x50, 2, 0, 4]).await;
    drop(raw);

    // The client never saw the answers.
    let (mut raw, connack) = Raw::greet(cellar.address, connect).await;
    assert_eq!(connack[2], 1);
    raw.publish(once.again()).await;
    raw.expect(&[0x40, 2, 0, 3]).await;
    raw.publish(exactly.again()).await;
    raw.expect(&[0x50, 2, 0, 4]).await;
    raw.send(&[0x62, 2, 0, 4]).await;
    raw.expect(&[0x70, 2, 0, 4]).await;
    assert_eq!(cellar.taken("cellar/once"), ["1"]);
    assert_eq!(cellar.taken("cellar/exactly"), ["2"]);

    // Also when no session was kept: the store knows the delivery.
    drop(raw);
    let clean = Connect::v3("float-1");
    let mut raw = Raw::welcome(cellar.address, clean).await;
    raw.publish(exactly.again()).await;
    raw.expect(&[0x50, 2, 0, 4]).await;
    assert_eq!(cellar.taken("cellar/exactly"), ["2"]);
    // The same words under a new id and without the flag are a new message.
    raw.publish(Publish::new("cellar/exactly", b"2", 2, 8))
        .await;
    raw.expect(&[0x50, 2, 0, 8]).await;
    assert_eq!(cellar.taken("cellar/exactly"), ["2", "2"]);
}

#[tokio::test]
async fn what_cannot_be_stored_is_not_acknowledged() {
    let cellar = Cellar::open().await;
    let mut v3 = Raw::welcome(cellar.address, Connect::v3("a")).await;
    let mut v5 = Raw::welcome(cellar.address, Connect::v5("b")).await;
    cellar.writer.close().await;
    v3.publish(Publish::new("cellar/a", b"1", 1, 1)).await;
    v3.expect_end().await;
    v5.publish(Publish::new("cellar/a", b"1", 2, 1)).await;
    v5.expect_disconnect(0x80).await;
    assert_eq!(cellar.counts.refused(Refusal::Store), 2);
}

#[tokio::test]
async fn stopping_answers_what_is_under_way() {
    let mut cellar = Cellar::open().await;
    let mut raw = Raw::welcome(cellar.address, Connect::v5("float-1")).await;
    for id in 1..=10 {
        raw.publish(Publish::new("cellar/a", b"1", 1, id)).await;
    }
    raw.expect(&[0x40, 2, 0, 1]).await;
    cellar.stop().await;
    let mut answered = 1;
    loop {
        let next = raw.packet().await;
        if next[0] == 0xE0 {
            assert_eq!(next[2], 0x8B);
            break;
        }
        answered += 1;
        assert_eq!(next, [0x40, 2, 0, answered]);
    }
    // Each one answered is stored; one that is stored may have gone unanswered.
    assert!(cellar.taken("cellar/a").len() >= answered.into());
}

#[tokio::test]
async fn overstepping_the_receive_maximum_is_borne_within_reason() {
    let cellar = Cellar::with(IntakeConfig {
        limits: Limits {
            // Fewer commits, so that the test is done sooner.
            in_flight_messages: 64,
            messages_per_second: 0,
            ..Limits::default()
        },
        ..IntakeConfig::default()
    })
    .await;
    let mut raw = Raw::welcome(cellar.address, Connect::v5("float-1")).await;
    // QoS 2 messages count until they are released; we announce 64 and bear 4096.
    let mut bytes = Vec::new();
    for id in 1..=4096u16 {
        bytes.extend(Publish::new("cellar/a", b"1", 2, id).frame(true));
    }
    raw.send(&bytes).await;
    for id in 1..=4096u16 {
        let [high, low] = id.to_be_bytes();
        raw.expect(&[0x50, 2, high, low]).await;
    }
    raw.publish(Publish::new("cellar/a", b"1", 2, 4097)).await;
    raw.expect_disconnect(0x93).await;
}

#[tokio::test]
async fn packet_id_zero_is_not_allowed() {
    let cellar = Cellar::open().await;
    for qos in [1, 2] {
        let publish = Publish::new("cellar/a", b"1", qos, 0);
        let mut v5 = Raw::welcome(cellar.address, Connect::v5("a")).await;
        v5.publish(publish).await;
        v5.expect_disconnect(0x82).await;
        let mut v3 = Raw::welcome(cellar.address, Connect::v3("b")).await;
        v3.publish(publish).await;
        v3.expect_end().await;
    }
    for packet in [
        &[0x62, 2, 0, 0][..],
        &[0x40, 2, 0, 0],
        &[0x82, 6, 0, 0, 0, 1, b'a', 0],
    ] {
        let mut v3 = Raw::welcome(cellar.address, Connect::v3("b")).await;
        v3.send(packet).await;
        v3.expect_end().await;
    }
}
