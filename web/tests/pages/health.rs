//! What a watchman is told.

use std::time::Duration;

use axum::http::StatusCode;
use ebbmark_core::time::Span;

use super::ask::{cellar, noon};

#[tokio::test]
async fn ready_as_long_as_it_can_be_written() {
    let cellar = cellar().await;
    let ready = cellar.get("/healthz").await;
    assert_eq!((ready.status, ready.text.as_str()), (StatusCode::OK, "ok"));

    // A clock without a battery: readings are taken all the same.
    cellar.later(Span(-noon().0));
    let ready = cellar.get("/healthz").await;
    assert_eq!(ready.status, StatusCode::OK);
    assert!(
        ready.text.starts_with("ok, but the clock"),
        "{}",
        ready.text
    );

    cellar.writer.close().await;
    // Its thread has a moment to go.
    let mut ready = cellar.get("/healthz").await;
    while ready.status == StatusCode::OK {
        tokio::time::sleep(Duration::from_millis(5)).await;
        ready = cellar.get("/healthz").await;
    }
    assert_eq!(ready.status, StatusCode::SERVICE_UNAVAILABLE);
    assert!(ready.text.starts_with("not ready: "), "{}", ready.text);
    assert!(ready.header("content-type").starts_with("text/plain"));
    let alive = cellar.get("/healthz/alive").await;
    assert_eq!((alive.status, alive.text.as_str()), (StatusCode::OK, "ok"));
}
