use axum::body::{Body, BodyDataStream};
use axum::http::{Request, StatusCode, header};
use tokio_stream::StreamExt;
use tower::ServiceExt;

use crate::ask::{Cellar, cellar};
use crate::programs::Program;

async fn stream(cellar: &Cellar) -> BodyDataStream {
    stream_of(cellar, "/live").await
}

async fn stream_of(cellar: &Cellar, path: &str) -> BodyDataStream {
    let request = Request::get(path)
        .header(header::ACCEPT_ENCODING, "gzip")
        .body(Body::empty())
        .unwrap();
    let answer = cellar.pages.clone().oneshot(request).await.unwrap();
    assert_eq!(answer.status(), StatusCode::OK);
    assert_eq!(answer.headers()[header::CONTENT_TYPE], "text/event-stream");
    assert!(answer.headers().get(header::CONTENT_ENCODING).is_none());
    assert_eq!(answer.headers()["x-accel-buffering"], "no");
    answer.into_body().into_data_stream()
}

#[tokio::test]
async fn a_change_of_a_vessel_is_told() {
    let cellar = cellar().await;
    let mut events = stream(&cellar).await;
    let id = cellar.vessel("Cask").await;
    let event = events.next().await.unwrap().unwrap();
    let text = String::from_utf8(event.to_vec()).unwrap();
    assert_eq!(text, format!("data: cellar vessel-{id}\n\n"));
}

/// A change that comes after a page was made and before its stream is open belongs to neither.
#[tokio::test]
async fn what_changed_while_a_page_was_loading_is_told_at_once() {
    let cellar = cellar().await;
    let told = |page: &str| -> u64 {
        let (_, rest) = page.split_once("data-told=\"").unwrap();
        rest.split('"').next().unwrap().parse().unwrap()
    };
    cellar.vessel("Cask").await;
    let loading = told(&cellar.get("/").await.text);
    let id = cellar.vessel("Jar").await;
    let mut late = stream_of(&cellar, &format!("/live?told={loading}")).await;
    let event = late.next().await.unwrap().unwrap();
    assert_eq!(&event[..], b"data: all\n\n");
    // One that missed nothing hears of the next change only.
    let loaded = told(&cellar.get("/").await.text);
    let mut in_time = stream_of(&cellar, &format!("/live?told={loaded}")).await;
    let next = cellar.vessel("Carboy").await;
    let event = in_time.next().await.unwrap().unwrap();
    assert_eq!(
        String::from_utf8(event.to_vec()).unwrap(),
        format!("data: cellar vessel-{next}\n\n")
    );
    assert!(next > id);
}

#[tokio::test]
async fn a_program_follows_with_its_token_and_nobody_without() {
    let cellar = cellar().await;
    let program = Program::of(&cellar).await;
    let locked = cellar.get("/live").await;
    assert_eq!(locked.status, StatusCode::UNAUTHORIZED);
    // It ends at once, so that it can be read whole.
    cellar.shutdown.cancel();
    let open = program.ask("/live").await;
    assert_eq!(open.status, StatusCode::OK);
    assert_eq!(open.header("content-type"), "text/event-stream");
}

#[tokio::test]
async fn streams_end_when_the_daemon_stops() {
    let cellar = cellar().await;
    let mut idle = stream(&cellar).await;
    cellar.shutdown.cancel();
    assert!(idle.next().await.is_none());
    // One opened while stopping ends at once too.
    assert!(stream(&cellar).await.next().await.is_none());
}
