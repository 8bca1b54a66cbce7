//! The curves and the solver against scipy, on measured fermentations and on one long series.
//!
//! Sources of the measurements: the heads of `data/series/*.csv` (Stellenbosch University, MIT;
//! Valle et al. 2024, BSD-2-Clause). Sources of the optima: `tests/oracles/series_scipy.py` and
//! `tests/oracles/scipy_robust_fit.py`, which wrote the JSON files beside the data.

use ebbmark_core::fit::curve::{Asymmetric, Gompertz, Logistic};
use ebbmark_core::fit::solve::{
    Gaussian, Loss, Model, Problem, Readings, Solution, solve, solve_hard, solve_with_scale,
};
use serde::Deserialize;

#[derive(Deserialize)]
struct Optima {
    series: Vec<Series>,
}

#[derive(Deserialize)]
struct Series {
    name: String,
    days: Vec<f64>,
    g_per_l: Vec<f64>,
    logistic: Optimum,
    asymmetric: Optimum,
    gompertz: Optimum,
}

#[derive(Deserialize)]
struct Optimum {
    params: Vec<f64>,
    sum_of_squares: f64,
    residual_sd: f64,
}

fn data(path: &str) -> String {
    let path = format!("{}/tests/data/{path}", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(&path).expect("the data file is part of the repository")
}

fn series() -> Vec<Series> {
    let optima: Optima =
        serde_json::from_str(&data("series/optima_scipy.json")).expect("as written");
    assert_eq!(optima.series.len(), 7);
    optima.series
}

/// Unweighted least squares, g/L straight in, the best of four starts.
fn least_squares<M: Model<P>, const P: usize>(
    model: &M,
    series: &Series,
    prior: [Option<Gaussian>; P],
    rest: impl Fn(f64) -> [f64; P],
) -> Solution<P> {
    let problem = Problem {
        model,
        readings: Readings {
            x: &series.days,
            y: &series.g_per_l,
            weight: &[],
        },
        prior,
        loss: Loss::Squares,
        share: 1.0,
    };
    let ends = [0.5, 1.0, 2.0, 5.0].map(|rate| solve_hard(&problem, rest(rate)));
    let found = ends
        .into_iter()
        .flatten()
        .min_by(|a, b| a.cost.total_cmp(&b.cost));
    found.unwrap_or_else(|| panic!("{}: no minimum from any start", series.name))
}

fn agree(name: &str, optimum: &Optimum, cost: f64, params: &[f64]) {
    let sum = 2.0 * cost;
    let off = (sum / optimum.sum_of_squares - 1.0).abs();
    assert!(
        off < 1e-8,
        "{name}: sum of squares {sum} for {}",
        optimum.sum_of_squares
    );
    assert_eq!(params.len(), optimum.params.len());
    for (ours, theirs) in params.iter().zip(&optimum.params) {
        // Near a minimum the parameters show only half the digits of the sum of squares.
        let off = (ours - theirs).abs() / theirs.abs().max(1.0);
        assert!(off < 2e-5, "{name}: {params:?} for {:?}", optimum.params);
    }
}

/// (original - last)/S(-u): the drop between the textbook curve's asymptotes.
fn drop_between_asymptotes(original: f64, last: f64, shape_at_zero: f64) -> f64 {
    (original - last) / shape_at_zero
}

#[test]
fn logistic_optima_are_scipys() {
    for s in series() {
        let (first, last) = (s.g_per_l[0], s.g_per_l[s.g_per_l.len() - 1]);
        let found = least_squares(&Logistic, &s, [None; 4], |k| [first, last, k.ln(), 2.0 * k]);
        let [original, last, ln_k, u] = found.params;
        let (k, s0) = (ln_k.exp(), 1.0 / (1.0 + (-u).exp()));
        let drop = drop_between_asymptotes(original, last, s0);
        agree(&s.name, &s.logistic, found.cost, &[last, drop, k, u / k]);
    }
}

#[test]
fn gompertz_optima_are_scipys() {
    for s in series() {
        let (first, last) = (s.g_per_l[0], s.g_per_l[s.g_per_l.len() - 1]);
        let found = least_squares(&Gompertz, &s, [None; 4], |k| [first, last, k.ln(), k]);
        let [original, last, ln_k, u] = found.params;
        let (k, s0) = (ln_k.exp(), 1.0 - (-u.exp()).exp());
        let drop = drop_between_asymptotes(original, last, s0);
        let mu = k * drop / std::f64::consts::E;
        agree(
            &s.name,
            &s.gompertz,
            found.cost,
            &[last, drop, mu, (u - 1.0) / k],
        );
    }
}

#[test]
fn asymmetric_optima_are_scipys() {
    for s in series() {
        let (first, last) = (s.g_per_l[0], s.g_per_l[s.g_per_l.len() - 1]);
        // Two of the series have no minimum in s: scipy stopped at its bound, so hold s there.
        let bound = s.asymmetric.params[4];
        let at_bound = (bound / 1e-4 - 1.0).abs() < 1e-3;
        let held = Gaussian {
            mean: bound.ln(),
            sd: 1e-9,
        };
        let prior = [None, None, None, None, at_bound.then_some(held)];
        let ln_s = if at_bound { bound.ln() } else { 0.3 };
        let found = least_squares(&Asymmetric, &s, prior, |k| {
            [first, last, k.ln(), 2.0 * k, ln_s]
        });
        let [original, last, ln_k, u, ln_s] = found.params;
        let (k, shape) = (ln_k.exp(), ln_s.exp());
        let s0 = (1.0 + shape * (-u).exp()).powf(-1.0 / shape);
        let drop = drop_between_asymptotes(original, last, s0);
        agree(
            &s.name,
            &s.asymmetric,
            found.cost,
            &[last, drop, k, u / k, shape],
        );
    }
}

/// Residual sds found once before, independently, by an unweighted multi-start fit of the same files.
#[test]
fn residual_sds_are_as_tabled() {
    let tabled = [
        ("agave 1", ["1.23", "1.32", "2.87"]),
        ("agave 2", ["1.95", "2.07", "2.31"]),
        ("agave 3", ["1.04", "1.13", "1.26"]),
        ("C_17L_A", ["8.26", "6.49", "5.54"]),
        ("C_Fresh_A", ["4.62", "1.34", "7.59"]),
        ("C_Frozen_A", ["8.16", "7.37", "6.21"]),
        ("S_17L_A", ["6.99", "4.70", "8.65"]),
    ];
    for (s, (name, sds)) in series().iter().zip(tabled) {
        assert_eq!(s.name, name);
        let found = [&s.logistic, &s.asymmetric, &s.gompertz].map(|o| o.residual_sd);
        for (sd, text) in found.iter().zip(sds) {
            let printed: f64 = text.parse().expect("a number");
            // Half a unit of the last printed digit, and a hair for a tie.
            assert!((sd - printed).abs() < 0.0051, "{name}: {sd} for {text}");
        }
    }
}

#[derive(Deserialize)]
struct Robust {
    f_scale: f64,
    start: [f64; 4],
    final_gravity_drop_rate_midpoint: [f64; 4],
    cost: f64,
}

fn long_series() -> (Vec<f64>, Vec<f64>) {
    let text = data("robust/logistic_5700.csv");
    let rows = text.lines().skip(1).filter_map(|l| l.split_once(','));
    let (days, gravity): (Vec<f64>, Vec<f64>) = rows
        .map(|(t, g)| {
            (
                t.parse::<f64>().expect("a number"),
                g.parse::<f64>().expect("a number"),
            )
        })
        .unzip();
    assert_eq!(days.len(), 5700);
    (days, gravity)
}

#[test]
fn the_robust_optimum_is_scipys_cauchy_optimum() {
    let expected: Robust =
        serde_json::from_str(&data("robust/logistic_5700_scipy.json")).expect("as written");
    let (x, y) = long_series();
    let [last, drop, rate, mid] = expected.start;
    let u = rate * mid;
    let start = [last + drop / (1.0 + (-u).exp()), last, rate.ln(), u];
    // The same C² = ν·s², with three different ν.
    for nu in [1.0, 4.0, 9.0_f64] {
        let problem = Problem {
            model: &Logistic,
            readings: Readings {
                x: &x,
                y: &y,
                weight: &[],
            },
            prior: [None; 4],
            loss: Loss::StudentT {
                nu,
                scale: expected.f_scale / nu.sqrt(),
            },
            share: 1.0,
        };
        let found = solve(&problem, start).expect("a minimum");
        let cost = found.cost * expected.f_scale.powi(2) / (nu + 1.0);
        assert!(
            (cost / expected.cost - 1.0).abs() < 1e-9,
            "{cost} for {}",
            expected.cost
        );
        let [original, last, ln_k, u] = found.params;
        let (k, s0) = (ln_k.exp(), 1.0 / (1.0 + (-u).exp()));
        let ours = [last, drop_between_asymptotes(original, last, s0), k, u / k];
        for (ours, theirs) in ours.iter().zip(expected.final_gravity_drop_rate_midpoint) {
            assert!((ours / theirs - 1.0).abs() < 1e-6, "{ours} for {theirs}");
        }
    }
}

/// The series was made with AR(1) noise of sd 0.0008/√(1 - 0.36) = 0.001 and one spike in fifty.
#[test]
fn the_scale_of_the_noise_is_found_along() {
    let (x, y) = long_series();
    let problem = Problem {
        model: &Logistic,
        readings: Readings {
            x: &x,
            y: &y,
            weight: &[],
        },
        prior: [None; 4],
        loss: Loss::Squares,
        share: 1.0,
    };
    let start = [1.1, 1.0, -1.5, 3.0];
    let (found, scale) = solve_with_scale(&problem, start, 4.0, 0.01, 1e-5).expect("a minimum");
    assert!((scale / 0.001 - 1.0).abs() < 0.05, "{scale}");
    assert!((found.params[1] - 1.004).abs() < 2e-4, "{:?}", found.params);
}
