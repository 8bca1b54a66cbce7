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
//! One pass over the readings per iteration (`pass.rs`) gives cost, gradient and
//! curvature. The damped system is scaled by the largest diagonal seen so far and solved by
//! Cholesky; the damping follows the ratio of the gain made to the gain promised (`walk.rs`). For Student's t the curvature is Newton's where that is safely positive (quadratic convergence)
//! and that of reweighted least squares elsewhere (always positive).
//!
//! A long series is first walked on every n-th reading, coarse to fine, which brings the start so
//! near that two or three full passes remain; the full series alone decides where the solver stops.
//!
//! The end is undamped Gauss-Newton steps on a QR factorisation, bent along the valley where that is
//! narrow (`finish.rs`, `triangle.rs`), and the test of having arrived is one of scale: the step
//! still wanted, measured in standard errors, must be negligible (Bates & Watts 1988, from memory). Hard starts: [`solve_hard`].
//!
//! Shaky: the minimum found is the nearest one downhill. Robust losses have more than one; start well.

use nalgebra::SMatrix;

use super::finish::{careful, finish, settle};
use super::noise;
pub use super::pass::Readings;
use super::pass::weighted_squares;
use super::walk::{Gait, approach, walk};

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

#[derive(Debug)]
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

impl<M, const P: usize> Problem<'_, M, P> {
    /// What rounding alone can do to the cost, so that a perfect fit is not asked to be better.
    pub(super) fn rounding(&self) -> f64 {
        const DIGITS: f64 = 20.0 * f64::EPSILON * f64::EPSILON;
        let Readings { y, weight, .. } = self.readings;
        let squares = weighted_squares(y, weight);
        match self.loss {
            Loss::Squares => DIGITS * squares,
            Loss::StudentT { scale, .. } => DIGITS * squares / (scale * scale),
        }
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
        // No early exit from the common case: that way it is vectorised.
        let all = |s: &[f64], good: fn(f64) -> bool| s.iter().fold(true, |ok, v| ok & good(*v));
        let heavy = |w: f64| w.is_finite() & (w > 0.0);
        if !(all(x, f64::is_finite) && all(y, f64::is_finite) && all(weight, heavy)) {
            let first = |s: &[f64], good: fn(f64) -> bool| s.iter().position(|v| !good(*v));
            let index = [
                first(x, f64::is_finite),
                first(y, f64::is_finite),
                first(weight, heavy),
            ];
            let index = index.into_iter().flatten().min().unwrap_or(0);
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
    let arrived = match approach(problem, start) {
        Some(near) => walk(problem, near, Gait::near(problem.loss)),
        None => walk(problem, start, Gait::new(problem.loss)),
    };
    finish(problem, arrived?)
}

/// Near enough for a posterior that is sampled afterwards anyway: the walk without its exact end,
/// stopping where less than this share of the cost is still to gain. With a prior on every
/// parameter there is always a covariance.
///
/// # Errors
/// As [`solve`].
pub(super) fn solve_near<M: Model<P>, const P: usize>(
    problem: &Problem<M, P>,
    start: [f64; P],
    enough: f64,
) -> Result<Solution<P>, SolveError> {
    problem.check()?;
    let gait = Gait {
        enough,
        patience: 60,
        ..Gait::new(problem.loss)
    };
    settle(problem, walk(problem, start, gait)?)
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
        let gait = Gait {
            damping,
            patience: 1000,
            ..Gait::new(problem.loss)
        };
        let walked = walk(problem, start, gait);
        let ends = [
            walked.and_then(|arrived| finish(problem, arrived)),
            careful(problem, start, damping),
        ];
        for end in ends {
            match end {
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

#[cfg(test)]
mod tests {
    use super::*;

    /// a + b·x.
    struct Line;
    impl Model<2> for Line {
        fn at(&self, p: &[f64; 2]) -> impl Fn(f64) -> (f64, [f64; 2]) {
            let &[a, b] = p;
            move |x| (a + b * x, [1.0, x])
        }
    }

    struct Level;
    impl Model<1> for Level {
        fn at(&self, p: &[f64; 1]) -> impl Fn(f64) -> (f64, [f64; 1]) {
            let level = p[0];
            move |_| (level, [1.0])
        }
    }

    fn problem<'a, M, const P: usize>(
        model: &'a M,
        x: &'a [f64],
        y: &'a [f64],
    ) -> Problem<'a, M, P> {
        Problem {
            model,
            readings: Readings { x, y, weight: &[] },
            prior: [None; P],
            loss: Loss::Squares,
            share: 1.0,
        }
    }

    const X: [f64; 4] = [0.0, 1.0, 2.0, 3.0];
    const Y: [f64; 4] = [1.0, 3.1, 4.9, 7.0];

    #[test]
    fn a_straight_line_by_hand() {
        let found = solve(&problem(&Line, &X, &Y), [0.0, 0.0]).unwrap();
        // Slope 9.9/5, intercept 4 - 1.5 · slope; (XᵀX)⁻¹ = [14, -6; -6, 4]/20.
        assert!((found.params[1] - 1.98).abs() < 1e-12);
        assert!((found.params[0] - 1.03).abs() < 1e-12);
        for (i, j, expected) in [(0, 0, 0.7), (0, 1, -0.3), (1, 1, 0.2)] {
            assert!((found.covariance[(i, j)] - expected).abs() < 1e-12);
        }
        // Residuals -0.03, 0.09, -0.09, 0.03.
        assert!((found.cost - 0.009).abs() < 1e-12);
        assert!((found.residual_sd.unwrap() - 0.009_f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn priors_weigh_in_as_observations_and_share_holds_readings_back() {
        let (y, weight, share) = ([1.0, 2.0, 4.0], [1.0, 4.0, 0.25], 0.3);
        let prior = Gaussian { mean: 5.0, sd: 0.5 };
        let problem = Problem {
            readings: Readings {
                x: &[0.0; 3],
                y: &y,
                weight: &weight,
            },
            prior: [Some(prior)],
            share,
            ..problem(&Level, &[], &[])
        };
        let found = solve(&problem, [0.0]).unwrap();
        // The conjugate result: precisions add, means weigh by them.
        let precision = share * 5.25 + 4.0;
        let mean = (share * (1.0 + 8.0 + 1.0) + 4.0 * 5.0) / precision;
        assert!((found.params[0] - mean).abs() < 1e-12);
        assert!((found.covariance[(0, 0)] - 1.0 / precision).abs() < 1e-12);
    }

    #[test]
    fn priors_may_stand_in_for_missing_readings() {
        let priors = [
            Some(Gaussian { mean: 1.0, sd: 1.0 }),
            Some(Gaussian { mean: 2.0, sd: 0.1 }),
        ];
        let problem = Problem {
            prior: priors,
            ..problem(&Line, &X[..1], &Y[..1])
        };
        let found = solve(&problem, [0.0, 0.0]).unwrap();
        assert!((found.params[1] - 2.0).abs() < 1e-12);
        assert_eq!(found.residual_sd, None);
    }

    #[test]
    fn a_robust_level_is_where_its_pulls_cancel() {
        let y = [1.0, 1.1, 0.9, 1.05, 9.0];
        let (nu, scale) = (3.0, 0.1);
        let problem = Problem {
            loss: Loss::StudentT { nu, scale },
            ..problem(&Level, &[0.0; 5], &y)
        };
        let found = solve(&problem, [1.5]).unwrap();
        let weight = |r: f64| (nu + 1.0) / (nu * scale * scale + r * r);
        let residuals = y.map(|y| y - found.params[0]);
        let pull: f64 = residuals.iter().map(|r| weight(*r) * r).sum();
        let information: f64 = residuals.iter().map(|r| weight(*r)).sum();
        assert!(pull.abs() < 1e-6 * information * scale, "{pull}");
        assert!((found.covariance[(0, 0)] * information - 1.0).abs() < 1e-3);
        assert!((0.95..1.1).contains(&found.params[0]), "{:?}", found.params);
    }

    #[test]
    fn a_perfect_fit_is_a_fit() {
        let y = X.map(|x| 2.0 + 0.1 * x);
        let found = solve(&problem(&Line, &X, &y), [50.0, -3.0]).unwrap();
        assert!((found.params[0] - 2.0).abs() < 1e-12 && (found.params[1] - 0.1).abs() < 1e-12);
        assert!(found.cost < 1e-25);
    }

    #[test]
    fn refusals_are_named() {
        let refuse = |x: &[f64], y: &[f64], weight: &[f64]| {
            let readings = Readings { x, y, weight };
            solve(
                &Problem {
                    readings,
                    ..problem(&Line, x, y)
                },
                [0.0, 0.0],
            )
            .unwrap_err()
        };
        assert_eq!(
            refuse(&X[..1], &Y[..1], &[]),
            SolveError::TooFew { have: 1, need: 2 }
        );
        assert_eq!(
            refuse(&X, &[1.0, f64::NAN, 2.0, 3.0], &[]),
            SolveError::NotFinite { index: 1 }
        );
        assert_eq!(
            refuse(&[0.0, 1.0, f64::INFINITY, 3.0], &Y, &[]),
            SolveError::NotFinite { index: 2 }
        );
        assert_eq!(
            refuse(&X, &Y, &[1.0, 1.0, 1.0, 0.0]),
            SolveError::NotFinite { index: 3 }
        );
        let lengths = |what, left, right| SolveError::Lengths { what, left, right };
        assert_eq!(refuse(&X, &Y[..3], &[]), lengths("x and y", 4, 3));
        assert_eq!(refuse(&X, &Y, &[1.0]), lengths("x and weights", 4, 1));
        // All at one x: only a + b·x is told, not a and b.
        assert_eq!(refuse(&[2.0; 4], &Y, &[]), SolveError::Singular);
        assert_eq!(
            solve(&problem(&Line, &X, &Y), [f64::NAN, 0.0]),
            Err(SolveError::BadStart)
        );
        for loss in [
            Loss::StudentT {
                nu: 4.0,
                scale: 0.0,
            },
            Loss::StudentT {
                nu: -1.0,
                scale: 1.0,
            },
        ] {
            let problem = Problem {
                loss,
                ..problem(&Line, &X, &Y)
            };
            assert!(matches!(
                solve(&problem, [0.0, 0.0]),
                Err(SolveError::BadSetting(_))
            ));
        }
    }

    #[test]
    fn a_minimum_at_infinity_is_no_minimum() {
        struct Vanishing;
        impl Model<1> for Vanishing {
            fn at(&self, p: &[f64; 1]) -> impl Fn(f64) -> (f64, [f64; 1]) {
                let value = p[0].exp();
                move |_| (value, [value])
            }
        }
        let found = solve(&problem(&Vanishing, &X, &[-1.0, -1.1, -0.9, -1.0]), [0.0]);
        assert!(
            matches!(
                found,
                Err(SolveError::NotConverged(_) | SolveError::Singular)
            ),
            "{found:?}"
        );
    }
}
