//! The solver against certified values: NIST Statistical Reference Datasets, nonlinear regression.
//!
//! Source of every number: the .dat files in `data/nist_strd` (see the README there), which
//! carry the certified parameters, their standard deviations and the residual sum of squares.
//! Demanded from both starting points of each file: six digits in every parameter and in the sum
//! of squares, four in the standard deviations (log relative error, NIST's own measure).

use ebbmark_core::fit::solve::{Loss, Model, Problem, Readings, solve_hard};

struct DataSet {
    starts: [Vec<f64>; 2],
    params: Vec<f64>,
    sds: Vec<f64>,
    rss: f64,
    x: Vec<f64>,
    y: Vec<f64>,
}

fn numbers(line: &str) -> Vec<f64> {
    line.split_whitespace()
        .filter_map(|w| w.parse().ok())
        .collect()
}

fn read(name: &str) -> DataSet {
    let path = format!(
        "{}/tests/data/nist_strd/{name}.dat",
        env!("CARGO_MANIFEST_DIR")
    );
    let text = std::fs::read_to_string(&path).expect("the data file is part of the repository");
    let rows: Vec<Vec<f64>> = text
        .lines()
        .filter_map(|l| l.trim_start().strip_prefix('b')?.split_once('='))
        .map(|(_, rest)| numbers(rest))
        .filter(|row| row.len() == 4)
        .collect();
    let column = |i: usize| rows.iter().map(|r| r[i]).collect::<Vec<_>>();
    let rss = text
        .lines()
        .find_map(|l| l.trim().strip_prefix("Residual Sum of Squares:"))
        .expect("every file certifies its sum of squares");
    let data: Vec<Vec<f64>> = text
        .lines()
        .skip_while(|l| !(l.starts_with("Data:") && l.contains('y') && l.trim_end().ends_with('x')))
        .skip(1)
        .map(numbers)
        .filter(|r| r.len() == 2)
        .collect();
    let set = DataSet {
        starts: [column(0), column(1)],
        params: column(2),
        sds: column(3),
        rss: rss.trim().parse().expect("a number"),
        x: data.iter().map(|r| r[1]).collect(),
        y: data.iter().map(|r| r[0]).collect(),
    };
    let counted = text
        .lines()
        .find_map(|l| l.trim().strip_prefix("Number of Observations:"))
        .and_then(|n| n.trim().parse::<usize>().ok());
    assert_eq!(counted, Some(set.x.len()), "{name}: all observations read");
    set
}

/// A model as a plain function of parameters and x.
struct Certified<const P: usize>(fn(&[f64; P], f64) -> (f64, [f64; P]));

impl<const P: usize> Model<P> for Certified<P> {
    fn at(&self, p: &[f64; P]) -> impl Fn(f64) -> (f64, [f64; P]) {
        let (f, p) = (self.0, *p);
        move |x| f(&p, x)
    }
}

fn digits(got: f64, certified: f64) -> f64 {
    -((got - certified) / certified).abs().max(1e-16).log10()
}

fn certify<const P: usize>(name: &str, model: fn(&[f64; P], f64) -> (f64, [f64; P])) {
    let set = read(name);
    for (i, start) in set.starts.iter().enumerate() {
        let problem = Problem {
            model: &Certified(model),
            readings: Readings {
                x: &set.x,
                y: &set.y,
                weight: &[],
            },
            prior: [None; P],
            loss: Loss::Squares,
            share: 1.0,
        };
        let start: [f64; P] = start
            .as_slice()
            .try_into()
            .expect("as many starts as parameters");
        let found = match solve_hard(&problem, start) {
            Ok(found) => found,
            Err(why) => panic!("{name} from start {}: {why}", i + 1),
        };
        let rss = 2.0 * found.cost;
        let residual_sd = found
            .residual_sd
            .expect("more observations than parameters");
        println!("{name} start {}: {} passes", i + 1, found.iterations);
        assert!(
            digits(rss, set.rss) >= 6.0,
            "{name} {}: sum of squares {rss} for {}",
            i + 1,
            set.rss
        );
        for j in 0..P {
            let (p, sd) = (
                found.params[j],
                residual_sd * found.covariance[(j, j)].sqrt(),
            );
            println!(
                "  b{}: {:.1} digits, sd {:.1}",
                j + 1,
                digits(p, set.params[j]),
                digits(sd, set.sds[j])
            );
            assert!(
                digits(p, set.params[j]) >= 6.0,
                "{name} {}: b{} {p} for {}",
                i + 1,
                j + 1,
                set.params[j]
            );
            assert!(
                digits(sd, set.sds[j]) >= 4.0,
                "{name} {}: sd of b{} {sd} for {}",
                i + 1,
                j + 1,
                set.sds[j]
            );
        }
    }
}

#[test]
fn rat42() {
    certify("Rat42", |&[a, b, c], x| {
        let e = (b - c * x).exp();
        let s = 1.0 / (1.0 + e);
        (a * s, [s, -a * s * s * e, a * s * s * e * x])
    });
}

#[test]
fn rat43() {
    certify("Rat43", |&[a, b, c, d], x| {
        let e = (b - c * x).exp();
        let s = (1.0 + e).powf(-1.0 / d);
        let slope = -a * s / d * e / (1.0 + e);
        (a * s, [s, slope, -slope * x, a * s * e.ln_1p() / (d * d)])
    });
}

#[test]
fn misra1a() {
    certify("Misra1a", rise);
}

#[test]
fn box_bod() {
    certify("BoxBOD", rise);
}

fn rise(&[a, b]: &[f64; 2], x: f64) -> (f64, [f64; 2]) {
    let e = (-b * x).exp();
    (a * (1.0 - e), [1.0 - e, a * x * e])
}

#[test]
fn mgh17() {
    certify("MGH17", |&[a, b, c, d, f], x| {
        let (u, v) = ((-x * d).exp(), (-x * f).exp());
        (a + b * u + c * v, [1.0, u, v, -b * x * u, -c * x * v])
    });
}

#[test]
fn bennett5() {
    certify("Bennett5", |&[a, b, c], x| {
        let s = (b + x).powf(-1.0 / c);
        (
            a * s,
            [s, -a * s / (c * (b + x)), a * s * (b + x).ln() / (c * c)],
        )
    });
}

#[test]
fn thurber() {
    certify("Thurber", |&[a, b, c, d, e, f, g], x| {
        let (x2, x3) = (x * x, x * x * x);
        let below = 1.0 + e * x + f * x2 + g * x3;
        let value = (a + b * x + c * x2 + d * x3) / below;
        let [p, q] = [1.0 / below, -value / below];
        (value, [p, p * x, p * x2, p * x3, q * x, q * x2, q * x3])
    });
}

#[test]
fn eckerle4() {
    certify("Eckerle4", |&[a, b, c], x| {
        let z = (x - c) / b;
        let s = (-0.5 * z * z).exp() / b;
        (a * s, [s, a * s * (z * z - 1.0) / b, a * s * z / b])
    });
}
