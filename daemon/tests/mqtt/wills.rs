//! Last wills: what is noted when a float goes without saying goodbye.

use ebbmark_core::feed::{FeedMap, Format, Quantity};
use ebbmark_store::model::Command;

use crate::cellar::Cellar;
use crate::raw::{Connect, Publish, Raw};

/// Claims the float's topic, so that its going away is noted with the feed.
async fn claimed() -> Cellar {
    let mut cellar = Cellar::open().await;
    let mut raw = Raw::welcome(cellar.address, Connect::v3("first")).await;
    raw.publish(Publish::new("cellar/float", b"1.050", 1, 1))
        .await;
    raw.expect(&[0x40, 2, 0, 1]).await;
    raw.send(&[0xE0, 0]).await;
    raw.expect_end().await;
    cellar
        .writer
        .command(Command::Claim {
            source: "intake".into(),
            topic: "cellar/float".into(),
            name: "float".into(),
            map: FeedMap {
                format: Format::Number {
                    quantity: Quantity::GravitySg,
                },
                tilt_polynomial: Vec::new(),
            },
            vessel: None,
        })
        .await
        .unwrap();
    cellar
        .until("claimed", |cellar| {
            !cellar.reader.feeds().unwrap().is_empty()
        })
        .await;
    cellar
}

fn is_away(cellar: &Cellar) -> bool {
    cellar
        .reader
        .feeds()
        .unwrap()
        .iter()
        .any(|feed| feed.went_away.is_some())
}

/// A float with a will, heard once.
async fn heard(cellar: &Cellar, connect: Connect<'_>) -> Raw {
    let mut raw = Raw::welcome(
        cellar.address,
        Connect {
            will: Some(("cellar/float/gone", "gone")),
            ..connect
        },
    )
    .await;
    raw.publish(Publish::new("cellar/float", b"1.049", 1, 1))
        .await;
    raw.expect(&[0x40, 2, 0, 1]).await;
    raw
}

#[tokio::test]
async fn a_break_sets_off_the_will() {
    let mut cellar = claimed().await;
    drop(heard(&cellar, Connect::v3("float")).await);
    cellar.until("away", is_away).await;
    assert_eq!(cellar.taken("cellar/float/gone"), ["gone"]);
}

#[tokio::test]
async fn silence_sets_off_the_will() {
    let mut cellar = claimed().await;
    let mut raw = heard(
        &cellar,
        Connect {
            keep_alive: 1,
            ..Connect::v3("float")
        },
    )
    .await;
    raw.expect_end().await;
    cellar.until("away", is_away).await;
}

#[tokio::test]
async fn a_goodbye_drops_the_will() {
    let mut cellar = claimed().await;
    let mut raw = heard(&cellar, Connect::v3("float")).await;
    raw.send(&[0xE0, 0]).await;
    raw.expect_end().await;
    let mut raw = heard(&cellar, Connect::v5("float")).await;
    raw.send(&[0xE0, 0]).await;
    raw.expect_end().await;
    // A takeover is no going away either: the float is plainly there.
    let _old = heard(&cellar, Connect::v3("float")).await;
    let new = heard(&cellar, Connect::v3("float")).await;
    cellar.stop().await;
    drop(new);
    assert!(!is_away(&cellar));
    assert_eq!(cellar.taken("cellar/float/gone").len(), 0);
}

#[tokio::test]
async fn an_mqtt_5_goodbye_may_keep_the_will() {
    let mut cellar = claimed().await;
    let mut raw = heard(&cellar, Connect::v5("float")).await;
    raw.send(&[0xE0, 1, 0x04]).await;
    raw.expect_end().await;
    cellar.until("away", is_away).await;
}

#[tokio::test]
async fn a_delayed_will_is_void_when_the_client_is_back_in_time() {
    let mut cellar = claimed().await;
    let patient = Connect {
        clean: false,
        // Session expiry and will delay, an hour each.
        properties: &[0x11, 0, 0, 0x0E, 0x10],
        will_properties: &[0x18, 0, 0, 0x0E, 0x10],
        ..Connect::v5("float")
    };
    drop(heard(&cellar, patient).await);
    let mut back = heard(&cellar, patient).await;
    back.send(&[0xE0, 0]).await;
    back.expect_end().await;
    cellar.stop().await;
    assert!(!is_away(&cellar));

    // Without a session there is nothing to come back to, so no delay either.
    let mut cellar = claimed().await;
    drop(
        heard(
            &cellar,
            Connect {
                properties: &[],
                ..patient
            },
        )
        .await,
    );
    cellar.until("away", is_away).await;
}
