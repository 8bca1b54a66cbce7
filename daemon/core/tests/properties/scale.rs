//! A ferment that takes twice as long falls half as fast.
//!
//! What scales is what knows no clock of its own: the straight line and its error, if what the float
//! drifts in a day is scaled along, and the curves, if the belief in their pace is. The verdict as a
//! whole does not, and must not: a float drifts by the day, day and night come by the day, and the
//! grid of time constants of the tail is in days.

use ebbmark_core::fit::{Fitted, Gaussian, Point, Prior, Shapes, fit_with};
use ebbmark_core::verdict::slope::{Sample, slope};
use proptest::prelude::*;

use crate::made::{Ferment, Noise, cases, ferment};

fn samples(f: &Ferment, scale: f64) -> Vec<Sample> {
    let mut noise = Noise(f.seed);
    let sample = |i: usize| {
        let d = i as f64 / 24.0;
        Sample {
            days: scale * d,
            gravity: f.gravity(d) + 0.0004 * noise.next(),
            weight: 2.0,
            celsius: 20.0 + 0.4 * noise.next(),
        }
    };
    (0..=96).map(sample).collect()
}

fn curves(f: &Ferment, until: f64, scale: f64) -> Fitted {
    let mut noise = Noise(f.seed);
    let point = |i: usize| {
        let d = until * i as f64 / 150.0;
        Point {
            days: scale * d,
            gravity: f.gravity(d) + 0.0004 * noise.next(),
            sd: 0.0006,
        }
    };
    let points: Vec<Point> = (0..=150).map(point).collect();
    let prior = Prior::from_original(1.090);
    let slower = Gaussian {
        mean: prior.ln_rate.mean - scale.ln(),
        ..prior.ln_rate
    };
    let prior = Prior {
        ln_rate: slower,
        ..prior
    };
    fit_with(&points, &prior, &Shapes::broad(slower)).expect("a curve")
}

fn near(a: f64, b: f64, share: f64) -> bool {
    (a - b).abs() <= share * a.abs().max(b.abs())
}

proptest! {
    #![proptest_config(cases(24))]

    #[test]
    fn the_line_scales(f in ferment(), scale in 0.1..10.0f64) {
        let (a, b) = (slope(&samples(&f, 1.0), 1e-4, 8e-5), slope(&samples(&f, scale), 1e-4, 8e-5 / scale));
        let (a, b) = (a.expect("a line"), b.expect("a line"));
        prop_assert!(near(a.fall, scale * b.fall, 1e-9), "{a:?} {b:?}");
        prop_assert!(near(a.sd, scale * b.sd, 1e-9), "{a:?} {b:?}");
        prop_assert!(near(a.level, b.level, 1e-12) && near(scale * a.span, b.span, 1e-12));
    }

    #[test]
    fn the_curves_scale(f in ferment(), until in 3.0..14.0f64, scale in 0.1..10.0f64) {
        let (a, b) = (curves(&f, until, 1.0), curves(&f, until, scale));
        let (ends, ending) = (a.final_gravity(), b.final_gravity());
        prop_assert!(near(ends.mid, ending.mid, 1e-5) && near(ends.high, ending.high, 1e-5), "{ends:?} {ending:?}");
        let (one, other) = (a.rate_at(until), b.rate_at(scale * until));
        prop_assert!(near(one.mid, scale * other.mid, 1e-2), "{one:?} {other:?}");
        let (one, other) = (a.steepest().0, b.steepest().0);
        prop_assert!(near(scale * one.mid, other.mid, 1e-2), "{one:?} {other:?}");
    }
}
