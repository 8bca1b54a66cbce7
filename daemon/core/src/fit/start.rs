//! Where the walks begin.
//!
//! Each family is started from several places on a thinned series (medians of at most 60 groups
//! of neighbouring readings, so spikes are gone and a walk costs little); the lowest minimum
//! becomes the start on the whole series.

use super::noise::median;
use super::solve::Readings;
use super::{Point, Prior};

const GROUPS: usize = 60;

/// The thinned series, by column.
pub(super) struct Thinned {
    pub days: Vec<f64>,
    pub gravity: Vec<f64>,
    pub weight: Vec<f64>,
}

impl Thinned {
    /// `points` in time order.
    pub fn new(points: &[Point]) -> Thinned {
        let mut thinned = Thinned {
            days: Vec::with_capacity(GROUPS),
            gravity: Vec::with_capacity(GROUPS),
            weight: Vec::with_capacity(GROUPS),
        };
        for group in points.chunks(points.len().div_ceil(GROUPS).max(1)) {
            let n = group.len() as f64;
            let mut gravity: Vec<f64> = group.iter().map(|p| p.gravity).collect();
            thinned
                .days
                .push(group.iter().map(|p| p.days).sum::<f64>() / n);
            thinned.gravity.push(median(&mut gravity));
            // A few neighbours tell less than their number, so the weight grows only as its root.
            thinned
                .weight
                .push(group.iter().map(|p| p.sd.powi(-2)).sum::<f64>() / n.sqrt());
        }
        thinned
    }

    pub fn readings(&self) -> Readings<'_> {
        Readings {
            x: &self.days,
            y: &self.gravity,
            weight: &self.weight,
        }
    }

    /// Starts for (final gravity, ln k, u) of a logistic: a straight line through the logits,
    /// once towards the expected end and once towards the lowest reading, and the prior itself.
    pub fn starts(&self, prior: &Prior) -> [[f64; 3]; 3] {
        let from_prior = [prior.last.mean, prior.ln_rate.mean, super::LN_ODDS.mean];
        let lowest = self.gravity.iter().copied().fold(f64::INFINITY, f64::min) - 0.0005;
        let straight = |last: f64| {
            self.straight_line(prior.original.mean, last)
                .unwrap_or(from_prior)
        };
        [
            straight(prior.last.mean.min(lowest)),
            straight(lowest),
            from_prior,
        ]
    }

    fn straight_line(&self, original: f64, last: f64) -> Option<[f64; 3]> {
        let (mut sw, mut st, mut sx, mut stt, mut stx) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (t, g) in self.days.iter().zip(&self.gravity) {
            let s = ((g - last) / (original - last)).clamp(0.02, 0.98);
            let x = (1.0 / s - 1.0).ln();
            // The sd of a logit goes as 1/(s(1-s)).
            let w = (s * (1.0 - s)).powi(2);
            sw += w;
            st += w * t;
            sx += w * x;
            stt += w * t * t;
            stx += w * t * x;
        }
        let k = (sw * stx - st * sx) / (sw * stt - st * st);
        let u = (k * st - sx) / sw;
        (k.is_finite() && k > 0.0 && u.is_finite()).then(|| [last, k.ln(), u.clamp(-3.0, 12.0)])
    }
}
