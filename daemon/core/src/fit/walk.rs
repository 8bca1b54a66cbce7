//! The walk downhill: damped steps on normal equations.
//!
//! Far from the minimum the reweighted matrix is used, which always points downhill; once a step
//! has kept its promise the Newton matrix, until it fails to be positive.

use nalgebra::{Cholesky, SMatrix, SVector};

use super::pass::{Curvature, Pass, Readings};
use super::solve::{Loss, Model, Problem, SolveError};

/// Passes of an ordinary walk.
pub(super) const PATIENCE: u32 = 100;
/// Below this many readings the walk on a part is not worth its pass.
const LONG: usize = 1024;
/// Readings in the walk on a part, at least.
const PART: usize = 256;
/// First damping, relative to the scaled diagonal of ones.
pub(super) const FIRST_DAMPING: f64 = 1e-3;
/// A promised fall of the cost, relative to it, that is not worth a pass. A Newton step this short is
/// right to its square; a Gauss-Newton step is not, and a slow valley promises little for long.
fn negligible(loss: Loss) -> f64 {
    match loss {
        Loss::Squares => 1e-15,
        Loss::StudentT { .. } => 1e-8,
    }
}

pub(super) struct Arrived<const P: usize> {
    pub params: [f64; P],
    /// The pass a negligible Newton step before, if it has what the covariance needs.
    pub pass: Option<Pass<P>>,
    pub iterations: u32,
}

/// A walk on every n-th reading of a long series: a start for the walk on all. `None` when
/// short, or when the part leads nowhere.
pub(super) fn walk_on_a_part<M: Model<P>, const P: usize>(
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
        readings: Readings {
            x: &x,
            y: &y,
            weight: &weight,
        },
        ..*problem
    };
    walk(&part, start, FIRST_DAMPING, Curvature::Reweighted, PATIENCE)
        .ok()
        .map(|a| a.params)
}

pub(super) fn walk<M: Model<P>, const P: usize>(
    problem: &Problem<M, P>,
    start: [f64; P],
    first_damping: f64,
    first: Curvature,
    patience: u32,
) -> Result<Arrived<P>, SolveError> {
    let mut params = start;
    let mut here = problem.pass(&start, first);
    let mut iterations = 1;
    if !here.is_finite() {
        return Err(SolveError::BadStart);
    }
    let mut damping = first_damping;
    let mut growth = 2.0;
    let mut scale = SVector::<f64, P>::zeros();
    let (negligible, rounding) = (negligible(problem.loss), problem.rounding());
    // Slow is not lost: the finish goes on from wherever this ends, and judges.
    while iterations < patience && damping.is_finite() {
        for i in 0..P {
            scale[i] = scale[i].max(here.matrix[(i, i)].max(0.0).sqrt());
        }
        let unit = scale.map(|s| if s > 0.0 { s } else { 1.0 });
        let Some(wish) = damped_step(&here, &unit, damping) else {
            // Damping makes any matrix positive in the end; one that needs more of it than it has
            // itself tells nothing.
            let least = match here.curvature {
                Curvature::Newton | Curvature::Both if damping > 1.0 => {
                    here = problem.pass(&params, Curvature::Reweighted);
                    iterations += 1;
                    growth = 2.0;
                    continue;
                }
                Curvature::Newton | Curvature::Both => 1e-3,
                Curvature::Reweighted => 1e-12,
            };
            damping = (damping * growth).max(least);
            growth *= 2.0;
            continue;
        };
        let mut trial_params = params;
        for (value, by) in trial_params.iter_mut().zip(wish.step.iter()) {
            *value += by;
        }
        if wish.predicted <= negligible * here.cost.abs() + rounding || trial_params == params {
            let pass = here.reweighted_after(&wish);
            return Ok(Arrived {
                params: trial_params,
                pass,
                iterations,
            });
        }
        let curvature = match here.curvature {
            Curvature::Reweighted => Curvature::Reweighted,
            // Newton's promises shrink by squares: after this one the next is negligible.
            _ if wish.predicted <= 1e-4 * here.cost.abs() => Curvature::Both,
            _ => Curvature::Newton,
        };
        let trial = problem.pass(&trial_params, curvature);
        iterations += 1;
        let gain = if trial.is_finite() {
            (here.cost - trial.cost) / wish.predicted
        } else {
            -1.0
        };
        if gain > 1e-4 {
            let promise_kept = gain > 0.5 && here.cost - trial.cost < 0.5 * here.cost.abs();
            params = trial_params;
            here = trial;
            damping *= (1.0 - (2.0 * gain.min(1.0) - 1.0).powi(3)).max(1.0 / 3.0);
            growth = 2.0;
            if matches!(problem.loss, Loss::StudentT { .. }) && promise_kept {
                if here.curvature == Curvature::Reweighted {
                    here = problem.pass(&params, Curvature::Newton);
                    iterations += 1;
                } else {
                    damping *= 0.01;
                }
            }
        } else {
            damping = (damping * growth).max(1e-12);
            growth *= 2.0;
        }
    }
    Ok(Arrived {
        params,
        pass: None,
        iterations,
    })
}

impl<const P: usize> Pass<P> {
    /// This pass as a reweighted one, its cost carried over a negligible step.
    fn reweighted_after(mut self, wish: &Wish<P>) -> Option<Pass<P>> {
        self.matrix = self.beside.take()?;
        self.curvature = Curvature::Reweighted;
        self.cost -= wish.predicted;
        Some(self)
    }
}

#[derive(Debug)]
struct Wish<const P: usize> {
    step: SVector<f64, P>,
    /// Fall of the cost if the quadratic were the truth.
    predicted: f64,
}

fn damped_step<const P: usize>(
    pass: &Pass<P>,
    unit: &SVector<f64, P>,
    damping: f64,
) -> Option<Wish<P>> {
    let scaled = SMatrix::<f64, P, P>::from_fn(|i, j| {
        let entry = pass.matrix[(i.max(j), i.min(j))] / (unit[i] * unit[j]);
        if i == j { entry + damping } else { entry }
    });
    let gradient = pass.gradient.component_div(unit);
    let step = Cholesky::new(scaled)?.solve(&-gradient);
    let predicted = 0.5 * (damping * step.norm_squared() - step.dot(&gradient));
    let step = step.component_div(unit);
    (predicted.is_finite() && step.iter().all(|s| s.is_finite()))
        .then_some(Wish { step, predicted })
}
