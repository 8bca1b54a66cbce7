//! Reviews of real ferments against `tests/oracles/review_scipy.py`, which reckons them with numpy
//! and scipy from the same open series (source and licence at the head of their files).

use ebbmark_core::deed::{Deed, What};
use ebbmark_core::review::band::usual;
use ebbmark_core::review::{Course, Ledger, Pace, Review, Told, review};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::Gravity;
use serde::Deserialize;

const EXPECTED: &str = include_str!("data/series/review_scipy.json");
/// A moment is a whole millisecond: that is the difference there is.
const MILLISECOND: f64 = 2e-8;

#[derive(Deserialize)]
struct Expected {
    series: Vec<Series>,
    band: Band,
}

#[derive(Deserialize)]
struct Series {
    name: String,
    days: Vec<f64>,
    gravity: Vec<f64>,
    fall: f64,
    lag: f64,
    half: f64,
    ninety: f64,
    ninety_nine: f64,
    steepest: f64,
    hundredths: Vec<f64>,
}

/// Shares used by a day.
#[derive(Deserialize)]
struct Band {
    days: Vec<f64>,
    low: Vec<f64>,
    middle: Vec<f64>,
    high: Vec<f64>,
}

fn expected() -> Expected {
    serde_json::from_str(EXPECTED).expect("the oracle's file")
}

fn start() -> Moment {
    Moment::parse_rfc3339("2026-01-01T00:00:00Z").expect("a valid instant")
}

fn reviewed(series: &Series) -> (Review, Course) {
    let readings = series.days.iter().zip(&series.gravity);
    let deeds: Vec<Deed> = readings
        .map(|(day, gravity)| Deed {
            gravity: Some(Gravity::computed(*gravity)),
            ..Deed::new(start() + Span::from_days(*day), What::HandReading)
        })
        .collect();
    let last = deeds.last().map_or(start(), |d| d.at);
    let told = Told {
        hours: &[],
        deeds: &deeds,
        started: start(),
        original: None,
        ended: Some(last),
        now: last,
    };
    let course = Course::of(&told).expect("a fall");
    (review(&told, Some(&course), &Ledger::default()), course)
}

#[track_caller]
fn same(name: &str, ours: f64, theirs: f64, by: f64) {
    assert!(
        (ours - theirs).abs() <= by,
        "{name}: {ours} against {theirs}"
    );
}

#[test]
fn the_open_series_as_scipy_finds_them() {
    let expected = expected();
    assert_eq!(expected.series.len(), 9);
    for series in &expected.series {
        let (r, course) = reviewed(series);
        let name = &series.name;
        same(name, r.fall.expect("a fall"), series.fall, 1e-9);
        for (ours, theirs) in [
            (r.lag, series.lag),
            (r.half, series.half),
            (r.ninety, series.ninety),
            (r.ninety_nine, series.ninety_nine),
        ] {
            same(name, ours.expect("known").as_days(), theirs, MILLISECOND);
        }
        let steepest = r.steepest.expect("a slope").a_day;
        same(name, steepest, series.steepest, 1e-6);
        let pace = Pace::of(&course).expect("it is over");
        assert_eq!(pace.days().len(), series.hundredths.len());
        for (ours, theirs) in pace.days().iter().zip(&series.hundredths) {
            same(name, *ours, *theirs, MILLISECOND);
        }
    }
}

#[test]
fn the_band_of_six_wines_as_numpy_finds_it() {
    let Expected { series, band } = expected();
    let wines = series.iter().filter(|s| s.name.contains('_'));
    let paces: Vec<Pace> = wines
        .map(|s| Pace::of(&reviewed(s).1).expect("it is over"))
        .collect();
    let usual = usual(&paces).expect("six are enough");
    assert_eq!(usual.of, 6);
    let [xs, low, middle, high] = [
        |p: &ebbmark_core::review::band::Place| p.x,
        |p: &ebbmark_core::review::band::Place| p.low,
        |p: &ebbmark_core::review::band::Place| p.middle,
        |p: &ebbmark_core::review::band::Place| p.high,
    ]
    .map(|of| usual.by_time.iter().map(of).collect::<Vec<f64>>());
    for (i, day) in band.days.iter().enumerate() {
        // The band is given at so many places: between two of them it is a straight line.
        let after = xs.partition_point(|x| x < day);
        let (x0, x1) = (xs[after - 1], xs[after]);
        let at = |ys: &[f64]| ys[after - 1] + (ys[after] - ys[after - 1]) * (day - x0) / (x1 - x0);
        same("low", at(&low), band.low[i], 0.005);
        same("middle", at(&middle), band.middle[i], 0.005);
        same("high", at(&high), band.high[i], 0.005);
    }
}
