//! Reviews of simulated fermentations: a faulty float against the model's own curve.

use ebbmark_core::deed::Deed;
use ebbmark_core::hours::{HOUR_MS, Hour, hour_index, roll};
use ebbmark_core::review::{Course, Ledger, Review, Told, review};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::Gravity;
use ebbmark_demo_feeds::float::Faults;
use ebbmark_demo_feeds::kinds::{Kind, Series, Wanted, series};

const DAYS: f64 = 60.0;

fn start() -> Moment {
    Moment::parse_rfc3339("2026-01-01T00:00:00Z").expect("a valid instant")
}

fn made(kind: Kind, faults: Faults, seed: u64) -> Series {
    series(&Wanted {
        kind,
        faults,
        seed,
        start: start(),
        days: DAYS,
        every: Span::minutes(15),
    })
}

fn hours(series: &Series) -> Vec<Hour> {
    let groups = series
        .rows
        .chunk_by(|a, b| hour_index(a.at) == hour_index(b.at));
    groups
        .filter_map(|rows| {
            let index = rows[0].at.0.div_euclid(HOUR_MS);
            let read = rows
                .iter()
                .map(|r| (r.at, Some(r.gravity), Some(r.temperature)));
            roll(index, &read.collect::<Vec<_>>())
        })
        .collect()
}

fn reviewed(series: &Series) -> Review {
    let deeds: Vec<Deed> = series
        .events
        .iter()
        .map(|e| Deed {
            gravity: e.gravity.and_then(|g| Gravity::new(g).ok()),
            ..Deed::new(e.at, e.what)
        })
        .collect();
    let hours = hours(series);
    let told = Told {
        hours: &hours,
        deeds: &deeds,
        started: start(),
        original: None,
        ended: Some(start() + Span::from_days(DAYS)),
        now: start() + Span::from_days(DAYS),
    };
    let course = Course::of(&told);
    review(&told, course.as_ref(), &Ledger::default())
}

fn days(span: Option<Span>) -> f64 {
    span.map_or(f64::NAN, Span::as_days)
}

/// A float's noise, spikes, bubbles and drift move a review by so little. How little is enough is
/// chosen here.
#[test]
fn a_faulty_float_tells_nearly_what_the_model_does() {
    for kind in Kind::ALL {
        let truth = reviewed(&made(kind, Faults::NONE, 1));
        for seed in 1..=8 {
            let seen = reviewed(&made(kind, Faults::ORDINARY, seed));
            let near = |what: &str, of: &dyn Fn(&Review) -> f64, by: f64| {
                let (a, b) = (of(&seen), of(&truth));
                assert!((a - b).abs() <= by, "{kind:?} {seed}, {what}: {a}, not {b}");
            };
            near("lag", &|r| days(r.lag), 0.25);
            near("half", &|r| days(r.half), 0.25);
            // It lay still near nine tenths.
            if kind != Kind::Repitched {
                let late = 0.25_f64.max(0.03 * days(truth.ninety));
                near("ninety", &|r| days(r.ninety), late);
            }
            let late = 0.08 * days(truth.ninety_nine);
            near("ninety-nine", &|r| days(r.ninety_nine), late);
            near("fall", &|r| r.fall.unwrap_or(f64::NAN), 0.002);
            let steepest = |r: &Review| r.steepest.map_or(f64::NAN, |s| s.a_day);
            near("steepest", &steepest, 0.15 * steepest(&truth));
            assert_eq!(
                seen.stood_still.len(),
                truth.stood_still.len(),
                "{kind:?} {seed}: {:?}",
                seen.stood_still
            );
            for (a, b) in seen.stood_still.iter().zip(&truth.stood_still) {
                let apart = [
                    a.from.since(b.from),
                    a.until.unwrap_or(a.from).since(b.until.unwrap_or(b.from)),
                ];
                assert!(
                    apart.iter().all(|s| s.as_days().abs() < 1.0),
                    "{kind:?} {seed}: {a:?}, not {b:?}"
                );
            }
        }
    }
}

#[test]
fn which_meads_stood_still() {
    let stood = |kind| reviewed(&made(kind, Faults::ORDINARY, 1)).stood_still.len();
    assert_eq!(stood(Kind::ColdStallRecovered), 1);
    assert_eq!(stood(Kind::Repitched), 1);
    for kind in [
        Kind::Dry,
        Kind::SlowTail,
        Kind::Starved,
        Kind::Sluggish,
        Kind::Fruit,
        Kind::Sweetened,
        Kind::Refermenting,
    ] {
        assert_eq!(stood(kind), 0, "{kind:?}");
    }
}
