//! Statements of MQTT 3.1.1 a server must meet, each by its number, by raw packets. Numbers and
//! statements: OASIS MQTT 3.1.1 (29 October 2014), Appendix B, read in the translation at
//! github.com/mcxiaoke/mqtt, mqtt/08-AppendixB.md. Where MQTT 5 says the same, both are tried.
//!
//! What other files hold already, by name: [MQTT-2.3.1-1] `qos::packet_id_zero_is_not_allowed`,
//! [MQTT-3.1.2-2] `greeting::other_versions_are_told_so`, [MQTT-3.1.2-24] `greeting::the_keep_alive_is_kept`,
//! [MQTT-3.1.2-8] and [MQTT-3.14.4-3] `wills`, [MQTT-3.1.4-2] `greeting::a_second_connection_takes_over`,
//! [MQTT-3.1.2-4], [MQTT-3.1.2-6] and [MQTT-3.2.2-1] to [MQTT-3.2.2-3] `greeting::session_present_is_true_when_there_is_one`,
//! [MQTT-3.1.3-8] `greeting::client_ids`, [MQTT-3.3.1-4] `limits::packets_that_do_not_belong_end_the_connection`,
//! [MQTT-3.3.1-6], [MQTT-3.3.1-8] and [MQTT-3.3.1-9] `outgoing`, [MQTT-4.3.2-2], [MQTT-4.3.3-2] and [MQTT-4.6.0-2] `qos`.

use ebbmark::mqtt::intake::Refusal;

use crate::cellar::Cellar;
use crate::raw::{Connect, Publish, Raw, packet, text};

fn bytes(content: &[u8]) -> Vec<u8> {
    let mut out = u16::try_from(content.len()).unwrap().to_be_bytes().to_vec();
    out.extend(content);
    out
}

/// A CONNECT of 3.1.1 with these flags and payload.
fn connect(flags: u8, payload: &[Vec<u8>]) -> Vec<u8> {
    let mut body = text("MQTT");
    body.extend([4, flags, 0, 0]);
    body.extend(payload.concat());
    packet(0x10, &body)
}

/// Sends it as the first packet; nothing must come but the end.
async fn met_with_silence(cellar: &Cellar, what: &str, first: &[u8]) {
    let mut raw = Raw::open(cellar.address).await;
    raw.send(first).await;
    raw.expect_silence(what).await;
}

/// Sends it as a greeted client of either version, which must end the connection.
async fn ends(cellar: &Cellar, what: &str, v3: &[u8], v5: &[u8]) {
    let mut raw = Raw::welcome(cellar.address, Connect::v3("a")).await;
    raw.send(v3).await;
    raw.expect_silence(what).await;
    let mut raw = Raw::welcome(cellar.address, Connect::v5("b")).await;
    raw.send(v5).await;
    let said = raw.packet().await;
    assert_eq!(said[0], 0xE0, "{what}: {said:02x?}");
    assert!(said[2] >= 0x80, "{what}: {said:02x?}");
    raw.expect_silence(what).await;
}

/// [MQTT-1.5.3-1], [MQTT-1.5.3-2], [MQTT-3.1.3-4], [MQTT-3.1.3-10], [MQTT-3.1.3-11].
#[tokio::test]
async fn text_in_connect_is_utf_8_without_nul() {
    let cellar = Cellar::open().await;
    // Broken off, a surrogate, beyond U+10FFFF, an overlong slash, NUL.
    for bad in [
        &b"a\xe2\x82"[..],
        b"\xed\xa0\x80",
        b"\xf4\x90\x80\x80",
        b"\xc0\xaf",
        b"a\0b",
    ] {
        let (bad, good) = (bytes(bad), text("a"));
        let user = &[good.clone(), bad.clone(), text("p")];
        let topic = &[good.clone(), bad.clone(), text("w")];
        met_with_silence(&cellar, "user", &connect(0xC2, user)).await;
        met_with_silence(&cellar, "will topic", &connect(0x06, topic)).await;
        met_with_silence(&cellar, "client id", &connect(0x02, &[bad])).await;
    }
}

/// [MQTT-1.5.3-1], [MQTT-3.3.2-1], [MQTT-3.8.3-1], [MQTT-3.10.3-1].
#[tokio::test]
async fn text_in_later_packets_is_utf_8() {
    let cellar = Cellar::open().await;
    let bad = bytes(b"cellar/\xff");
    let publish = packet(0x30, &[&bad[..], b"1"].concat());
    let publish_v5 = packet(0x30, &[&bad[..], b"\x001"].concat());
    ends(&cellar, "PUBLISH", &publish, &publish_v5).await;
    let id = [0u8, 1];
    let subscribe = packet(0x82, &[&id[..], &bad, b"\0"].concat());
    let subscribe_v5 = packet(0x82, &[&id[..], b"\0", &bad, b"\0"].concat());
    ends(&cellar, "SUBSCRIBE", &subscribe, &subscribe_v5).await;
    let unsubscribe = packet(0xA2, &[&id[..], &bad].concat());
    let unsubscribe_v5 = packet(0xA2, &[&id[..], b"\0", &bad].concat());
    ends(&cellar, "UNSUBSCRIBE", &unsubscribe, &unsubscribe_v5).await;
    assert_eq!(cellar.counts.refused(Refusal::Protocol), 6);
    assert!(cellar.reader.unclaimed().unwrap().is_empty());
}

/// [MQTT-1.5.3-2], [MQTT-4.7.3-2].
#[tokio::test]
async fn no_topic_and_no_filter_holds_a_nul() {
    let cellar = Cellar::open().await;
    let bad = text("ebbmark/\0");
    let id = [0u8, 1];
    for (first, before_v3, before_v5, after) in [
        (0x30u8, &b""[..], &b""[..], &b"\0x"[..]),
        (0x82, &id[..], &b"\0\x01\0"[..], &b"\0"[..]),
        (0xA2, &id[..], &b"\0\x01\0"[..], &b""[..]),
    ] {
        let v3 = packet(first, &[before_v3, &bad, after].concat());
        let v5 = packet(first, &[before_v5, &bad, after].concat());
        ends(&cellar, &format!("a NUL in {first:02x}"), &v3, &v5).await;
    }
    // [MQTT-4.7.3-1].
    for (first, after) in [(0x82u8, &b"\0\0\0"[..]), (0xA2, b"\0\0")] {
        let v3 = packet(first, &[&id[..], after].concat());
        let v5 = packet(first, &[&id[..], b"\0", after].concat());
        ends(
            &cellar,
            &format!("an empty filter in {first:02x}"),
            &v3,
            &v5,
        )
        .await;
    }
    assert!(cellar.reader.unclaimed().unwrap().is_empty());
}

/// [MQTT-1.5.3-3]: U+FEFF is a character like any other.
#[tokio::test]
async fn a_byte_order_mark_is_not_stripped() {
    let cellar = Cellar::open().await;
    let mut raw = Raw::welcome(cellar.address, Connect::v3("a")).await;
    raw.publish(Publish::new("\u{feff}cellar/a", b"1", 1, 1))
        .await;
    raw.expect(&[0x40, 2, 0, 1]).await;
    assert_eq!(cellar.taken("\u{feff}cellar/a"), ["1"]);
    assert!(cellar.taken("cellar/a").is_empty());
}

/// [MQTT-2.2.2-1], [MQTT-2.2.2-2], [MQTT-3.6.1-1], [MQTT-3.8.1-1], [MQTT-3.10.1-1], [MQTT-3.14.1-1].
#[tokio::test]
async fn reserved_flags_of_every_packet() {
    let cellar = Cellar::open().await;
    for (what, first, body) in [
        ("PUBACK", 0x41u8, &[0u8, 1][..]),
        ("PUBREC", 0x52, &[0, 1]),
        ("PUBREL", 0x60, &[0, 1]),
        ("PUBCOMP", 0x72, &[0, 1]),
        ("SUBSCRIBE", 0x80, &[0, 1, 0, 1, b'a', 0]),
        ("UNSUBSCRIBE", 0xA0, &[0, 1, 0, 1, b'a']),
        ("PINGREQ", 0xC2, &[]),
        ("DISCONNECT", 0xE1, &[]),
    ] {
        let bytes = packet(first, body);
        ends(&cellar, what, &bytes, &bytes).await;
    }
    met_with_silence(&cellar, "CONNECT", &{
        let mut first = Connect::v3("a").frame();
        first[0] = 0x11;
        first
    })
    .await;
}

/// [MQTT-3.1.0-1], [MQTT-3.1.0-2].
#[tokio::test]
async fn connect_comes_first_and_once() {
    let cellar = Cellar::open().await;
    met_with_silence(&cellar, "PINGREQ first", &[0xC0, 0]).await;
    let again = (Connect::v3("a").frame(), Connect::v5("b").frame());
    ends(&cellar, "CONNECT twice", &again.0, &again.1).await;
}

/// [MQTT-3.1.2-3], [MQTT-3.1.2-11], [MQTT-3.1.2-13] to [MQTT-3.1.2-15], [MQTT-3.1.2-18] to
/// [MQTT-3.1.2-22], [MQTT-3.1.3-3], [MQTT-3.1.4-1].
#[tokio::test]
async fn flags_of_connect_agree_with_each_other_and_with_what_follows() {
    let cellar = Cellar::open().await;
    let (id, topic, word) = (text("a"), text("w"), text("x"));
    for (what, flags, payload) in [
        ("the reserved bit", 0x03u8, vec![id.clone()]),
        ("a QoS of no will", 0x0A, vec![id.clone()]),
        ("a retained no will", 0x22, vec![id.clone()]),
        (
            "a will of QoS 3",
            0x1E,
            vec![id.clone(), topic.clone(), word.clone()],
        ),
        ("a will without a message", 0x06, vec![id.clone(), topic]),
        ("a user that is not there", 0x82, vec![id.clone()]),
        (
            "a user nobody spoke of",
            0x02,
            vec![id.clone(), word.clone()],
        ),
        (
            "a password without a user",
            0x42,
            vec![id.clone(), word.clone()],
        ),
        ("a password that is not there", 0xC2, vec![id, word]),
        ("no client id at all", 0x02, vec![]),
    ] {
        met_with_silence(&cellar, what, &connect(flags, &payload)).await;
    }
    assert_eq!(cellar.counts.accepted(), 0);
}

/// [MQTT-3.1.4-5]: what follows a refused CONNECT is not looked at; [MQTT-3.2.2-4], [MQTT-3.2.2-5].
#[tokio::test]
async fn nothing_is_taken_after_a_refusal() {
    let cellar = Cellar::open().await;
    let nameless = Connect {
        clean: false,
        ..Connect::v3("")
    };
    let mut raw = Raw::open(cellar.address).await;
    let publish = Publish::new("cellar/a", b"1", 1, 1).frame(false);
    raw.send(&[nameless.frame(), publish].concat()).await;
    raw.expect_refusal(2).await;
    assert!(cellar.taken("cellar/a").is_empty());
}

/// [MQTT-3.1.3-5]: ids of 1 to 23 letters and digits are taken.
#[tokio::test]
async fn every_client_id_one_may_count_on() {
    let cellar = Cellar::open().await;
    for id in [
        "a",
        "0123456789abcdefghijklm",
        "nopqrstuvwxyzABCDEFGHIJ",
        "KLMNOPQRSTUVWXYZ",
    ] {
        Raw::welcome(cellar.address, Connect::v3(id)).await;
    }
}

/// [MQTT-2.3.1-7], [MQTT-3.8.4-1], [MQTT-3.8.4-2], [MQTT-3.8.4-4], [MQTT-3.8.4-5], [MQTT-3.9.3-1],
/// [MQTT-3.9.3-2]: one code for each filter, in their order, under the same id.
#[tokio::test]
async fn every_filter_has_its_code() {
    let cellar = Cellar::open().await;
    let mut raw = Raw::welcome(cellar.address, Connect::v3("a")).await;
    let mut body = vec![0x12, 0x34];
    for (filter, qos) in [
        ("ebbmark/#", 2),
        ("cellar/#", 1),
        ("ebbmark/a", 0),
        ("ebbmark/#/a", 0),
    ] {
        body.extend(text(filter));
        body.push(qos);
    }
    raw.send(&packet(0x82, &body)).await;
    raw.expect(&[0x90, 6, 0x12, 0x34, 1, 0x80, 0, 0x80]).await;
}

/// [MQTT-3.8.3-3], [MQTT-3-8.3-4] (so written there), [MQTT-3.10.3-2].
#[tokio::test]
async fn subscriptions_have_a_filter_and_a_quality() {
    let cellar = Cellar::open().await;
    let empty = (packet(0x82, &[0, 1]), packet(0x82, &[0, 1, 0]));
    ends(&cellar, "SUBSCRIBE without a filter", &empty.0, &empty.1).await;
    let empty = (packet(0xA2, &[0, 1]), packet(0xA2, &[0, 1, 0]));
    ends(&cellar, "UNSUBSCRIBE without a filter", &empty.0, &empty.1).await;
    let filter = text("ebbmark/a");
    for qos in [0x03u8, 0x80] {
        let v3 = packet(0x82, &[&[0, 1][..], &filter, &[qos]].concat());
        let v5 = packet(0x82, &[&[0, 1, 0][..], &filter, &[qos | 0xC0]].concat());
        ends(&cellar, "bits that are reserved", &v3, &v5).await;
    }
}

/// [MQTT-3.10.4-4] to [MQTT-3.10.4-6]: answered, whether or not there was such a subscription.
#[tokio::test]
async fn every_unsubscribe_is_answered() {
    let cellar = Cellar::open().await;
    let mut v3 = Raw::welcome(cellar.address, Connect::v3("a")).await;
    let filters = [text("ebbmark/a"), text("cellar/b")].concat();
    v3.send(&packet(0xA2, &[&[0, 9][..], &filters].concat()))
        .await;
    v3.expect(&[0xB0, 2, 0, 9]).await;
    let mut v5 = Raw::welcome(cellar.address, Connect::v5("b")).await;
    v5.send(&packet(0xA2, &[&[0, 9, 0][..], &filters].concat()))
        .await;
    v5.expect(&[0xB0, 5, 0, 9, 0, 0x11, 0x11]).await;
}

/// [MQTT-3.10.4-2]: after UNSUBACK nothing more comes.
#[tokio::test]
async fn what_is_unsubscribed_is_not_sent() {
    let cellar = Cellar::open().await;
    let mut raw = Raw::welcome(cellar.address, Connect::v3("a")).await;
    raw.subscribe(1, "ebbmark/a", 0).await;
    raw.send(&packet(0xA2, &[&[0, 2][..], &text("ebbmark/a")].concat()))
        .await;
    raw.expect(&[0xB0, 2, 0, 2]).await;
    cellar.outgoing.publish("ebbmark/a".into(), b"1".to_vec());
    raw.ping().await;
}

/// [MQTT-3.8.4-3]: subscribed again, what is retained comes again.
#[tokio::test]
async fn subscribing_again_replaces_and_brings_what_is_retained() {
    let cellar = Cellar::open().await;
    cellar.outgoing.publish("ebbmark/a".into(), b"1".to_vec());
    let mut raw = Raw::welcome(cellar.address, Connect::v3("a")).await;
    for (id, qos) in [(1, 0), (2, 0)] {
        raw.subscribe(id, "ebbmark/a", qos).await;
        raw.expect(b"\x31\x0c\0\x09ebbmark/a1").await;
    }
    cellar.outgoing.publish("ebbmark/a".into(), b"2".to_vec());
    raw.expect(b"\x30\x0c\0\x09ebbmark/a2").await;
    raw.ping().await;
}

/// [MQTT-3.3.2-2], [MQTT-4.7.1-1], [MQTT-4.7.3-1], [MQTT-3.3.5-2]: over 3.1.1 there is no other
/// answer to a message that may not be published than the end.
#[tokio::test]
async fn names_of_topics() {
    let cellar = Cellar::open().await;
    for topic in ["a/+", "#", "", "ebbmark/a", "$SYS/a"] {
        let mut raw = Raw::welcome(cellar.address, Connect::v3("a")).await;
        raw.publish(Publish::new(topic, b"1", 1, 1)).await;
        raw.expect_silence(topic).await;
    }
    assert!(cellar.reader.unclaimed().unwrap().is_empty());
}

/// [MQTT-3.12.4-1].
#[tokio::test]
async fn a_ping_is_answered() {
    let cellar = Cellar::open().await;
    let mut raw = Raw::welcome(cellar.address, Connect::v3("a")).await;
    raw.ping().await;
}

/// [MQTT-4.3.3-2]: PUBREL of what is not known is completed all the same; MQTT 5 has a code for it.
#[tokio::test]
async fn a_release_of_nothing_is_completed() {
    let cellar = Cellar::open().await;
    let mut v3 = Raw::welcome(cellar.address, Connect::v3("a")).await;
    v3.send(&packet(0x62, &[0, 7])).await;
    v3.expect(&[0x70, 2, 0, 7]).await;
    let mut v5 = Raw::welcome(cellar.address, Connect::v5("b")).await;
    v5.send(&packet(0x62, &[0, 7])).await;
    v5.expect(&[0x70, 3, 0, 7, 0x92]).await;
}

/// [MQTT-4.8.0-1]: whatever is no MQTT ends the connection, whole or cut anywhere.
#[tokio::test]
async fn a_connect_cut_anywhere_is_met_with_silence() {
    let cellar = Cellar::open().await;
    let whole = Connect {
        will: Some(("cellar/a", "gone")),
        user: Some(("u", "p")),
        ..Connect::v3("float")
    }
    .frame();
    for end in 1..whole.len() {
        let mut cut = whole[..end].to_vec();
        // It says itself as long as it is.
        if let Some(length) = cut.get_mut(1) {
            *length = u8::try_from(end - 2).unwrap();
        }
        let mut raw = Raw::open(cellar.address).await;
        raw.send(&cut).await;
        raw.no_more().await;
        raw.expect_silence(&format!("cut to {end}")).await;
    }
    assert_eq!(cellar.counts.accepted(), 0);
}

/// A will is taken or not as any message is, and a topic one may not publish to stays empty.
#[tokio::test]
async fn wills_with_garbage() {
    let cellar = Cellar::open().await;
    let nowhere = Connect {
        will: Some(("", "gone")),
        ..Connect::v3("a")
    };
    met_with_silence(&cellar, "a will on no topic", &nowhere.frame()).await;
    for topic in ["ebbmark/a", "$SYS/a", "cellar/+", "a/#"] {
        let connect = Connect {
            will: Some((topic, "gone")),
            ..Connect::v3("a")
        };
        let mut raw = Raw::open(cellar.address).await;
        raw.send(&connect.frame()).await;
        raw.no_more().await;
        raw.read_to_the_end().await;
    }
    let mut other = Raw::welcome(cellar.address, Connect::v3("b")).await;
    other.publish(Publish::new("cellar/a", b"1", 1, 1)).await;
    other.expect(&[0x40, 2, 0, 1]).await;
    let unclaimed = cellar.reader.unclaimed().unwrap();
    let topics: Vec<_> = unclaimed.iter().map(|t| t.topic.as_str()).collect();
    assert_eq!(topics, ["cellar/a"]);
}
