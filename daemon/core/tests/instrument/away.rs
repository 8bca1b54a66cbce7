//! The float out of the liquid.

use ebbmark_core::instrument::{Away, examine};
use ebbmark_core::time::Moment;

use crate::float::{Float, START, at, ferment};

fn away(fault: fn(f64) -> f64, deeds: &[Moment], until: f64) -> (Vec<Away>, usize) {
    let float = Float {
        fault,
        ..Float::default()
    };
    let hours = float.hours(until, ferment(5.0, 0.012), |_| 0.0);
    let found = examine(&hours, &[], deeds, START, at(until));
    (found.away, found.steps.len())
}

#[test]
fn an_outing_is_cut_out() {
    // Below any mead, and far above it.
    let faults: [fn(f64) -> f64; 2] = [
        |t| {
            if (20.02..20.4).contains(&t) {
                -0.045
            } else {
                0.0
            }
        },
        |t| {
            if (20.02..20.4).contains(&t) {
                0.12
            } else {
                0.0
            }
        },
    ];
    for fault in faults {
        let (found, steps) = away(fault, &[], 40.0);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(found[0].from <= at(20.05) && found[0].from > at(19.9));
        assert!(found[0].to >= at(20.37) && found[0].to < at(20.5));
        assert_eq!(steps, 0);
    }
}

#[test]
fn one_that_is_still_out_is_away_until_now() {
    let (found, _) = away(|t| if t > 20.0 { -0.05 } else { 0.0 }, &[], 26.0);
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].to, at(26.0));
}

#[test]
fn a_leap_that_stays_is_no_outing() {
    let leap: fn(f64) -> f64 = |t| if t > 20.0 { 0.06 } else { 0.0 };
    // Not yet known whether it will come back.
    assert_eq!(away(leap, &[], 21.0).0.len(), 1);
    assert_eq!(away(leap, &[], 30.0).0, []);
    // With a deed it was poured in.
    assert_eq!(away(leap, &[at(20.0)], 21.0).0, []);
}

#[test]
fn a_ferment_is_no_outing() {
    assert_eq!(away(|_| 0.0, &[], 40.0).0, []);
}

#[test]
fn a_float_that_reads_low_is_not_out() {
    // It ends at 0.972 with the mead at 1.010.
    let hours = Float::default().hours(40.0, ferment(5.0, 0.03), |_| -0.038);
    assert_eq!(examine(&hours, &[], &[], START, at(40.0)).away, []);
}
