//! The archive over years of meads, through the pages' own router: how long an answer takes.
//!
//!     cargo run --release -p ebbmark-store --example fill_archive -- FILE 2000 60 15
//!     EBBMARK_ARCHIVE=FILE cargo bench -p ebbmark-web --bench archive
//!
//! Each address is asked for so many times; the first answer, the median and the worst are told.

mod over;

use std::path::PathBuf;
use std::time::{Duration, Instant};

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::Request;
use ebbmark_core::time::Moment;
use ebbmark_store::Options;
use tokio::runtime::Runtime;
use tower::ServiceExt;

const TIMES: usize = 200;
/// 2026-06-01T00:00:00Z, when the last of the invented meads end.
const NOW: Moment = Moment(1_780_272_000_000);

const ASKED: [(&str, &str); 16] = [
    ("the list", "/archive"),
    ("the list, page 60", "/archive?page=60"),
    ("a word", "/archive?words=heather"),
    ("a part of a word, accents", "/archive?words=hohen"),
    ("three words", "/archive?words=linden+figs+bag"),
    ("a word of two letters", "/archive?words=fi"),
    ("a word nobody wrote", "/archive?words=zzzz"),
    (
        "words, yeast and days",
        "/archive?words=plums&yeast=wine&from=2020-01-01&until=2025-12-31&state=finished",
    ),
    (
        "the same for programs",
        "/api/v1/meads?words=plums&yeast=wine",
    ),
    ("one beside all others", "/compare?mead=1000"),
    ("two by time", "/compare?mead=17&mead=1400"),
    (
        "six by time",
        "/compare?mead=1&mead=2&mead=3&mead=4&mead=5&mead=6",
    ),
    (
        "six by sugar",
        "/compare?mead=1&mead=2&mead=3&mead=4&mead=5&mead=6&by=sugar",
    ),
    (
        "six by gravity",
        "/compare?mead=1&mead=2&mead=3&mead=4&mead=5&mead=6&by=gravity",
    ),
    (
        "six as CSV",
        "/compare.csv?mead=1&mead=2&mead=3&mead=4&mead=5&mead=6",
    ),
    (
        "six for programs",
        "/api/v1/compare?mead=1&mead=2&mead=3&mead=4&mead=5&mead=6",
    ),
];

fn main() {
    // Cargo hands its own words to a bench.
    let Some(path) = std::env::var_os("EBBMARK_ARCHIVE").map(PathBuf::from) else {
        println!(
            "EBBMARK_ARCHIVE names no file: nothing was measured; see the head of this bench."
        );
        return;
    };
    let runtime = Runtime::new().expect("a runtime starts");
    let _inside = runtime.enter();
    let (writer, reader) = ebbmark_store::open(&path, Options::default()).expect("a store");
    let pages = over::pages(reader, writer, NOW);
    println!(
        "{:28} {:>8} {:>8} {:>8} {:>9}",
        "ms", "first", "median", "worst", "bytes"
    );
    for (name, path) in ASKED {
        let (first, size) = runtime.block_on(get(&pages, path));
        let mut took: Vec<Duration> = (0..TIMES)
            .map(|_| runtime.block_on(get(&pages, path)).0)
            .collect();
        took.sort_unstable();
        let ms = |d: Duration| d.as_secs_f64() * 1000.0;
        println!(
            "{name:28} {:8.1} {:8.1} {:8.1} {size:9}",
            ms(first),
            ms(took[TIMES / 2]),
            ms(took[TIMES - 1])
        );
    }
}

async fn get(pages: &Router, path: &str) -> (Duration, usize) {
    let request = Request::get(path)
        .body(Body::empty())
        .expect("the address is sound");
    let begun = Instant::now();
    let answer = pages
        .clone()
        .oneshot(request)
        .await
        .expect("pages always answer");
    assert!(answer.status().is_success(), "{path}: {}", answer.status());
    let body = to_bytes(answer.into_body(), 16 << 20)
        .await
        .expect("a body");
    (begun.elapsed(), body.len())
}
