//! A curve from tilt, out of hand readings and the tilts around them.

use axum::http::StatusCode;
use ebbmark_core::ids::{FeedId, VesselId};
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::{Arrival, Stamp};

use crate::ask::{Cellar, Maker, cellar, noon};

async fn sends(cellar: &Cellar, at: Moment, payload: &str) {
    let arrival = Arrival {
        source: "intake".to_owned(),
        topic: "shed/probe".to_owned(),
        payload: payload.as_bytes().to_vec(),
        stamp: Stamp {
            wall: Some(at),
            monotonic_ms: 0,
        },
        delivery: None,
        retained: false,
    };
    let taken = cellar.writer.arrive(arrival).await.unwrap();
    taken.await.unwrap().unwrap();
}

/// A day on, a tilt comes in and a hand reading is taken half an hour later.
async fn day(cellar: &Cellar, maker: &Maker<'_>, vessel: VesselId, n: i64, tilt: f64, read: f64) {
    let at = noon() + Span::days(n) - Span::minutes(30);
    sends(cellar, at, &format!(r#"{{"tilt":{tilt}}}"#)).await;
    cellar.later(Span::days(1));
    let page = format!("/vessel/{vessel}");
    let noted = maker
        .send(
            &page,
            &format!("{page}/hand"),
            &format!("read={read}&sample=20&reference=20&at=&note="),
        )
        .await;
    assert_eq!(noted.status, StatusCode::SEE_OTHER, "{}", noted.text);
}

fn only_feed(cellar: &Cellar) -> FeedId {
    cellar.reader.feeds().unwrap().remove(0).id
}

#[tokio::test]
async fn a_curve_is_offered_and_set_by_a_button() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let maker = cellar.enter().await;
    sends(&cellar, noon() - Span::days(2), r#"{"tilt":70}"#).await;
    let claim = format!(
        "source=intake&topic=shed%2Fprobe&format=json&name=probe&vessel={vessel}&polynomial=\
         &from-0=%2Ftilt&what-0=tilt-degrees"
    );
    let claimed = maker.send("/feeds", "/feeds/claim", &claim).await;
    assert_eq!(claimed.status, StatusCode::SEE_OTHER, "{}", claimed.text);
    assert!(
        !maker
            .get("/feeds")
            .await
            .text
            .contains("Gravity from tilt, by")
    );

    day(&cellar, &maker, vessel, 1, 65.0, 1.08).await;
    day(&cellar, &maker, vessel, 2, 50.0, 1.05).await;
    let page = maker.get("/feeds").await.text;
    assert!(page.contains("Gravity from tilt, by its hand readings"));
    assert!(
        page.contains("No curve yet: 2 paired readings are too few"),
        "{page}"
    );

    // On the line SG = 0.95 + 0.002·a.
    day(&cellar, &maker, vessel, 3, 35.0, 1.02).await;
    day(&cellar, &maker, vessel, 4, 27.5, 1.005).await;
    let page = maker.get("/feeds").await;
    assert!(
        page.text.contains("It holds from 27.5° to 65.0°"),
        "{}",
        page.text
    );
    let feed = only_feed(&cellar);
    let offered = &page.text[page.text.find("Use this curve").unwrap() - 900..];
    let polynomial = offered
        .split("name=\"polynomial\" value=\"")
        .nth(1)
        .unwrap();
    let polynomial = polynomial.split('"').next().unwrap().replace(' ', "+");
    let set = maker
        .send(
            "/feeds",
            &format!("/feeds/{feed}/tilt"),
            &format!("polynomial={polynomial}"),
        )
        .await;
    assert_eq!(set.header("location"), "/feeds?done=map", "{}", set.text);
    let known = cellar.reader.feed(feed).unwrap().unwrap();
    assert_eq!(known.name, "probe");
    assert_eq!(known.map.tilt_polynomial.len(), 2);
    assert!((known.map.tilt_polynomial[0] - 0.95).abs() < 1e-6);
    assert!((known.map.tilt_polynomial[1] - 0.002).abs() < 1e-8);
    assert!(
        (known.last_gravity.unwrap().get() - 1.005).abs() < 1e-6,
        "read again"
    );
    assert!(
        maker
            .get("/feeds")
            .await
            .text
            .contains("This is the curve in use.")
    );
}

#[tokio::test]
async fn nonsense_is_refused_and_a_strange_feed_is_missing() {
    let cellar = cellar().await;
    let maker = cellar.enter().await;
    for (form, status) in [
        ("polynomial=", StatusCode::UNPROCESSABLE_ENTITY),
        ("polynomial=one+two", StatusCode::UNPROCESSABLE_ENTITY),
        ("polynomial=0.95+0.002", StatusCode::NOT_FOUND),
    ] {
        let answer = maker.send("/settings", "/feeds/99/tilt", form).await;
        assert_eq!(answer.status, status, "{form}");
    }
}
