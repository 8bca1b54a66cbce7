//! Gravity from tilt. Source of the expected values: numpy 2.4.6 by `tests/oracles/tilt_polyfit.py`.

use ebbmark_core::instrument::tilt::{TiltError, fit, fit_degree};
use ebbmark_core::units::{Degrees, Gravity};
use serde::Deserialize;

#[derive(Deserialize)]
struct Expected {
    degrees: Vec<f64>,
    gravity: Vec<f64>,
    fits: Vec<Curve>,
}

#[derive(Deserialize)]
struct Curve {
    coefficients: Vec<f64>,
    residual_sd: f64,
    foretold_sd: f64,
}

fn pairs(of: &[(f64, f64)]) -> Vec<(Degrees, Gravity)> {
    of.iter()
        .map(|(a, g)| (Degrees::computed(*a), Gravity::computed(*g)))
        .collect()
}

fn near(ours: f64, theirs: f64, tolerance: f64) -> bool {
    (ours / theirs - 1.0).abs() < tolerance
}

#[test]
fn curves_are_numpys() {
    let path = format!(
        "{}/tests/data/tilt/polyfit_numpy.json",
        env!("CARGO_MANIFEST_DIR")
    );
    let expected: Expected = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    let both: Vec<(f64, f64)> = expected
        .degrees
        .iter()
        .copied()
        .zip(expected.gravity.iter().copied())
        .collect();
    let pairs = pairs(&both);
    for (degree, curve) in (1..).zip(&expected.fits) {
        let ours = fit_degree(&pairs, degree).unwrap();
        assert_eq!(ours.coefficients.len(), degree + 1);
        for (c, e) in ours.coefficients.iter().zip(&curve.coefficients) {
            assert!(near(*c, *e, 1e-9), "degree {degree}: {c} for {e}");
        }
        assert!(near(ours.residual_sd, curve.residual_sd, 1e-8));
        assert!(near(ours.foretold_sd, curve.foretold_sd, 1e-8));
    }
    let best = fit(&pairs).unwrap();
    let least = expected
        .fits
        .iter()
        .map(|f| f.foretold_sd)
        .fold(f64::INFINITY, f64::min);
    assert!(best.foretold_sd <= least / 0.9);
    assert_eq!(best.range, (pairs[0].0, pairs[8].0));
    // The polynomial as the feed's map evaluates it.
    for ((a, g), r) in pairs.iter().zip(&best.residuals) {
        let sg = best
            .coefficients
            .iter()
            .rev()
            .fold(0.0, |sum, c| sum * a.get() + c);
        assert!((g.get() - sg - r).abs() < 1e-12);
    }
}

#[test]
fn a_line_stays_a_line() {
    let line = |a: f64| 0.94 + 0.0022 * a;
    let off = [0.0004, -0.0005, 0.0002, 0.0005, -0.0006, 0.0001, -0.0001];
    let made: Vec<(f64, f64)> = (0..7)
        .map(|i| 26.0 + 6.0 * f64::from(i))
        .zip(off)
        .map(|(a, e)| (a, line(a) + e))
        .collect();
    assert_eq!(fit(&pairs(&made)).unwrap().coefficients.len(), 2);
}

#[test]
fn what_cannot_be_a_curve_is_refused() {
    let two = pairs(&[(30.0, 1.010), (60.0, 1.080)]);
    assert_eq!(
        fit(&two),
        Err(TiltError::TooFew {
            have: 2,
            need: 3,
            degree: 1
        })
    );
    assert_eq!(
        fit(&[]).unwrap_err().to_string(),
        "0 paired readings are too few for a curve of degree 1; it takes 3"
    );
    let close = pairs(&[(30.0, 1.010), (31.0, 1.012), (32.0, 1.014)]);
    assert!(matches!(fit(&close), Err(TiltError::TooClose { .. })));
    // Two angles only: enough for a line, too few for a parabola.
    let two_angles = pairs(&[
        (30.0, 1.010),
        (30.0, 1.011),
        (60.0, 1.080),
        (60.0, 1.081),
        (60.0, 1.080),
    ]);
    assert!(matches!(
        fit_degree(&two_angles, 2),
        Err(TiltError::TooClose { .. })
    ));
    assert_eq!(fit(&two_angles).unwrap().coefficients.len(), 2);
    // Up and down again.
    let turning: Vec<(f64, f64)> = (0..7)
        .map(|i| 30.0 + 5.0 * f64::from(i))
        .map(|a| (a, 1.090 - 0.0002 * (a - 45.0) * (a - 45.0)))
        .collect();
    assert!(matches!(
        fit(&pairs(&turning)),
        Err(TiltError::NotMonotone { .. })
    ));
    assert!(matches!(
        fit_degree(&pairs(&turning), 4),
        Err(TiltError::Degree(4))
    ));
    // A level line tells nothing.
    let level = pairs(&[(30.0, 1.010), (40.0, 1.010), (60.0, 1.010)]);
    assert!(matches!(fit(&level), Err(TiltError::NotMonotone { .. })));
}
