use axum::http::StatusCode;
use ebbmark_core::time::Span;
use ebbmark_core::units::Preferences;
use ebbmark_core::verdict::outcome::Phase;
use ebbmark_web::picture::of_vessel;
use jiff::tz::TimeZone;

use crate::ask::{cellar, noon};

/// Width and height as the file says (PNG, third edition, 11.2.1: the header comes first).
fn size(png: &[u8]) -> (u32, u32) {
    assert_eq!(&png[..8], b"\x89PNG\r\n\x1a\n");
    assert_eq!(&png[12..16], b"IHDR");
    let number = |at: usize| u32::from_be_bytes(png[at..at + 4].try_into().unwrap());
    (number(16), number(20))
}

#[tokio::test]
async fn the_page_leads_to_the_picture() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let batch = cellar.mead(vessel, "Linden", 20).await;
    let none = cellar.get(&format!("/vessel/{vessel}/curve.png")).await;
    assert_eq!(none.status, StatusCode::NOT_FOUND);
    assert!(none.text.contains("nothing was read"), "{}", none.text);
    let page = cellar.get(&format!("/vessel/{vessel}")).await.text;
    assert!(!page.contains("curve.png"));

    cellar.readings(vessel, 20, Span::minutes(30)).await;
    cellar.judge(vessel, batch, Phase::Active, "Falling.").await;
    for span in ["three-days", "two-weeks", "all"] {
        let page = cellar.get(&format!("/vessel/{vessel}?span={span}")).await;
        let link = format!("/vessel/{vessel}/curve.png?span={span}");
        assert!(page.text.contains(&link), "{span}");
        let picture = cellar.get(&link).await;
        assert_eq!(picture.status, StatusCode::OK);
        assert_eq!(picture.header("content-type"), "image/png");
        assert_eq!(size(&picture.bytes), (1280, 1000));
    }
    assert_eq!(
        cellar.get("/vessel/99/curve.png").await.status,
        StatusCode::NOT_FOUND
    );
    cellar.lock().await;
    let stranger = cellar.get(&format!("/vessel/{vessel}/curve.png")).await;
    assert_eq!(stranger.status, StatusCode::SEE_OTHER);
}

#[tokio::test]
async fn a_picture_says_the_same_in_words() {
    let cellar = cellar().await;
    // A name the font has no letters for.
    let vessel = cellar.vessel("蜂蜜酒").await;
    cellar.mead(vessel, "Linden", 20).await;
    let zone = TimeZone::UTC;
    let ask = || {
        let units = Preferences::default();
        of_vessel(&cellar.reader, vessel, noon(), &zone, units).unwrap()
    };
    assert!(ask().is_none());
    cellar.readings(vessel, 20, Span::hours(1)).await;
    let picture = ask().unwrap();
    assert_eq!((picture.width, picture.height), size(&picture.png));
    for words in ["蜂蜜酒", "Gravity from 1.1000 to 1.0002", "9 Feb"] {
        assert!(picture.says.contains(words), "{words}: {}", picture.says);
    }
}
