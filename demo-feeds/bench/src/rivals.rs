//! What the verdict is measured against: the trade's rule, a plain slope, a single curve.

use ebbmark_core::deed::What;
use ebbmark_core::fit::curve::{Asymmetric, Curve, Gompertz, Logistic};
use ebbmark_core::fit::solve::{Gaussian, Loss, Model, Problem, Readings, Solution, solve};

use crate::run::{Quantiles, Run, START};

/// Standard normal at 5, 25, 50, 75, 95 % (tables).
const NORMAL: [f64; 5] = [-1.6449, -0.6745, 0.0, 0.6745, 1.6449];
/// Before gravity has come down by this much since the start no rule is asked.
const BEGUN: f64 = 0.005;
const SETTLED_WITHIN: f64 = 0.001;
/// Most points given to the curve.
const POINTS: usize = 250;
/// Hours ahead beyond which no forecast of the curve is let go: one that runs off would make the
/// verdict's look good.
const HORIZON: f64 = 90.0 * 24.0;

/// (hour, SG) since an hour up to another: hour medians of the float, or hand readings.
fn points(run: &Run, from: f64, to: f64) -> Vec<(f64, f64)> {
    let hour = |at: ebbmark_core::time::Moment| at.since(START).as_hours();
    let all: Vec<(f64, f64)> = if run.kind.by_hand() {
        run.deeds
            .iter()
            .filter(|d| d.what == What::HandReading)
            .filter_map(|d| d.gravity.map(|g| (hour(d.at), g.get())))
            .collect()
    } else {
        run.hours
            .iter()
            .filter_map(|h| h.gravity.map(|g| (hour(g.at), g.median)))
            .collect()
    };
    let first = all.partition_point(|p| p.0 < from);
    let last = all.partition_point(|p| p.0 <= to);
    all.get(first..last).unwrap_or(&[]).to_vec()
}

/// Hours at which each rule says "done": every day that it does.
pub struct Rules {
    pub trade: Vec<usize>,
    pub slope: Vec<usize>,
}

pub fn rules(run: &Run) -> Rules {
    let mut rules = Rules {
        trade: Vec::new(),
        slope: Vec::new(),
    };
    let all = points(run, 0.0, f64::INFINITY);
    let end = run.drawn.course.hours();
    let movers: Vec<f64> = run
        .drawn
        .course
        .acts
        .iter()
        .map(|a| a.hour as f64)
        .collect();
    for hour in (24..=end).step_by(24) {
        let now = hour as f64;
        let since = movers
            .iter()
            .rev()
            .find(|m| **m <= now)
            .copied()
            .unwrap_or(0.0);
        let known = &all[all.partition_point(|p| p.0 < since)..all.partition_point(|p| p.0 <= now)];
        let begun = known.last().is_some_and(|p| p.1 < run.original - BEGUN);
        if !begun {
            continue;
        }
        if trade(known, now, run.kind.by_hand()) {
            rules.trade.push(hour);
        }
        if slope(known, now, run.kind.by_hand()) {
            rules.slope.push(hour);
        }
    }
    rules
}

/// The same to 0.001 on three days running; with a hydrometer, three readings running.
fn trade(known: &[(f64, f64)], now: f64, by_hand: bool) -> bool {
    let daily: Vec<f64> = if by_hand {
        known.iter().rev().take(3).map(|p| p.1).collect()
    } else {
        (0..3)
            .filter_map(|days| {
                let at = now - 24.0 * f64::from(days);
                known
                    .iter()
                    .rev()
                    .find(|p| p.0 <= at && p.0 > at - 24.0)
                    .map(|p| p.1)
            })
            .collect()
    };
    let rounded: Vec<i64> = daily.iter().map(|g| (g * 1000.0).round() as i64).collect();
    rounded.len() == 3 && rounded.iter().all(|r| *r == rounded[0])
}

/// A line by least squares over three days (with a hydrometer, nine): less than 0.0005 a day, and
/// by the usual error not different from level.
fn slope(known: &[(f64, f64)], now: f64, by_hand: bool) -> bool {
    let days = if by_hand { 9.0 } else { 3.0 };
    let from = known.partition_point(|p| p.0 < now - 24.0 * days);
    let window = &known[from..];
    let n = window.len() as f64;
    let span = window
        .first()
        .zip(window.last())
        .map_or(0.0, |(a, b)| b.0 - a.0);
    if window.len() < 4 || span < 24.0 * days * 0.7 {
        return false;
    }
    let (mt, mg) = (
        window.iter().map(|p| p.0).sum::<f64>() / n,
        window.iter().map(|p| p.1).sum::<f64>() / n,
    );
    let sxx: f64 = window.iter().map(|p| (p.0 - mt).powi(2)).sum();
    let sxy: f64 = window.iter().map(|p| (p.0 - mt) * (p.1 - mg)).sum();
    let b = sxy / sxx;
    let sse: f64 = window
        .iter()
        .map(|p| (p.1 - mg - b * (p.0 - mt)).powi(2))
        .sum();
    let se = (sse / (n - 2.0) / sxx).sqrt();
    (b * 24.0).abs() < 0.0005 && b.abs() <= 1.96 * se
}

/// The best single curve: of three families the one with the least AIC, with Wald's intervals.
pub struct SingleCurve {
    /// Hours since the start of the run.
    pub settles: Quantiles,
    pub last: Quantiles,
}

pub fn single_curve(run: &Run, from: f64, now: f64) -> Option<SingleCurve> {
    let all = points(run, from, now);
    let every = all.len().div_ceil(POINTS).max(1);
    let (x, y): (Vec<f64>, Vec<f64>) = all
        .iter()
        .step_by(every)
        .map(|p| ((p.0 - from) / 24.0, p.1))
        .unzip();
    let start = y.first().copied()?;
    let lowest = y.iter().copied().fold(f64::INFINITY, f64::min);
    let fits = [
        best(
            &Logistic,
            &x,
            &y,
            start,
            lowest,
            [3.0, 2.0],
            Curve::logistic,
        ),
        best(
            &Gompertz,
            &x,
            &y,
            start,
            lowest,
            [1.5, 1.0],
            Curve::gompertz,
        ),
        best(
            &Asymmetric,
            &x,
            &y,
            start,
            lowest,
            [3.0, 2.0],
            Curve::asymmetric,
        ),
    ];
    let fit = fits
        .into_iter()
        .flatten()
        .min_by(|a, b| a.aic.total_cmp(&b.aic))?;
    let spread = |mid: f64, sd: f64| NORMAL.map(|z| mid + z * sd);
    let hours = |d: f64| (from + 24.0 * d).clamp(now, now + HORIZON);
    Some(SingleCurve {
        settles: spread(fit.settles, fit.settles_sd).map(hours),
        last: spread(fit.last, fit.last_sd).map(|g| g.clamp(0.95, start + 0.01)),
    })
}

struct Fit {
    aic: f64,
    last: f64,
    last_sd: f64,
    settles: f64,
    settles_sd: f64,
}

fn best<M: Model<P>, const P: usize>(
    model: &M,
    x: &[f64],
    y: &[f64],
    start: f64,
    lowest: f64,
    us: [f64; 2],
    curve: fn(&[f64; P]) -> Curve,
) -> Option<Fit> {
    // Only what keeps the solver from running off: nothing is known beforehand.
    let broad = |mean, sd| Some(Gaussian { mean, sd });
    let mut prior = [None; P];
    let wide = [
        broad(start, 0.05),
        broad(start - 0.1, 0.2),
        broad(-1.2, 3.0),
        broad(2.0, 10.0),
        broad(0.0, 3.0),
    ];
    for (p, w) in prior.iter_mut().zip(wide) {
        *p = w;
    }
    let weight = vec![1.0 / (0.0005f64 * 0.0005); x.len()];
    let problem = Problem {
        model,
        readings: Readings {
            x,
            y,
            weight: &weight,
        },
        prior,
        loss: Loss::Squares,
        share: 1.0,
    };
    let mut found: Option<Solution<P>> = None;
    for (end, ln_k, u) in [
        (lowest - 0.005, -1.0, us[0]),
        (start - 0.09, -1.0, us[0]),
        (lowest - 0.002, 0.0, us[1]),
        (lowest - 0.01, -2.0, us[1]),
    ] {
        let mut p = [0.0; P];
        for (slot, v) in p.iter_mut().zip([start, end, ln_k, u, 0.0]) {
            *slot = v;
        }
        if let Ok(s) = solve(&problem, p)
            && found.as_ref().is_none_or(|f| s.cost < f.cost)
        {
            found = Some(s);
        }
    }
    let s = found?;
    let sd = s.residual_sd?;
    let n = x.len() as f64;
    let covariance = s.covariance * (sd * sd);
    let settles = curve(&s.params).time_within(SETTLED_WITHIN);
    // The delta method, with differences for the slopes.
    let mut slopes = [0.0; P];
    for (j, slot) in slopes.iter_mut().enumerate() {
        let h = 1e-3 * covariance[(j, j)].max(0.0).sqrt() + 1e-9;
        let moved = |by: f64| {
            let mut q = s.params;
            q[j] += by;
            curve(&q).time_within(SETTLED_WITHIN)
        };
        *slot = (moved(h) - moved(-h)) / (2.0 * h);
    }
    let mut variance = 0.0;
    for i in 0..P {
        for j in 0..P {
            variance += slopes[i] * slopes[j] * covariance[(i, j)];
        }
    }
    let fit = Fit {
        aic: n * (sd * sd * (n - P as f64) / n).ln() + 2.0 * P as f64,
        last: s.params[1],
        last_sd: covariance[(1, 1)].max(0.0).sqrt(),
        settles,
        settles_sd: variance.max(0.0).sqrt(),
    };
    (fit.settles.is_finite() && fit.settles_sd.is_finite() && fit.aic.is_finite()).then_some(fit)
}
