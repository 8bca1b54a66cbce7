//! What a fit can be asked. Every answer is a weighted quantile over the drawn curves, so it
//! carries the doubt about the parameters and about the family, not the noise of a reading.

use super::curve::{Curve, Family};
use crate::verdict::outcome::{Range, Spread};

/// One family's best fit.
#[derive(Clone, Debug, PartialEq)]
pub struct FamilyFit {
    pub family: Family,
    /// The best curve of the family.
    pub curve: Curve,
    /// original, final, ln k, u and, for the asymmetric family, ln s.
    pub params: Vec<f64>,
    /// Of `params`, row by row, allowing for correlated readings.
    pub covariance: Vec<Vec<f64>>,
    /// Share of belief, summing to 1 over the families.
    pub weight: f64,
    /// SG.
    pub residual_sd: f64,
}

/// A curve that could be the truth, and how far to believe it (weights sum to 1).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Draw {
    pub curve: Curve,
    pub weight: f64,
}

/// The curve at one time: middle, the half and the nine tenths of belief about it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    pub mid: f64,
    pub low: f64,
    pub high: f64,
    pub half_low: f64,
    pub half_high: f64,
}

/// Beyond this many days a forecast is no forecast (our choice).
pub const HORIZON_DAYS: f64 = 730.0;

#[derive(Clone, Debug, PartialEq)]
pub struct Fitted {
    pub families: Vec<FamilyFit>,
    pub draws: Vec<Draw>,
    /// Lag-one correlation of the residuals.
    pub autocorrelation: f64,
    /// Independent readings that would tell as much as those given.
    pub effective_readings: f64,
}

impl Fitted {
    /// Gravity by the curve, `days` after pitching.
    pub fn at(&self, days: f64) -> Band {
        let [low, half_low, mid, half_high, high] =
            self.quantiles([0.05, 0.25, 0.5, 0.75, 0.95], |c| c.value(days));
        Band {
            mid,
            low,
            high,
            half_low,
            half_high,
        }
    }

    pub fn final_gravity(&self) -> Spread<f64> {
        self.spread(|c| c.last)
    }

    /// Gravity still to fall.
    pub fn left_after(&self, days: f64) -> Range<f64> {
        self.range(|c| c.left_after(days))
    }

    /// What is still to fall, for many questions about one time.
    pub fn outlook(&self, days: f64) -> Outlook {
        let mut shares = Vec::with_capacity(self.draws.len());
        let mut left = Vec::with_capacity(self.draws.len());
        for Draw { curve, weight } in &self.draws {
            let share = curve.share_left(days);
            shares.push((1.0 - share, *weight));
            left.push(((curve.original - curve.last) * share, *weight));
        }
        shares.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        left.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        Outlook {
            done: weighted_quantile(&shares, 0.5),
            left,
        }
    }

    /// Fall per day, positive while falling.
    pub fn rate_at(&self, days: f64) -> Range<f64> {
        self.range(|c| c.rate(days))
    }

    /// When the fall is steepest, days after pitching, and how steep it is then, SG per day.
    pub fn steepest(&self) -> (Range<f64>, Range<f64>) {
        (
            self.range(Curve::steepest),
            self.range(|c| c.rate(c.steepest())),
        )
    }

    /// Share of the fall that is over.
    pub fn fraction_done(&self, days: f64) -> Range<f64> {
        self.range(|c| 1.0 - c.share_left(days))
    }

    /// Days after pitching at which gravity is within `step` of its end, not before `after_days`.
    /// `None` when more likely than not that is beyond [`HORIZON_DAYS`]; the upper ends stop there.
    pub fn settles(&self, step: f64, after_days: f64) -> Option<Spread<f64>> {
        let spread = self.spread(|c| c.time_within(step).max(after_days));
        let horizon = HORIZON_DAYS.max(after_days);
        (spread.mid <= horizon).then(|| spread.map(|days| days.min(horizon)))
    }

    /// Belief, 0 to 1, in a statement about the curve.
    pub fn belief(&self, holds: impl Fn(&Curve) -> bool) -> f64 {
        self.draws
            .iter()
            .filter(|d| holds(&d.curve))
            .map(|d| d.weight)
            .sum()
    }

    /// The middle with its 5 and 95 % quantiles of anything computed from a curve.
    pub fn range(&self, of: impl Fn(&Curve) -> f64) -> Range<f64> {
        let [low, mid, high] = self.quantiles([0.05, 0.5, 0.95], of);
        Range { mid, low, high }
    }

    /// The middle with the half and the nine tenths of belief about it.
    pub fn spread(&self, of: impl Fn(&Curve) -> f64) -> Spread<f64> {
        let [low, half_low, mid, half_high, high] =
            self.quantiles([0.05, 0.25, 0.5, 0.75, 0.95], of);
        Spread {
            low,
            half_low,
            mid,
            half_high,
            high,
        }
    }

    fn quantiles<const N: usize>(&self, at: [f64; N], of: impl Fn(&Curve) -> f64) -> [f64; N] {
        let mut values: Vec<(f64, f64)> = self
            .draws
            .iter()
            .map(|d| (of(&d.curve), d.weight))
            .collect();
        values.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        at.map(|q| weighted_quantile(&values, q))
    }
}

/// How far the drawn curves have come at one time.
#[derive(Clone, Debug, PartialEq)]
pub struct Outlook {
    /// Share of the fall that is over, the middle of belief.
    pub done: f64,
    /// Gravity still to fall and weight of every draw, rising.
    left: Vec<(f64, f64)>,
}

impl Outlook {
    /// Gravity still to fall.
    pub fn left(&self) -> Range<f64> {
        let [low, mid, high] = [0.05, 0.5, 0.95].map(|q| weighted_quantile(&self.left, q));
        Range { mid, low, high }
    }

    /// Belief, 0 to 1, that more than this is left.
    pub fn odds_more_left(&self, left: f64) -> f64 {
        let more = self.left.iter().rev().take_while(|l| l.0 > left);
        more.map(|l| l.1).sum()
    }
}

/// Quantile of sorted (value, weight), the weights summing to 1: the first value with at least
/// `q` at or below it. No interpolation: this way quantiles of falling curves fall.
fn weighted_quantile(sorted: &[(f64, f64)], q: f64) -> f64 {
    let mut below = 0.0;
    let mut value = f64::NAN;
    for &(next, weight) in sorted {
        value = next;
        below += weight;
        // The last few additions may round the sum to less than one.
        if below >= q - 1e-12 {
            break;
        }
    }
    value
}

#[cfg(test)]
mod tests {
    use super::weighted_quantile;

    #[test]
    fn quantiles_of_equal_and_unequal_weights() {
        let equal: Vec<(f64, f64)> = (0..5).map(|i| (f64::from(i), 0.2)).collect();
        let of = |q| weighted_quantile(&equal, q);
        assert_eq!(
            [of(0.0), of(0.2), of(0.3), of(0.5), of(1.0)],
            [0.0, 0.0, 1.0, 2.0, 4.0]
        );
        let heavy = [(1.0, 0.9), (2.0, 0.1)];
        assert_eq!(weighted_quantile(&heavy, 0.9), 1.0);
        assert_eq!(weighted_quantile(&heavy, 0.91), 2.0);
        assert!(weighted_quantile(&[(1.0, 0.5), (f64::INFINITY, 0.5)], 0.9).is_infinite());
    }
}
