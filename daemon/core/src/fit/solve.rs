//! Levenberg-Marquardt least squares for curves of a few parameters, robust if asked.
//!
//! # What is minimised
//!
//! The negative logarithm of the posterior, less its constants:
//!
//! - squares: `share · ½ Σ w·r²`, with w = 1/sd² of the reading;
//! - Student's t with ν degrees of freedom and scale s: `share · (ν+1)/2 · Σ ln(1 + w·r²/(ν·s²))`
//!   (Lange, Little & Taylor 1989, J. Am. Stat. Assoc. 84:881; from memory), so s multiplies the
//!   readings' own sd;
//!
//! plus `½ ((p - mean)/sd)²` for every parameter with a prior. `share` (0 to 1] tempers the
//! readings against the priors: correlated readings tell less than their number.
//!
//! **Equivalence with scipy.** `least_squares(loss="cauchy", f_scale=C)` minimises
//! `½ C² Σ ln(1 + r²/C²)`. Both have the same minimum when C² = ν·s² and there are no priors, and
//! there `scipy cost = C²/(ν+1) · ours`. So ν decides nothing about the position of the optimum
//! beyond that product; it decides how the readings weigh against the priors.
//!
//! # How
//!
//! One pass over the readings per iteration (see [`super::pass`]) gives cost, gradient and
//! curvature. The damped system is scaled by the largest diagonal seen so far (Moré 1978) and
//! solved by Cholesky; the damping follows the gain ratio (Nielsen 1999; both from memory). For
//! Student's t the curvature is Newton's where that is safely positive (quadratic convergence)
//! and that of reweighted least squares elsewhere (always positive).
//!
//! A long series is first walked on every n-th reading, which brings the start so near that two
//! or three full passes remain; the full series alone decides where the solver stops.
//!
//! The end is a few undamped Gauss-Newton steps on a QR factorisation (see [`super::triangle`]),
//! and the test of having arrived is Bates & Watts' (1988) in spirit: the step still wanted,
//! measured in standard errors, must be negligible. Hard starts: [`solve_hard`].

use nalgebra::{SMatrix, SVector};

use super::noise;
pub use super::pass::Readings;
use super::pass::{Pass, pass};
use super::triangle::Triangle;

/// A curve of one variable with `P` parameters.
pub trait Model<const P: usize> {
    /// The curve with its parameters fixed: from x to the value and its gradient by the parameters.
    fn at(&self, p: &[f64; P]) -> impl Fn(f64) -> (f64, [f64; P]);
}

/// What is known of a parameter before the readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gaussian {
    pub mean: f64,
    pub sd: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Loss {
    Squares,
    /// `scale` multiplies the readings' own sd.
    StudentT {
        nu: f64,
        scale: f64,
    },
}

pub struct Problem<'a, M, const P: usize> {
    pub model: &'a M,
    pub readings: Readings<'a>,
    pub prior: [Option<Gaussian>; P],
    pub loss: Loss,
    /// How much of a reading each reading counts for, (0, 1].
    pub share: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Solution<const P: usize> {
    pub params: [f64; P],
    /// (JᵀWJ + prior)⁻¹ at the optimum, W including the robust weights: the covariance if the
    /// readings' sd are right. For plain squares with unknown noise multiply by `residual_sd²`.
    pub covariance: SMatrix<f64, P, P>,
    /// The negative log posterior (see the head of the module).
    pub cost: f64,
    /// Root of the weighted sum of squared residuals over n - P. `None` when n <= P.
    pub residual_sd: Option<f64>,
    /// Passes over the full series.
    pub iterations: u32,
}

#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SolveError {
    #[error("{have} readings and priors cannot settle {need} parameters")]
    TooFew { have: usize, need: usize },
    #[error("reading {index} is not a finite number, or its weight is not positive")]
    NotFinite { index: usize },
    #[error("{what} do not match: {left} and {right}")]
    Lengths {
        what: &'static str,
        left: usize,
        right: usize,
    },
    #[error("the curve is not finite at the start")]
    BadStart,
    #[error("{0} must be a positive number")]
    BadSetting(&'static str),
    #[error("some combination of parameters is not determined by the readings")]
    Singular,
    #[error("no minimum after {0} iterations")]
    NotConverged(u32),
}

const MAX_ITERATIONS: u32 = 100;
/// Below this many readings the walk on a part is not worth its pass.
const LONG: usize = 1024;
/// Readings in the walk on a part, at least.
const PART: usize = 256;
/// First damping, relative to the scaled diagonal of ones.
const FIRST_DAMPING: f64 = 1e-3;

impl<M: Model<P>, const P: usize> Problem<'_, M, P> {
    fn pass(&self, p: &[f64; P]) -> Pass<P> {
        pass(
            self.model,
            &self.readings,
            self.loss,
            self.share,
            &self.prior,
            p,
        )
    }

    fn check(&self) -> Result<(), SolveError> {
        let Readings { x, y, weight } = self.readings;
        let lengths = |what, left, right| Err(SolveError::Lengths { what, left, right });
        if x.len() != y.len() {
            return lengths("x and y", x.len(), y.len());
        }
        if !weight.is_empty() && weight.len() != x.len() {
            return lengths("x and weights", x.len(), weight.len());
        }
        let priors = self.prior.iter().flatten().count();
        if x.len() + priors < P {
            return Err(SolveError::TooFew {
                have: x.len() + priors,
                need: P,
            });
        }
        let finite = |s: &[f64]| s.iter().position(|v| !v.is_finite());
        let light = weight.iter().position(|w| !(w.is_finite() && *w > 0.0));
        if let Some(index) = finite(x).or(finite(y)).or(light) {
            return Err(SolveError::NotFinite { index });
        }
        let positive = |v: f64| v.is_finite() && v > 0.0;
        if !(positive(self.share) && self.share <= 1.0) {
            return Err(SolveError::BadSetting("the share of each reading"));
        }
        if self
            .prior
            .iter()
            .flatten()
            .any(|g| !positive(g.sd) || !g.mean.is_finite())
        {
            return Err(SolveError::BadSetting("the sd of a prior"));
        }
        match self.loss {
            Loss::StudentT { nu, scale } if !(positive(nu) && positive(scale)) => {
                Err(SolveError::BadSetting("the scale of the noise"))
            }
            _ => Ok(()),
        }
    }
}

/// Finds the minimum nearest downhill from `start`.
///
/// # Errors
/// Data that are not numbers, too few of them, or no determined minimum.
pub fn solve<M: Model<P>, const P: usize>(
    problem: &Problem<M, P>,
    start: [f64; P],
) -> Result<Solution<P>, SolveError> {
    problem.check()?;
    let start = walk_on_a_part(problem, start).unwrap_or(start);
    let arrived = walk(problem, start, FIRST_DAMPING)?;
    finish(problem, arrived)
}

/// Like [`solve`], from several first trust radii, keeping the lowest minimum found. For starts
/// from which the first step decides which valley the walk ends in.
///
/// # Errors
/// As [`solve`], when no radius leads to a minimum; the last reason is given.
pub fn solve_hard<M: Model<P>, const P: usize>(
    problem: &Problem<M, P>,
    start: [f64; P],
) -> Result<Solution<P>, SolveError> {
    problem.check()?;
    let mut best: Option<Solution<P>> = None;
    let mut reason = SolveError::BadStart;
    for damping in [1e-3, 1.0, 1e3, 1e6, 1e-6] {
        match walk(problem, start, damping).and_then(|a| finish(problem, a)) {
            Ok(found)
                if best
                    .as_ref()
                    .is_none_or(|b| found.cost < b.cost * (1.0 - 1e-9)) =>
            {
                best = Some(found)
            }
            Ok(_) => {}
            Err(why) => reason = why,
        }
    }
    best.ok_or(reason)
}

/// Like [`solve`] with Student's t, its scale found along with the curve: solve, take the scale
/// from the median absolute residual (times 1.4826, the normal core's ratio), solve again, until
/// the scale holds still to 0.1 %. Returns the scale used last.
///
/// # Errors
/// As [`solve`].
pub fn solve_with_scale<M: Model<P>, const P: usize>(
    problem: &Problem<M, P>,
    start: [f64; P],
    nu: f64,
    first_scale: f64,
    floor: f64,
) -> Result<(Solution<P>, f64), SolveError> {
    let mut scale = first_scale.max(floor);
    let mut p = start;
    let mut residuals = Vec::new();
    let mut found = None;
    for _ in 0..20 {
        let trial = Problem {
            model: problem.model,
            readings: problem.readings,
            prior: problem.prior,
            loss: Loss::StudentT { nu, scale },
            share: problem.share,
        };
        let solution = solve(&trial, p)?;
        p = solution.params;
        weighted_residuals(problem.model, &problem.readings, &p, &mut residuals);
        let next = noise::mad_scale(&mut residuals).max(floor);
        let still = (next / scale - 1.0).abs() < 1e-3;
        found = Some((solution, scale));
        if still {
            break;
        }
        scale = next;
    }
    found.ok_or(SolveError::NotConverged(0))
}

/// Residuals (reading less curve) in units of each reading's own sd.
pub(super) fn weighted_residuals<M: Model<P>, const P: usize>(
    model: &M,
    readings: &Readings,
    p: &[f64; P],
    out: &mut Vec<f64>,
) {
    let curve = model.at(p);
    out.clear();
    out.extend(
        readings
            .x
            .iter()
            .zip(readings.y)
            .enumerate()
            .map(|(i, (x, y))| {
                (y - curve(*x).0) * readings.weight.get(i).copied().unwrap_or(1.0).sqrt()
            }),
    );
}

fn walk_on_a_part<M: Model<P>, const P: usize>(
    problem: &Problem<M, P>,
    start: [f64; P],
) -> Option<[f64; P]> {
    let n = problem.readings.x.len();
    if n < LONG {
        return None;
    }
    let stride = n / PART;
    let take = |s: &[f64]| s.iter().copied().step_by(stride).collect::<Vec<_>>();
    let (x, y, weight) = (
        take(problem.readings.x),
        take(problem.readings.y),
        take(problem.readings.weight),
    );
    let part = Problem {
        model: problem.model,
        readings: Readings {
            x: &x,
            y: &y,
            weight: &weight,
        },
        prior: problem.prior,
        loss: problem.loss,
        share: problem.share,
    };
    walk(&part, start, FIRST_DAMPING).ok().map(|a| a.params)
}

struct Arrived<const P: usize> {
    params: [f64; P],
    pass: Pass<P>,
    iterations: u32,
    /// The last step of the finish gained nothing.
    idle: bool,
}

fn walk<M: Model<P>, const P: usize>(
    problem: &Problem<M, P>,
    start: [f64; P],
    first_damping: f64,
) -> Result<Arrived<P>, SolveError> {
    let mut here = Arrived {
        params: start,
        pass: problem.pass(&start),
        iterations: 1,
        idle: false,
    };
    if !is_finite(&here.pass) {
        return Err(SolveError::BadStart);
    }
    let mut damping = first_damping;
    let mut growth = 2.0;
    let mut scale = SVector::<f64, P>::zeros();
    while here.iterations < MAX_ITERATIONS {
        for i in 0..P {
            scale[i] = scale[i].max(here.pass.reweighted[(i, i)].sqrt());
        }
        let unit = scale.map(|s| if s > 0.0 { s } else { 1.0 });
        let Some(wish) = damped_step(&here.pass, &unit, damping) else {
            damping = (damping * growth).max(1e-12);
            growth *= 2.0;
            here.iterations += 1;
            continue;
        };
        let mut params = here.params;
        for (value, by) in params.iter_mut().zip(wish.step.iter()) {
            *value += by;
        }
        // Nothing left to gain that the cost could show, or no longer a step in floating point.
        let spent = wish.predicted <= 1e-15 * here.pass.cost.abs() || params == here.params;
        if spent {
            return Ok(here);
        }
        let trial = problem.pass(&params);
        here.iterations += 1;
        let gain = if is_finite(&trial) {
            (here.pass.cost - trial.cost) / wish.predicted
        } else {
            -1.0
        };
        // Near the floor the difference of costs is rounding; a step that small is taken on trust.
        let on_trust = is_finite(&trial)
            && wish.predicted <= 1e-10 * here.pass.cost.abs()
            && trial.cost <= here.pass.cost * (1.0 + 1e-13);
        if gain > 1e-4 || on_trust {
            here.params = params;
            here.pass = trial;
            damping *= (1.0 - (2.0 * gain.min(1.0) - 1.0).powi(3)).max(1.0 / 3.0);
            if wish.newton && gain > 0.5 {
                damping *= 0.01;
            }
            growth = 2.0;
        } else {
            damping = (damping * growth).max(1e-12);
            growth *= 2.0;
        }
        if !damping.is_finite() {
            break;
        }
    }
    // Slow, not lost: the finish goes on from here and judges.
    Ok(here)
}

struct Wish<const P: usize> {
    step: SVector<f64, P>,
    /// Fall of the cost if the quadratic were the truth.
    predicted: f64,
    newton: bool,
}

fn damped_step<const P: usize>(
    pass: &Pass<P>,
    unit: &SVector<f64, P>,
    damping: f64,
) -> Option<Wish<P>> {
    let safe = (0..P).all(|i| pass.newton[(i, i)] >= 0.2 * pass.reweighted[(i, i)]);
    let newton = safe.then_some(&pass.newton);
    newton
        .into_iter()
        .map(|m| (m, true))
        .chain([(&pass.reweighted, false)])
        .find_map(|(matrix, newton)| {
            let scaled = SMatrix::<f64, P, P>::from_fn(|i, j| {
                let entry = matrix[(i.max(j), i.min(j))] / (unit[i] * unit[j]);
                if i == j { entry + damping } else { entry }
            });
            let gradient = pass.gradient.component_div(unit);
            let step = nalgebra::Cholesky::new(scaled)?.solve(&-gradient);
            let predicted = 0.5 * (damping * step.norm_squared() - step.dot(&gradient));
            let step = step.component_div(unit);
            (predicted.is_finite() && step.iter().all(|s| s.is_finite())).then_some(Wish {
                step,
                predicted,
                newton,
            })
        })
}

fn is_finite<const P: usize>(pass: &Pass<P>) -> bool {
    pass.cost.is_finite()
        && pass.gradient.iter().all(|v| v.is_finite())
        && pass.reweighted.iter().all(|v| v.is_finite())
}

/// Gauss-Newton steps on a QR factorisation, undamped while that works, then the covariance from
/// the same. Damping adds rows to the triangle instead of a diagonal to a product, so a valley
/// too narrow for normal equations is still walked to its end here.
fn finish<M: Model<P>, const P: usize>(
    problem: &Problem<M, P>,
    mut here: Arrived<P>,
) -> Result<Solution<P>, SolveError> {
    let mut triangle = rotate(problem, &here.params);
    let mut damping = 0.0;
    for _ in 0..MAX_ITERATIONS {
        let Some(step) = triangle.damped_step(damping) else {
            break;
        };
        let mut params = here.params;
        for (value, by) in params.iter_mut().zip(step.iter()) {
            *value += by;
        }
        if damping > 0.0
            && let Some(turn) = acceleration(problem, &here.params, &step, damping)
            && turn.norm() <= 0.75 * step.norm()
        {
            for (value, by) in params.iter_mut().zip(turn.iter()) {
                *value += by;
            }
        }
        let still = |(a, b): (&f64, &f64)| (a - b).abs() <= 1e-13 * b.abs();
        if params.iter().zip(&here.params).all(still) {
            break;
        }
        let trial = problem.pass(&params);
        here.iterations += 1;
        if is_finite(&trial) && trial.cost <= here.pass.cost * (1.0 + 1e-13) {
            // Rounding may send the last steps round in a ring; nothing is lost by stopping.
            let idle = trial.cost >= here.pass.cost * (1.0 - 1e-13) && damping == 0.0;
            here.params = params;
            here.pass = trial;
            triangle = rotate(problem, &here.params);
            damping = if damping > 1e-12 { 0.1 * damping } else { 0.0 };
            if idle && here.idle {
                break;
            }
            here.idle = idle;
        } else {
            damping = (10.0 * damping).max(1e-10);
            if damping > 1e6 {
                break;
            }
        }
    }
    let wanted = triangle.damped_step(0.0).ok_or(SolveError::Singular)?;
    let covariance = triangle.covariance().ok_or(SolveError::Singular)?;
    // The fall of cost still promised: the step still wanted, in standard errors, squared.
    let lacking = -0.5 * wanted.dot(&here.pass.gradient);
    if lacking > 1e-6 * here.pass.cost.abs() {
        return Err(SolveError::NotConverged(here.iterations));
    }
    let n = problem.readings.x.len();
    let residual_sd = (n > P).then(|| {
        let mut residuals = Vec::with_capacity(n);
        weighted_residuals(
            problem.model,
            &problem.readings,
            &here.params,
            &mut residuals,
        );
        (residuals.iter().map(|r| r * r).sum::<f64>() / (n - P) as f64).sqrt()
    });
    Ok(Solution {
        params: here.params,
        covariance,
        cost: here.pass.cost,
        residual_sd,
        iterations: here.iterations,
    })
}

/// The triangle at `p`, its right-hand side the residuals.
fn rotate<M: Model<P>, const P: usize>(problem: &Problem<M, P>, p: &[f64; P]) -> Triangle<P> {
    let mut triangle = rotate_rows(problem, p, |_, residual, _| residual);
    for (i, (gaussian, value)) in problem.prior.iter().zip(p).enumerate() {
        if let Some(Gaussian { mean, sd }) = gaussian {
            triangle.add(unit_row(i, 1.0 / sd), (mean - value) / sd);
        }
    }
    triangle
}

/// How the residuals curve along `step`, turned into a correction of it: geodesic acceleration
/// (Transtrum & Sethna 2011; from memory). The second derivative is a difference over a tenth of the step.
fn acceleration<M: Model<P>, const P: usize>(
    problem: &Problem<M, P>,
    p: &[f64; P],
    step: &SVector<f64, P>,
    damping: f64,
) -> Option<SVector<f64, P>> {
    const PART: f64 = 0.1;
    let mut ahead = *p;
    for (value, by) in ahead.iter_mut().zip(step.iter()) {
        *value += PART * by;
    }
    let (here, there) = (problem.model.at(p), problem.model.at(&ahead));
    let mut triangle = rotate_rows(problem, p, |x, _, gradient| {
        let straight: f64 = gradient.iter().zip(step.iter()).map(|(g, s)| g * s).sum();
        let bend = 2.0 / PART * ((there(x).0 - here(x).0) / PART - straight);
        -0.5 * bend
    });
    for (i, gaussian) in problem.prior.iter().enumerate() {
        if let Some(Gaussian { sd, .. }) = gaussian {
            triangle.add(unit_row(i, 1.0 / sd), 0.0);
        }
    }
    triangle.damped_step(damping)
}

fn unit_row<const P: usize>(i: usize, value: f64) -> [f64; P] {
    let mut row = [0.0; P];
    row[i] = value;
    row
}

fn rotate_rows<M: Model<P>, const P: usize>(
    problem: &Problem<M, P>,
    p: &[f64; P],
    rhs: impl Fn(f64, f64, &[f64; P]) -> f64,
) -> Triangle<P> {
    let curve = problem.model.at(p);
    let mut triangle = Triangle::new();
    let Readings { x, y, weight } = problem.readings;
    for (i, (x, y)) in x.iter().zip(y).enumerate() {
        let (value, gradient) = curve(*x);
        let r = y - value;
        let w = weight.get(i).copied().unwrap_or(1.0);
        let robust = match problem.loss {
            Loss::Squares => w,
            Loss::StudentT { nu, scale } => (nu + 1.0) * w / (nu * scale * scale + w * r * r),
        };
        let root = (problem.share * robust).sqrt();
        triangle.add(gradient.map(|g| root * g), root * rhs(*x, r, &gradient));
    }
    triangle
}
