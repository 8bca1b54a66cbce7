//! The last steps, and the judgement whether they led to a minimum.

use nalgebra::{Cholesky, SMatrix, SVector};

use super::pass::{Curvature, Pass, Readings};
use super::solve::{Gaussian, Loss, Model, Problem, Solution, SolveError};
use super::triangle::Triangle;
use super::walk::Arrived;

const MAX_ITERATIONS: u32 = 1000;
/// The cost may still promise to fall by this share of itself; a step of a thousandth of a
/// standard error, when the cost is of the order of the number of readings.
const NEGLIGIBLE: f64 = 1e-7;
/// Pivots of the scaled normal matrix above this leave eight digits or more in its inverse.
const WELL_DETERMINED: f64 = 1e-4;

/// Turns the end of a walk into a solution, or says why it is none.
///
/// A robust walk ends on Newton steps and is at the minimum already; if moreover the parameters
/// are well told apart, one pass gives the covariance. Everything else is finished on a QR
/// factorisation.
pub(super) fn finish<M: Model<P>, const P: usize>(
    problem: &Problem<M, P>,
    arrived: Arrived<P>,
) -> Result<Solution<P>, SolveError> {
    let Arrived {
        params,
        pass,
        iterations,
    } = arrived;
    if let Some(here) = pass
        && let Some(covariance) = easy_covariance(&here)
    {
        return Ok(solution(problem, params, &here, covariance, iterations));
    }
    let here = problem.pass(&params, Curvature::Reweighted);
    let iterations = iterations + 1;
    if !here.is_finite() {
        return Err(SolveError::NotConverged(iterations));
    }
    if matches!(problem.loss, Loss::StudentT { .. })
        && let Some(covariance) = easy_covariance(&here)
        && 0.5 * (covariance * here.gradient).dot(&here.gradient) <= tolerance(problem, &here)
    {
        return Ok(solution(problem, params, &here, covariance, iterations));
    }
    finish_by_rotation(problem, params, here, iterations, 0.0)
}

/// The end of a walk as it is, with the covariance there.
pub(super) fn settle<M: Model<P>, const P: usize>(
    problem: &Problem<M, P>,
    arrived: Arrived<P>,
) -> Result<Solution<P>, SolveError> {
    let Arrived {
        params, iterations, ..
    } = arrived;
    let here = problem.pass(&params, Curvature::Reweighted);
    if !here.is_finite() {
        return Err(SolveError::NotConverged(iterations));
    }
    let covariance = covariance(&here, 0.0).ok_or(SolveError::Singular)?;
    Ok(solution(problem, params, &here, covariance, iterations + 1))
}

/// The whole way on the slow, careful steps of the finish, for starts from which the walk is lost.
pub(super) fn careful<M: Model<P>, const P: usize>(
    problem: &Problem<M, P>,
    start: [f64; P],
    damping: f64,
) -> Result<Solution<P>, SolveError> {
    let here = problem.pass(&start, Curvature::Reweighted);
    if !here.is_finite() {
        return Err(SolveError::BadStart);
    }
    finish_by_rotation(problem, start, here, 1, damping)
}

fn tolerance<M: Model<P>, const P: usize>(problem: &Problem<M, P>, here: &Pass<P>) -> f64 {
    NEGLIGIBLE * here.cost.abs() + problem.rounding()
}

fn easy_covariance<const P: usize>(pass: &Pass<P>) -> Option<SMatrix<f64, P, P>> {
    covariance(pass, WELL_DETERMINED)
}

/// `None` when a pivot of the scaled matrix is not above `least`.
fn covariance<const P: usize>(pass: &Pass<P>, least: f64) -> Option<SMatrix<f64, P, P>> {
    let unit = SVector::<f64, P>::from_fn(|i, _| pass.matrix[(i, i)].sqrt());
    let scaled = SMatrix::<f64, P, P>::from_fn(|i, j| {
        pass.matrix[(i.max(j), i.min(j))] / (unit[i] * unit[j])
    });
    let factor = Cholesky::new(scaled)?;
    let l = factor.l_dirty();
    let told_apart = (0..P).all(|i| l[(i, i)] * l[(i, i)] > least);
    told_apart.then(|| {
        let inverse = factor.inverse();
        SMatrix::from_fn(|i, j| inverse[(i, j)] / (unit[i] * unit[j]))
    })
}

fn solution<M, const P: usize>(
    problem: &Problem<M, P>,
    params: [f64; P],
    here: &Pass<P>,
    covariance: SMatrix<f64, P, P>,
    iterations: u32,
) -> Solution<P> {
    let n = problem.readings.x.len();
    Solution {
        params,
        covariance,
        cost: here.cost,
        residual_sd: (n > P).then(|| (here.squares / (n - P) as f64).sqrt()),
        iterations,
    }
}

/// Gauss-Newton steps on a QR factorisation, undamped while that works, then the covariance from
/// the same. Damping adds rows to the triangle instead of a diagonal to a product, and the steps are
/// bent along the valley, so one too narrow for normal equations is still walked to its end here.
fn finish_by_rotation<M: Model<P>, const P: usize>(
    problem: &Problem<M, P>,
    mut params: [f64; P],
    mut here: Pass<P>,
    mut iterations: u32,
    mut damping: f64,
) -> Result<Solution<P>, SolveError> {
    let mut triangle = rotate(problem, &params);
    let mut idle_before = false;
    for _ in 0..MAX_ITERATIONS {
        let Some(step) = triangle.damped_step(damping) else {
            break;
        };
        let mut trial_params = add(&params, &step);
        if damping > 0.0
            && let Some(turn) = acceleration(problem, &params, &step, damping)
            && turn.norm() <= 0.75 * step.norm()
        {
            trial_params = add(&trial_params, &turn);
        }
        let still = |(a, b): (&f64, &f64)| (a - b).abs() <= 1e-13 * b.abs();
        if trial_params.iter().zip(&params).all(still) {
            break;
        }
        let trial = problem.pass(&trial_params, Curvature::Reweighted);
        iterations += 1;
        if trial.is_finite() && trial.cost <= here.cost * (1.0 + 1e-13) {
            // Rounding may send the last steps round in a ring; nothing is lost by stopping.
            let idle = trial.cost >= here.cost * (1.0 - 1e-13) && damping == 0.0;
            params = trial_params;
            here = trial;
            triangle = rotate(problem, &params);
            damping = if damping > 1e-12 { 0.1 * damping } else { 0.0 };
            if idle && idle_before {
                break;
            }
            idle_before = idle;
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
    if -0.5 * wanted.dot(&here.gradient) > tolerance(problem, &here) {
        return Err(SolveError::NotConverged(iterations));
    }
    Ok(solution(problem, params, &here, covariance, iterations))
}

fn add<const P: usize>(params: &[f64; P], step: &SVector<f64, P>) -> [f64; P] {
    std::array::from_fn(|i| params[i] + step[i])
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

/// How the residuals curve along `step`, turned into a correction of it: geodesic acceleration.
/// The second derivative is a difference over a tenth of the step.
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
