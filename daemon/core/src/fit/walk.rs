//! The walk downhill: damped steps on normal equations.
//!
//! Far from the minimum the reweighted matrix is used, which always points downhill; once a step
//! has kept its promise the Newton matrix, until it fails to be positive.

use nalgebra::{Cholesky, SMatrix, SVector};

use super::pass::{Curvature, Pass, Readings};
use super::solve::{Loss, Model, Problem, SolveError};

/// Readings in the coarsest walk of a long series, at least.
const PART: usize = 128;
/// Each finer walk has this many times more readings. A minimum on a part lies a few standard errors of
/// the next from its minimum, near enough for Newton.
const FINER: usize = 7;

/// How to walk.
#[derive(Clone, Copy, Debug)]
pub(super) struct Gait {
    /// First damping, relative to the scaled diagonal of ones.
    pub damping: f64,
    pub curvature: Curvature,
    /// A promised fall of the cost, relative to it, that is not worth a pass.
    pub enough: f64,
    /// Passes at most.
    pub patience: u32,
}

impl Gait {
    pub fn new(loss: Loss) -> Gait {
        Gait {
            damping: 1e-3,
            curvature: Curvature::Reweighted,
            // A Newton step this short is right to its square; a Gauss-Newton step is not, and a
            // slow valley promises little for long.
            enough: match loss {
                Loss::Squares => 1e-15,
                Loss::StudentT { .. } => 1e-8,
            },
            patience: 100,
        }
    }

    /// From a start so near that Newton can be trusted at once.
    pub fn near(loss: Loss) -> Gait {
        Gait {
            damping: 1e-6,
            curvature: Curvature::Newton,
            ..Gait::new(loss)
        }
    }
}

pub(super) struct Arrived<const P: usize> {
    pub params: [f64; P],
    /// The pass a negligible Newton step before, if it has what the covariance needs.
    pub pass: Option<Pass<P>>,
    pub iterations: u32,
}

/// From coarse to fine: walks on every n-th reading of a long series, n shrinking, for a start near
/// the minimum of all. `None` when the series is short or a part leads nowhere.
pub(super) fn approach<M: Model<P>, const P: usize>(
    problem: &Problem<M, P>,
    start: [f64; P],
) -> Option<[f64; P]> {
    let mut stride = problem.readings.x.len() / PART;
    let mut gait = Gait::new(problem.loss);
    let mut near = None;
    while stride > 2 {
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
        // Less than a standard error of the part: the next walk corrects more than that.
        gait.enough = 1e-3;
        near = Some(walk(&part, near.unwrap_or(start), gait).ok()?.params);
        gait = Gait::near(problem.loss);
        stride /= FINER;
    }
    near
}

pub(super) fn walk<M: Model<P>, const P: usize>(
    problem: &Problem<M, P>,
    start: [f64; P],
    gait: Gait,
) -> Result<Arrived<P>, SolveError> {
    let mut params = start;
    let mut here = problem.pass(&start, gait.curvature);
    let mut iterations = 1;
    if !here.is_finite() {
        return Err(SolveError::BadStart);
    }
    let mut damping = gait.damping;
    let mut growth = 2.0;
    // The damping of the last step that was taken, and whether less was tried since in vain.
    let (mut took, mut overreached) = (0.0, false);
    let mut scale = SVector::<f64, P>::zeros();
    let rounding = problem.rounding();
    // Slow is not lost: the finish goes on from wherever this ends, and judges.
    while iterations < gait.patience && damping.is_finite() {
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
        if wish.predicted <= gait.enough * here.cost.abs() + rounding || trial_params == params {
            // A step held short by damping promises little wherever it is: then the finish judges.
            let pass = if damping < 1e-3 {
                here.reweighted_after(&wish)
            } else {
                None
            };
            return Ok(Arrived {
                params: trial_params,
                pass,
                iterations,
            });
        }
        let curvature = match here.curvature {
            Curvature::Reweighted => Curvature::Reweighted,
            // The step after this one may well be the last.
            _ if wish.predicted <= 1e-2 * here.cost.abs() => Curvature::Both,
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
            took = damping;
            damping *= (1.0 - (2.0 * gain.min(1.0) - 1.0).powi(3)).max(1.0 / 3.0);
            growth = 2.0;
            if matches!(problem.loss, Loss::StudentT { .. }) && promise_kept {
                if here.curvature == Curvature::Reweighted {
                    here = problem.pass(&params, Curvature::Newton);
                    iterations += 1;
                } else if !overreached {
                    damping *= 0.01;
                }
            }
            // In a bent valley the same again: each bold try there costs a pass and comes to nothing.
            overreached &= gain < 0.9;
        } else {
            // Back to what went well, not up from below step by step.
            damping = (damping * growth).max(took).max(1e-12);
            growth *= 2.0;
            overreached = true;
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
