//! How long a verdict takes: the first on 60 days of readings every quarter of an hour, with its
//! curves fitted; the next one, an hour later, that goes on from it; and `replay` over a year of
//! minute readings, which rolls them and gives a verdict an hour.

use std::hint::black_box;

use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use ebbmark_core::deed::{Deed, What};
use ebbmark_core::files::Row;
use ebbmark_core::hours::{HOUR_MS, Hour, hour_index, roll};
use ebbmark_core::replay::{Known, replay};
use ebbmark_core::text::Style;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Celsius, Gravity, Preferences};
use ebbmark_core::verdict::{Assessor, Case};
use jiff::tz::TimeZone;

const START: Moment = Moment(1_790_000_000_000 / HOUR_MS * HOUR_MS);

/// An invented ferment of `days`, a reading every `minutes`.
fn rows(days: i64, minutes: i64) -> Vec<Row> {
    let per_day = 24 * 60 / minutes;
    let row = |n: i64| {
        let t = n as f64 / per_day as f64;
        let noise = 0.0004 * ((n * 7919 % 101) as f64 / 50.0 - 1.0);
        let gravity = 0.994 + 0.1 / (1.0 + (0.35 * (t - 9.0)).exp()) + noise;
        Row {
            at: START + Span::minutes(n * minutes),
            gravity: Gravity::new(gravity).ok(),
            temperature: Celsius::new(19.0 + (std::f64::consts::TAU * t).sin()).ok(),
        }
    };
    (0..days * per_day).map(row).collect()
}

fn hours(rows: &[Row]) -> Vec<Hour> {
    let hour = |rows: &[Row]| {
        let value = |r: &Row| {
            let gravity = r.gravity.map(Gravity::get);
            (r.at, gravity, r.temperature.map(Celsius::get))
        };
        let readings: Vec<_> = rows.iter().map(value).collect();
        roll(hour_index(rows.first()?.at), &readings)
    };
    rows.chunk_by(|a, b| hour_index(a.at) == hour_index(b.at))
        .filter_map(hour)
        .collect()
}

fn deeds() -> Vec<Deed> {
    let deed = |days: i64, what, gravity: f64| Deed {
        gravity: Gravity::new(gravity).ok(),
        ..Deed::new(START + Span::days(days), what)
    };
    vec![
        deed(0, What::Pitch, 1.090),
        deed(20, What::HandReading, 0.996),
        deed(40, What::HandReading, 0.994),
    ]
}

fn assess(c: &mut Criterion) {
    let zone = TimeZone::UTC;
    let style = Style {
        units: Preferences::default(),
        zone: &zone,
    };
    let deeds = deeds();
    let hours = hours(&rows(60, 15));
    let case = |hours: &'static [Hour]| Case {
        hours,
        deeds: &deeds,
        started: Some(START),
        original: Gravity::new(1.094).ok(),
        expected_final: None,
        tolerance: None,
        learned: None,
    };
    // Leaked once: a case borrows its hours for as long as the bench runs.
    let hours: &'static [Hour] = hours.leak();
    let (before, now) = (
        START + Span::days(60) - Span::hours(1),
        START + Span::days(60),
    );
    c.bench_function("60 days, the first verdict", |b| {
        b.iter(|| Assessor::default().assess(black_box(&case(hours)), now, &style));
    });
    c.bench_function("60 days, the next verdict", |b| {
        b.iter_batched(
            || {
                let mut assessor = Assessor::default();
                assessor.assess(&case(&hours[..hours.len() - 1]), before, &style);
                assessor
            },
            |mut assessor| assessor.assess(black_box(&case(hours)), now, &style),
            BatchSize::SmallInput,
        );
    });
    let mut group = c.benchmark_group("slow");
    group.sample_size(10);
    let year = rows(365, 1);
    let known = Known {
        original: Gravity::new(1.094).ok(),
        ..Known::default()
    };
    group.bench_function("replay of a year of minute readings", |b| {
        b.iter(|| replay(black_box(&year), &deeds, known));
    });
}

criterion_group!(benches, assess);
criterion_main!(benches);
