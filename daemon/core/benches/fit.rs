//! How long a fit takes. Beside scipy on the same series, from the root of the repository:
//!
//! `python3 tests/oracles/scipy_robust_fit.py && cargo bench -p ebbmark-core --bench fit -- robust`

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use ebbmark_core::fit::curve::Logistic;
use ebbmark_core::fit::solve::{Loss, Problem, Readings, solve};
use ebbmark_core::fit::{Point, Prior, fit};

fn series() -> (Vec<f64>, Vec<f64>) {
    include_str!("../tests/data/robust/logistic_5700.csv")
        .lines()
        .skip(1)
        .filter_map(|l| l.split_once(','))
        .filter_map(|(t, g)| Some((t.parse::<f64>().ok()?, g.parse::<f64>().ok()?)))
        .unzip()
}

fn robust(c: &mut Criterion) {
    let (x, y) = series();
    // scipy's start (final 1.000, drop 0.09, rate 0.2, midpoint 12) in our parameters.
    let u = 0.2 * 12.0_f64;
    let start = [1.0 + 0.09 / (1.0 + (-u).exp()), 1.0, 0.2_f64.ln(), u];
    let problem = Problem {
        model: &Logistic,
        readings: Readings {
            x: &x,
            y: &y,
            weight: &[],
        },
        prior: [None; 4],
        loss: Loss::StudentT {
            nu: 4.0,
            scale: 0.0016 / 2.0,
        },
        share: 1.0,
    };
    c.bench_function("robust logistic, 5700 readings", |b| {
        b.iter(|| solve(black_box(&problem), black_box(start)));
    });
}

fn whole(c: &mut Criterion) {
    let (x, y) = series();
    let every = |step: usize| -> Vec<Point> {
        let both = x.iter().zip(&y).step_by(step);
        both.map(|(days, gravity)| Point {
            days: *days,
            gravity: *gravity,
            sd: 0.001,
        })
        .collect()
    };
    let prior = Prior::from_original(1.104);
    for (name, points) in [
        ("60 readings", every(95)),
        ("600 readings", every(10)),
        ("1900 readings", every(3)),
    ] {
        c.bench_function(&format!("whole fit, {name}"), |b| {
            b.iter(|| fit(black_box(&points), black_box(&prior)));
        });
    }
    if let Ok(fitted) = fit(&every(10), &prior) {
        c.bench_function("band at 200 times", |b| {
            b.iter(|| {
                (0..200)
                    .map(|i| fitted.at(f64::from(i) * 0.5).mid)
                    .sum::<f64>()
            });
        });
    }
}

criterion_group!(benches, robust, whole);
criterion_main!(benches);
