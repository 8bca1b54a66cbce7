//! A float that sends one value over and over.

use ebbmark_core::hours::{Hour, HourTemperature};
use ebbmark_core::instrument::examine;
use ebbmark_core::time::Moment;

use crate::float::{Float, START, at, ferment};

fn still(hours: &[Hour]) -> Option<Moment> {
    examine(hours, &[], &[], START, at(365.0)).still_since
}

/// Every reading from the hour of `day` on is the last one before.
fn freeze(hours: &mut [Hour], day: f64) {
    let begin = hours.partition_point(|h| h.gravity.is_some_and(|g| g.at < at(day)));
    let value = hours[begin - 1]
        .gravity
        .expect("every hour has gravity")
        .median;
    for g in hours[begin..].iter_mut().filter_map(|h| h.gravity.as_mut()) {
        (g.median, g.min, g.max) = (value, value, value);
    }
}

#[test]
fn a_fine_float_that_freezes_is_told_in_hours() {
    let mut hours = Float::default().hours(12.0, ferment(5.0, 0.01), |_| 0.0);
    assert_eq!(still(&hours), None);
    freeze(&mut hours, 10.0);
    let since = still(&hours).unwrap();
    assert!(since.since(at(10.0)).as_hours().abs() < 1.0);
    let day = 24 * 10;
    assert_eq!(still(&hours[..day + 4]), None);
    assert!(still(&hours[..day + 9]).is_some());
}

#[test]
fn one_that_comes_back_to_life_is_not_still() {
    let mut hours = Float::default().hours(14.0, ferment(5.0, 0.01), |_| 0.0);
    freeze(&mut hours[..24 * 12], 10.0);
    assert_eq!(still(&hours), None);
    assert!(still(&hours[..24 * 12]).is_some());
}

#[test]
fn a_coarse_float_in_a_mead_that_stands_is_not_still() {
    for seed in 0..40 {
        for (white, slow) in [(0.0004, 0.0002), (0.0002, 0.0002), (0.0006, 0.0004)] {
            for minutes in [15, 60] {
                let float = Float {
                    seed,
                    minutes,
                    rounding: 0.001,
                    white,
                    slow: (slow, 0.25),
                    ..Float::default()
                };
                let hours = float.hours(45.0, ferment(5.0, 0.012), |_| 0.0);
                for end in [15, 20, 25, 30, 45] {
                    let seen = hours
                        .partition_point(|h| h.gravity.is_some_and(|g| g.at < at(f64::from(end))));
                    assert_eq!(
                        still(&hours[..seen]),
                        None,
                        "{seed} {white} {minutes} {end}"
                    );
                }
            }
        }
    }
}

#[test]
fn a_coarse_float_that_freezes_is_told_sooner_when_the_temperature_moves() {
    let float = Float {
        rounding: 0.001,
        white: 0.0007,
        ..Float::default()
    };
    let mut hours = float.hours(25.0, ferment(5.0, 0.012), |_| 0.0);
    freeze(&mut hours, 15.0);
    let told = |hours: &[Hour]| {
        (24 * 15..hours.len())
            .find(|end| still(&hours[..*end]).is_some())
            .map(|end| end - 24 * 15)
            .unwrap()
    };
    let calm = told(&hours);
    for (i, h) in hours.iter_mut().enumerate() {
        let t = 18.0 + (i as f64 / 4.0).sin();
        h.temperature = Some(HourTemperature {
            median: t,
            min: t,
            max: t,
        });
    }
    let moved = told(&hours);
    assert!(moved < calm && calm <= 72, "{moved} and {calm} hours");
}

#[test]
fn without_an_earlier_scatter_nothing_is_said() {
    let mut hours = Float::default().hours(12.0, |_| 1.010, |_| 0.0);
    freeze(&mut hours, 0.05);
    assert_eq!(still(&hours), None);
    assert_eq!(still(&[]), None);
}
