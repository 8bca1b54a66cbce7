use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use ebbmark_core::feed::{FeedMap, Format, Quantity};
use ebbmark_store::model::Command;

use crate::ask::{Answer, Cellar, cellar};

async fn token(cellar: &Cellar) -> String {
    cellar.token(&["send"]).await
}

async fn post(cellar: &Cellar, topic: &str, token: Option<&str>, body: impl Into<Body>) -> Answer {
    let mut request = Request::post(format!("/intake/{topic}"));
    if let Some(token) = token {
        request = request.header(header::AUTHORIZATION, format!("Bearer {token}"));
    }
    cellar.ask(request.body(body.into()).unwrap()).await
}

#[tokio::test]
async fn only_with_the_token() {
    let cellar = cellar().await;
    let answer = post(&cellar, "float", Some("anything"), "1.05").await;
    assert_eq!(answer.status, StatusCode::UNAUTHORIZED);
    assert!(answer.text.contains("Who gets in"), "{}", answer.text);

    let token = token(&cellar).await;
    for shown in [None, Some("wrong"), Some(&token[1..])] {
        let answer = post(&cellar, "float", shown, "1.05").await;
        assert_eq!(answer.status, StatusCode::UNAUTHORIZED, "{shown:?}");
        assert_eq!(answer.header("www-authenticate"), "Bearer");
        assert_eq!(answer.header("content-type"), "application/json");
    }
    assert!(cellar.reader.unclaimed().unwrap().is_empty());

    let maker = cellar.enter().await;
    assert!(
        !maker.get("/access").await.text.contains(&token),
        "shown once"
    );
}

#[tokio::test]
async fn taken_means_stored() {
    let cellar = cellar().await;
    let token = token(&cellar).await;
    let answer = post(&cellar, "cellar/float-1", Some(&token), "1.0524").await;
    assert_eq!(answer.status, StatusCode::ACCEPTED);
    assert_eq!(answer.text, r#"{"problems":0,"readings":0}"#);
    let nothing = post(&cellar, "cellar/float-1", Some(&token), "").await;
    assert_eq!(nothing.status, StatusCode::BAD_REQUEST);
    let unclaimed = cellar.reader.unclaimed().unwrap();
    assert_eq!(unclaimed[0].topic, "cellar/float-1");
    assert_eq!(unclaimed[0].source, "http");
    assert_eq!(unclaimed[0].payloads, [b"1.0524".to_vec()]);

    let claim = Command::Claim {
        source: "http".to_owned(),
        topic: "cellar/float-1".to_owned(),
        name: "float".to_owned(),
        map: FeedMap {
            format: Format::Number {
                quantity: Quantity::GravitySg,
            },
            tilt_polynomial: Vec::new(),
        },
        vessel: None,
    };
    cellar.writer.command(claim).await.unwrap();
    cellar.later(ebbmark_core::time::Span::minutes(15));
    let answer = post(&cellar, "cellar/float-1", Some(&token), "1.0522").await;
    assert_eq!(answer.text, r#"{"problems":0,"readings":1}"#);
    let answer = post(&cellar, "cellar/float-1", Some(&token), "7").await;
    assert_eq!(
        answer.status,
        StatusCode::ACCEPTED,
        "a bad value is a problem, not a refusal"
    );
    assert_eq!(answer.text, r#"{"problems":1,"readings":0}"#);
}

#[tokio::test]
async fn too_large_is_refused_and_counted() {
    let cellar = cellar().await;
    let token = token(&cellar).await;
    let fits = "x".repeat(64 * 1024);
    assert_eq!(
        post(&cellar, "float", Some(&token), fits.clone())
            .await
            .status,
        StatusCode::ACCEPTED
    );
    let answer = post(&cellar, "float", Some(&token), fits + "x").await;
    assert_eq!(answer.status, StatusCode::PAYLOAD_TOO_LARGE);
    assert!(answer.text.contains("65536"), "{}", answer.text);
    let problems = cellar.reader.problems().unwrap();
    assert!(
        problems.iter().any(|p| p.detail.contains("larger than")),
        "{problems:?}"
    );
}

#[tokio::test]
async fn what_mqtt_would_not_take_as_a_topic_is_none_here() {
    let cellar = cellar().await;
    let token = token(&cellar).await;
    for topic in [
        "cellar/%2B",
        "%23",
        "a%00b",
        "$SYS/a",
        "ebbmark/vessel/cask/verdict",
        "a/a/a/a/a/a/a/a/a/a/a/a/a/a/a/a/a",
    ] {
        let answer = post(&cellar, topic, Some(&token), "1.05").await;
        assert_eq!(answer.status, StatusCode::BAD_REQUEST, "{topic}");
    }
}

#[tokio::test]
async fn a_message_with_a_key_may_be_sent_again() {
    let cellar = cellar().await;
    let token = token(&cellar).await;
    let send = |key: Option<String>, body: &'static str| {
        let mut request =
            Request::post("/intake/float").header(header::AUTHORIZATION, format!("Bearer {token}"));
        if let Some(key) = key {
            request = request.header("Idempotency-Key", key);
        }
        cellar.ask(request.body(Body::from(body)).unwrap())
    };
    let key = |key: &str| Some(key.to_owned());
    let kept = || cellar.reader.unclaimed().unwrap()[0].payloads.len();
    send(key("a-1"), "1.05").await;
    let again = send(key("a-1"), "1.05").await;
    assert_eq!(
        again.status,
        StatusCode::ACCEPTED,
        "the sender may forget it"
    );
    assert_eq!(kept(), 1);
    // Another key, another value under the same key, or none at all: another message.
    send(key("a-2"), "1.05").await;
    send(key("a-2"), "1.04").await;
    send(None, "1.04").await;
    send(None, "1.04").await;
    assert_eq!(kept(), 5);
    for bad in ["", "a b", &"k".repeat(65)] {
        let answer = send(key(bad), "1.05").await;
        assert_eq!(answer.status, StatusCode::BAD_REQUEST, "{bad}");
        assert!(answer.text.contains("Idempotency-Key"), "{}", answer.text);
    }
    assert_eq!(
        send(key(&"k".repeat(64)), "1.05").await.status,
        StatusCode::ACCEPTED
    );
}

#[tokio::test]
async fn a_store_that_has_stopped_asks_to_try_again() {
    let cellar = cellar().await;
    let token = token(&cellar).await;
    cellar.writer.close().await;
    let answer = post(&cellar, "float", Some(&token), "1.05").await;
    assert_eq!(answer.status, StatusCode::SERVICE_UNAVAILABLE);
    assert!(!answer.header("retry-after").is_empty());
    assert!(answer.text.contains("\"request\""));
    assert!(!answer.text.contains("writer"), "the cause is for the log");
}
