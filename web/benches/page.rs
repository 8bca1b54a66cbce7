//! The heaviest page: a vessel with a year of minute readings, as rolled hours.

mod over;

use std::hint::black_box;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::Request;
use criterion::{Criterion, criterion_group, criterion_main};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Celsius, Gravity};
use ebbmark_store::model::{BatchFacts, Command, Done, ImportRow, VesselFacts};
use ebbmark_store::{Options, Writer};
use tempfile::TempDir;
use tokio::runtime::Runtime;
use tower::ServiceExt;

const DAYS: i64 = 365;
/// 2026-06-01T00:00:00Z.
const NOW: Moment = Moment(1_780_272_000_000);

fn page(c: &mut Criterion) {
    let runtime = Runtime::new().expect("a runtime starts");
    let (pages, _folder) = runtime.block_on(cellar());
    let sizes = ["all", "two-weeks", "three-days"].map(|span| {
        let text = runtime.block_on(get(&pages, &format!("/vessel/1?span={span}")));
        let drawings = text.split("<svg class=\"chart").skip(1);
        let drawings: Vec<usize> = drawings
            .map(|d| d.split_once("</svg>").map_or(0, |(svg, _)| svg.len()))
            .collect();
        format!("{span}: page {} bytes, drawings {drawings:?}", text.len())
    });
    println!("{}", sizes.join("\n"));
    for path in ["curve.png", "read-out"] {
        let address = format!("/vessel/1/{path}?span=all");
        let size = runtime.block_on(bytes(&pages, &address)).len();
        println!("{path}: {size} bytes");
    }
    for (name, path) in [
        (
            "vessel page, a year of minute readings",
            "/vessel/1?span=all",
        ),
        (
            "vessel page, three days of minute readings",
            "/vessel/1?span=three-days",
        ),
        ("its fall per day, a year", "/vessel/1?span=all&view=fall"),
        (
            "its readings put right, a year",
            "/vessel/1?span=all&readings=put-right",
        ),
        ("its picture, a year", "/vessel/1/curve.png?span=all"),
        ("its read-out, a year", "/vessel/1/read-out?span=all"),
        ("cellar page", "/"),
    ] {
        c.bench_function(name, |b| {
            b.iter(|| black_box(runtime.block_on(bytes(&pages, path))));
        });
    }
}

async fn get(pages: &Router, path: &str) -> String {
    String::from_utf8_lossy(&bytes(pages, path).await).into_owned()
}

async fn bytes(pages: &Router, path: &str) -> Vec<u8> {
    let request = Request::get(path)
        .body(Body::empty())
        .expect("the address is sound");
    let answer = pages
        .clone()
        .oneshot(request)
        .await
        .expect("pages always answer");
    assert!(answer.status().is_success(), "{path}: {}", answer.status());
    let body = to_bytes(answer.into_body(), 16 << 20)
        .await
        .expect("a body");
    body.to_vec()
}

async fn cellar() -> (Router, TempDir) {
    let folder = tempfile::tempdir().expect("a folder");
    let (writer, reader) =
        ebbmark_store::open(&folder.path().join("bench.db"), Options::default()).expect("a store");
    fill(&writer).await;
    // As the daemon does after each commit: otherwise every page would roll the hours itself.
    for save in ebbmark_store::hours::roll_stale(&reader, Moment(i64::MAX)).expect("stale hours") {
        writer.command(save).await.expect("hours are saved");
    }
    let pages = over::pages(reader, writer, NOW);
    (pages, folder)
}

async fn fill(writer: &Writer) {
    let facts = VesselFacts {
        name: "Invented".to_owned(),
        capacity: None,
        temperature_low: None,
        temperature_high: None,
        tare: None,
        place: String::new(),
    };
    let made = writer
        .command(Command::AddVessel(facts))
        .await
        .expect("a vessel");
    let Done::Vessel(vessel) = made else {
        panic!("{made:?}");
    };
    let facts = BatchFacts {
        name: "Invented".to_owned(),
        started: NOW - Span::days(DAYS),
        original_gravity: None,
        expected_final: None,
        tolerance: None,
        volume: None,
        yeast: String::new(),
        honey: String::new(),
        note: String::new(),
        origin: None,
    };
    writer
        .command(Command::StartBatch { vessel, facts })
        .await
        .expect("a mead");
    for day in 0..DAYS {
        let start = NOW - Span::days(DAYS - day);
        let rows = (0..24 * 60).map(|minute| {
            let days = day as f64 + f64::from(minute) / 1440.0;
            let stir = f64::from(minute * 7919 % 101) / 101.0 - 0.5;
            ImportRow {
                at: start + Span::minutes(i64::from(minute)),
                gravity: Some(Gravity::computed(
                    1.0 + 0.1 * (-days / 12.0).exp() + 0.002 * stir,
                )),
                temperature: Some(Celsius::computed(18.0 + (days * 6.3).sin() + 0.3 * stir)),
            }
        });
        let rows = rows.collect();
        writer
            .command(Command::Import { vessel, rows })
            .await
            .expect("readings");
    }
}

criterion_group!(benches, page);
criterion_main!(benches);
