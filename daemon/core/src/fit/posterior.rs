//! From one family's best fit to a cloud of curves that could as well be the truth.
//!
//! Early in a fermentation the end is hardly determined and the range of, say, the final gravity
//! is lopsided; a best value plus-minus two standard errors would be wrong. So: draw parameters
//! from a multivariate t with 5 degrees of freedom about the optimum (heavier in the tails than
//! what it stands for), and weigh each draw by how much more the posterior likes it than the
//! proposal did (importance sampling). The mean weight also estimates the family's evidence, so
//! the same weights, left unnormalised, average over the families: with proper priors on every
//! parameter this is what BIC weights approximate, the effective number of readings entering
//! through `share`.
//!
//! The posterior is cheap to evaluate because the readings are summed up beforehand: with the
//! robust weights frozen at the optimum, a group of neighbouring readings enters only through its
//! total weight and its mean residual. The weights carry the factor (ν + 1)/(ν + 3) that turns
//! the reweighted curvature of Student's t into its Fisher information.
//!
//! Shaky: the frozen weights make the sum quadratic in the curve (not in the parameters), which
//! underrates the tails of a t likelihood; a weight may be dominated by few draws, which is why
//! weights are truncated at √n times their mean.

use nalgebra::{SMatrix, SVector};

use super::curve::Curve;
use super::draw::Draws;
use super::pass::Readings;
use super::solve::{Gaussian, Loss, Model, Problem, Solution};
use super::{Draw, NU};

/// Draws per family.
const DRAWS: usize = 160;
const GROUPS: usize = 40;
/// Degrees of freedom of the proposal.
const HEAVY: usize = 5;

/// The readings summed up, by column.
struct Groups {
    days: Vec<f64>,
    weight: Vec<f64>,
    mean_residual: Vec<f64>,
    /// The best curve.
    best: Vec<f64>,
    /// Room for a drawn one.
    drawn: Vec<f64>,
}

/// Curves with weights; the weights of all families are on one scale, `cost - lowest` deep.
pub(super) fn draws<M: Model<P>, const P: usize>(
    problem: &Problem<M, P>,
    best: &Solution<P>,
    lowest: f64,
    seed: u64,
    curve: impl Fn(&[f64; P]) -> Curve,
) -> Vec<Draw> {
    // Wider than the reweighted covariance by what Student's t takes from the information.
    let spread = best.covariance * ((NU + 3.0) / (NU + 1.0));
    let Some(root) = nalgebra::Cholesky::new(spread).map(|c| c.l()) else {
        return Vec::new();
    };
    let mut groups = Groups::new(problem, &best.params);
    let ln_root: f64 = (0..P).map(|i| root[(i, i)].ln()).sum();
    let ln_prior: f64 = problem
        .prior
        .iter()
        .flatten()
        .map(|g| -(g.sd * std::f64::consts::TAU.sqrt()).ln())
        .sum();
    let half = (HEAVY + P) as f64 / 2.0;
    let ln_constant = ln_prior + ln_root + ln_gamma_half(HEAVY) - ln_gamma_half(HEAVY + P)
        + 0.5 * P as f64 * (HEAVY as f64 * std::f64::consts::PI).ln();

    let mut source = Draws::new(seed);
    let mut out = Vec::with_capacity(DRAWS);
    for _ in 0..DRAWS / 2 {
        let z = SVector::<f64, P>::from(source.normal_vector::<P>())
            * source.student_stretch::<HEAVY>();
        let ln_proposal = -half * (z.norm_squared() / HEAVY as f64).ln_1p();
        let step = root * z;
        // Both signs: the mean of the proposal is then exactly the optimum.
        for sign in [1.0, -1.0] {
            let mut p = best.params;
            for (value, by) in p.iter_mut().zip(step.iter()) {
                *value += sign * by;
            }
            let curve = curve(&p);
            let fall = curve.original > curve.last;
            let ln_weight = if fall {
                (lowest - best.cost)
                    + groups.change(&curve)
                    + prior_change(&problem.prior, &best.params, &p)
                    - ln_proposal
                    + ln_constant
            } else {
                f64::NEG_INFINITY
            };
            let weight = ln_weight.exp();
            out.push(Draw {
                curve,
                weight: if weight.is_finite() { weight } else { 0.0 },
            });
        }
    }
    let n = out.len() as f64;
    let cap = n.sqrt() * out.iter().map(|d| d.weight).sum::<f64>() / n;
    for draw in &mut out {
        draw.weight = draw.weight.min(cap);
    }
    out
}

/// ln Γ(n/2), n at least 1.
fn ln_gamma_half(n: usize) -> f64 {
    let (first, start) = if n.is_multiple_of(2) {
        (2, 0.0)
    } else {
        (1, 0.5 * std::f64::consts::PI.ln())
    };
    start
        + (first..n)
            .step_by(2)
            .map(|k| (0.5 * k as f64).ln())
            .sum::<f64>()
}

impl Groups {
    fn new<M: Model<P>, const P: usize>(problem: &Problem<M, P>, p: &[f64; P]) -> Groups {
        let curve = problem.model.at(p);
        let Readings { x, y, weight } = problem.readings;
        let size = x.len().div_ceil(GROUPS).max(1);
        let mut groups = Groups {
            days: Vec::with_capacity(GROUPS),
            weight: Vec::with_capacity(GROUPS),
            mean_residual: Vec::with_capacity(GROUPS),
            best: Vec::with_capacity(GROUPS),
            drawn: vec![0.0; GROUPS],
        };
        for (i, (xs, ys)) in x.chunks(size).zip(y.chunks(size)).enumerate() {
            let (mut sum, mut wt, mut wr) = (0.0, 0.0, 0.0);
            for (j, (x, y)) in xs.iter().zip(ys).enumerate() {
                let w = weight.get(i * size + j).copied().unwrap_or(1.0);
                let r = y - curve(*x).0;
                let robust = match problem.loss {
                    Loss::Squares => w,
                    Loss::StudentT { nu, scale } => {
                        let information = (nu + 1.0) / (nu + 3.0);
                        information * (nu + 1.0) * w / (nu * scale * scale + w * r * r)
                    }
                };
                sum += robust;
                wt += robust * x;
                wr += robust * r;
            }
            let days = wt / sum;
            groups.days.push(days);
            groups.weight.push(problem.share * sum);
            groups.mean_residual.push(wr / sum);
            groups.best.push(curve(days).0);
        }
        groups
    }

    /// ln likelihood of a curve less that of the best.
    fn change(&mut self, curve: &Curve) -> f64 {
        curve.values(&self.days, &mut self.drawn);
        let mut change = 0.0;
        for (((drawn, best), weight), residual) in self
            .drawn
            .iter()
            .zip(&self.best)
            .zip(&self.weight)
            .zip(&self.mean_residual)
        {
            let moved = drawn - best;
            change -= 0.5 * weight * moved * (moved - 2.0 * residual);
        }
        change
    }
}

/// ln prior at `p` less that at the best.
fn prior_change<const P: usize>(
    prior: &[Option<Gaussian>; P],
    best: &[f64; P],
    p: &[f64; P],
) -> f64 {
    let mut change = 0.0;
    for ((gaussian, at), was) in prior.iter().zip(p).zip(best) {
        if let Some(Gaussian { mean, sd }) = gaussian {
            change -= 0.5 * (((at - mean) / sd).powi(2) - ((was - mean) / sd).powi(2));
        }
    }
    change
}

/// A covariance as rows.
pub(super) fn rows<const P: usize>(covariance: &SMatrix<f64, P, P>) -> Vec<Vec<f64>> {
    (0..P)
        .map(|i| (0..P).map(|j| covariance[(i, j)]).collect())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::ln_gamma_half;

    #[test]
    fn gamma_of_halves() {
        // Γ(1/2) = √π, Γ(5/2) = 3√π/4, Γ(1) = Γ(2) = 1, Γ(5) = 24.
        let root = std::f64::consts::PI.sqrt();
        for (n, gamma) in [(1, root), (5, 0.75 * root), (2, 1.0), (4, 1.0), (10, 24.0)] {
            assert!((ln_gamma_half(n).exp() / gamma - 1.0).abs() < 1e-14);
        }
    }
}
