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
//! weights are truncated at √n times their mean (Ionides 2008; from memory).

use nalgebra::{SMatrix, SVector};

use super::curve::Curve;
use super::draw::Draws;
use super::solve::{Gaussian, Loss, Model, Problem, Solution};
use super::{Draw, NU};

/// Draws per family.
const DRAWS: usize = 200;
const GROUPS: usize = 40;
/// Degrees of freedom of the proposal.
const HEAVY: usize = 5;
/// ln Γ(5/2), ln Γ(9/2), ln Γ(5).
const LN_GAMMA_2_5: f64 = 0.284_682_870_472_919_2;
const LN_GAMMA_4_5: f64 = 2.453_736_570_842_442;
const LN_GAMMA_5: f64 = 3.178_053_830_347_946;

struct Group {
    days: f64,
    weight: f64,
    mean_residual: f64,
    best: f64,
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
    let groups = sum_up(problem, &best.params);
    let ln_root: f64 = (0..P).map(|i| root[(i, i)].ln()).sum();
    let ln_prior: f64 = problem
        .prior
        .iter()
        .flatten()
        .map(|g| -(g.sd * std::f64::consts::TAU.sqrt()).ln())
        .sum();
    let half = (HEAVY + P) as f64 / 2.0;
    let ln_constant = ln_prior + ln_root + LN_GAMMA_2_5
        - if P == 4 { LN_GAMMA_4_5 } else { LN_GAMMA_5 }
        + 0.5 * P as f64 * (HEAVY as f64 * std::f64::consts::PI).ln();

    let mut source = Draws::new(seed);
    let mut out = Vec::with_capacity(DRAWS);
    for i in 0..DRAWS / 2 {
        // The first pair is drawn like the rest: the optimum itself is no likelier a draw.
        let _ = i;
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
                (lowest - best.cost) + change(&groups, &problem.prior, &best.params, &p, &curve)
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

/// ln posterior at `p` less that at the optimum.
fn change<const P: usize>(
    groups: &[Group],
    prior: &[Option<Gaussian>; P],
    best: &[f64; P],
    p: &[f64; P],
    curve: &Curve,
) -> f64 {
    let mut change = 0.0;
    for g in groups {
        let moved = curve.value(g.days) - g.best;
        change -= 0.5 * g.weight * moved * (moved - 2.0 * g.mean_residual);
    }
    for ((gaussian, at), was) in prior.iter().zip(p).zip(best) {
        if let Some(Gaussian { mean, sd }) = gaussian {
            change -= 0.5 * (((at - mean) / sd).powi(2) - ((was - mean) / sd).powi(2));
        }
    }
    change
}

fn sum_up<M: Model<P>, const P: usize>(problem: &Problem<M, P>, p: &[f64; P]) -> Vec<Group> {
    let curve = problem.model.at(p);
    let readings = problem.readings;
    let size = readings.x.len().div_ceil(GROUPS).max(1);
    let mut groups = Vec::with_capacity(GROUPS);
    for start in (0..readings.x.len()).step_by(size) {
        let (mut w_sum, mut wt, mut wr) = (0.0, 0.0, 0.0);
        for i in start..(start + size).min(readings.x.len()) {
            let (x, y) = (readings.x[i], readings.y[i]);
            let w = readings.weight.get(i).copied().unwrap_or(1.0);
            let r = y - curve(x).0;
            let robust = match problem.loss {
                Loss::Squares => w,
                Loss::StudentT { nu, scale } => {
                    let information = (nu + 1.0) / (nu + 3.0);
                    information * (nu + 1.0) * w / (nu * scale * scale + w * r * r)
                }
            };
            w_sum += robust;
            wt += robust * x;
            wr += robust * r;
        }
        let days = wt / w_sum;
        groups.push(Group {
            days,
            weight: problem.share * w_sum,
            mean_residual: wr / w_sum,
            best: curve(days).0,
        });
    }
    groups
}

/// The covariance of the draws' proposal, as rows, for whoever wants to print it.
pub(super) fn rows<const P: usize>(covariance: &SMatrix<f64, P, P>) -> Vec<Vec<f64>> {
    (0..P)
        .map(|i| (0..P).map(|j| covariance[(i, j)]).collect())
        .collect()
}
