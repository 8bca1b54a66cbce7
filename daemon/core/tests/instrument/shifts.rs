//! Sudden shifts of the float, found and not found.

use ebbmark_core::hours::Hour;
use ebbmark_core::instrument::{Step, examine};
use ebbmark_core::time::Moment;

use crate::float::{Float, START, at, ferment};

fn steps(hours: &[Hour], deeds: &[Moment]) -> Vec<Step> {
    examine(hours, &[], deeds, START, at(365.0)).steps
}

fn shift(day: f64, size: f64) -> impl Fn(f64) -> f64 {
    move |t| if t < day { 0.0 } else { size }
}

/// Kinds of float that a cellar may hold.
fn kinds(seed: u64) -> [Float; 4] {
    let base = Float {
        seed,
        bubbles: 0.03,
        ..Float::default()
    };
    [
        base.clone(),
        Float {
            rounding: 0.001,
            ..base.clone()
        },
        Float {
            minutes: 60,
            spikes: 0.02,
            ..base.clone()
        },
        Float {
            minutes: 120,
            slow: (0.0006, 0.5),
            ..base
        },
    ]
}

#[test]
fn shifts_are_found_with_their_size() {
    let (mut found, mut asked, mut within, mut other) = (0, 0, 0, 0);
    for seed in 0..25 {
        for float in kinds(seed) {
            for size in [0.005, -0.008, 0.015] {
                let day = 20.0 + seed as f64 * 0.37;
                let hours = float.hours(45.0, ferment(5.0, 0.012), shift(day, size));
                asked += 1;
                for step in steps(&hours, &[]) {
                    if step.at.since(at(day)).as_hours().abs() > 4.1 {
                        other += 1;
                        continue;
                    }
                    found += 1;
                    assert!((step.size - size).abs() < 0.003, "{step:?} for {size}");
                    within += i32::from((step.size - size).abs() < 2.0 * step.sd);
                }
            }
        }
    }
    println!("{found} of {asked}, {within} within, {other} others");
    assert!(found <= asked && other * 100 <= asked, "{other} others");
    assert!(found * 100 >= asked * 93, "{found} of {asked}");
    assert!(within * 100 >= found * 90, "{within} of {found}");
}

#[test]
fn a_shift_while_it_ferments_is_found() {
    for size in [0.010, -0.012] {
        let float = Float {
            bubbles: 0.03,
            ..Float::default()
        };
        let hours = float.hours(30.0, ferment(6.0, 0.012), shift(7.0, size));
        let steps = steps(&hours, &[]);
        assert_eq!(steps.len(), 1, "{steps:?}");
        assert!((steps[0].size - size).abs() < 0.002, "{steps:?}");
    }
}

/// None of these is a shift: 1000 vessels of forty days.
#[test]
fn a_ferment_does_not_jump() {
    let mut false_shifts = Vec::new();
    let mut days = 0.0;
    for seed in 1_000..1_050 {
        let rough = Float {
            seed,
            bubbles: 0.15,
            slow: (0.0008, 0.1),
            ..Float::default()
        };
        for (kind, float) in kinds(seed).into_iter().chain([rough]).enumerate() {
            for fastest in [0.003, 0.012, 0.03, 0.045] {
                let hours = float.hours(40.0, ferment(3.0, fastest), |_| 0.0);
                days += 40.0;
                for s in steps(&hours, &[]) {
                    false_shifts.push((kind, fastest, seed, s));
                }
            }
        }
    }
    println!("{} in {days} days", false_shifts.len());
    // One in ten vessel-years, were all as rough as the last kind.
    let most = days / 3_650.0;
    assert!(
        false_shifts.len() as f64 <= most,
        "{} in {days} days: {false_shifts:#?}",
        false_shifts.len()
    );
}

#[test]
fn neither_spikes_nor_gaps_nor_short_excursions_are_shifts() {
    for seed in 0..40 {
        let float = Float {
            seed,
            minutes: 60,
            spikes: 0.05,
            bubbles: 0.03,
            // A day and a half at the fastest, and three hours.
            silent: vec![(4.0, 5.5), (8.0, 8.13)],
            ..Float::default()
        };
        let blip = |t: f64| {
            if (20.0..20.08).contains(&t) {
                0.02
            } else {
                0.0
            }
        };
        let hours = float.hours(30.0, ferment(5.0, 0.03), blip);
        assert_eq!(steps(&hours, &[]), [], "seed {seed}");
    }
}

#[test]
fn a_burst_over_half_a_day_is_no_shift() {
    // 0.012 within ten hours, flat before and after.
    let truth = |t: f64| 1.050 - 0.012 * ((t - 10.0) / 0.42).clamp(0.0, 1.0);
    for seed in 0..20 {
        let float = Float {
            seed,
            ..Float::default()
        };
        assert_eq!(steps(&float.hours(20.0, truth, |_| 0.0), &[]), []);
    }
}

#[test]
fn a_jump_at_a_deed_is_the_deed() {
    let float = Float::default();
    let truth = |t: f64| if t < 12.0 { 1.040 } else { 1.058 };
    let hours = float.hours(25.0, truth, |_| 0.0);
    assert_eq!(steps(&hours, &[]).len(), 1);
    assert_eq!(steps(&hours, &[at(3.0), at(11.9), at(20.0)]), []);
}

#[test]
fn a_shift_is_told_within_half_a_day() {
    let hours = Float::default().hours(20.5, |_| 1.010, shift(20.0, 0.006));
    assert_eq!(steps(&hours, &[]).len(), 1);
}

#[test]
fn odd_series_are_no_trouble() {
    assert_eq!(steps(&[], &[]), []);
    let hours = Float::default().hours(3.0, |_| 1.010, |_| 0.0);
    for n in 0..hours.len() {
        assert_eq!(steps(&hours[..n], &[]), []);
    }
    let mut broken = hours.clone();
    for h in broken.iter_mut().step_by(5) {
        h.gravity = h.gravity.map(|g| ebbmark_core::hours::HourGravity {
            median: f64::NAN,
            ..g
        });
    }
    assert_eq!(steps(&broken, &[]), []);
}

#[test]
fn the_same_on_every_reading_changes_nothing() {
    for float in kinds(4) {
        let as_it_is = float.hours(40.0, ferment(5.0, 0.012), shift(20.0, 0.007));
        let higher = float.hours(40.0, ferment(5.0, 0.012), |t| 0.016 + shift(20.0, 0.007)(t));
        let (one, other) = (steps(&as_it_is, &[]), steps(&higher, &[]));
        assert_eq!(one.len(), 1);
        assert_eq!(other.len(), 1);
        assert_eq!(one[0].at, other[0].at);
        assert!((one[0].size - other[0].size).abs() < 1e-9);
    }
}
