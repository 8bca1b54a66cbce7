//! How fast gravity falls, with an honest error.
//!
//! A straight line through the middles of the hours of a window. Two things make the usual error
//! of such a line far too small here, and both are repaired:
//!
//! - **The noise is correlated** (bubbles, foam, day and night). The variance of the slope is
//!   the Newey-West (1987) sum with a Bartlett kernel over time lags, so gaps and uneven spacing
//!   do no harm. With a bandwidth of a quarter of the window its quantiles are wider than
//!   normal ones (Kiefer & Vogelsang 2005, fixed-b); [`CRITICAL`] allows for that.
//! - **The instrument has steps and drifts.** Readings that all show the same figure have no
//!   scatter at all and prove only that the change was below one step; and a float may creep by
//!   itself. [`Slope::sd`] has a floor for both.
//!
//! - **Warmth moves it.** A float and the mead it lies in expand, and not every float corrects
//!   for it. How much it shows for a kelvin is estimated along with the slope, held near nought
//!   by a prior ([`PER_KELVIN`]); what stays unknown of it widens the error.
//!
//! Known to be shaky: a float that drifts faster than was thought looks like a falling mead, and
//! one that drifts upwards hides a fall. Only a hand reading can tell.

use super::lingering::newey_west;
use super::outcome::Range;

/// One point: days, SG, readings behind it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    pub days: f64,
    pub gravity: f64,
    pub weight: f64,
    /// °C, the last one known; any constant where none is.
    pub celsius: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slope {
    /// SG per day, positive while falling.
    pub fall: f64,
    pub sd: f64,
    /// The part of it that is the unknown effect of warmth.
    pub warmth_sd: f64,
    /// Level at the end of the window, SG.
    pub level: f64,
    /// First to last point, days.
    pub span: f64,
    pub points: usize,
}

/// One-sided 5 % point for the studentised slope (see the head of this module).
pub const CRITICAL: f64 = 2.2;
/// The same point of the normal distribution.
const NORMAL_5: f64 = 1.645;
/// What a float may show for a kelvin that the gravity does not do, SG: water alone changes by
/// 0.00021 a kelvin at 20 °C (CIPM formula, see [`crate::density`]), most of it corrected.
pub(super) const PER_KELVIN: f64 = 0.000_12;
/// Residuals hang together, so that the readings tell less about the kelvin than their number;
/// the prior is made this much heavier (chosen here).
pub(super) const TOGETHER: f64 = 6.0;
/// Fewest points a line is drawn through.
const FEWEST: usize = 3;

impl Slope {
    /// Odds that the fall per day is more than this.
    pub fn odds_above(&self, fall: f64) -> f64 {
        above((fall - self.fall) / (self.sd * CRITICAL / NORMAL_5))
    }

    /// 90 % range of the fall per day.
    pub fn range(&self) -> Range<f64> {
        let half = CRITICAL * self.sd;
        Range {
            mid: self.fall,
            low: self.fall - half,
            high: self.fall + half,
        }
    }
}

/// Odds of a standard normal above z.
pub fn above(z: f64) -> f64 {
    0.5 * libm::erfc(z * std::f64::consts::FRAC_1_SQRT_2)
}

/// Fits the line. `step` is the smallest step the instrument shows, SG, `drift_sd` what it may
/// drift a day by itself. `None` with fewer than
/// three points or no span.
pub fn slope(samples: &[Sample], step: f64, drift_sd: f64) -> Option<Slope> {
    let (first, last) = (samples.first()?, samples.last()?);
    let span = last.days - first.days;
    if samples.len() < FEWEST || span <= 0.0 {
        return None;
    }
    let mut robust = vec![1.0; samples.len()];
    let mut scale = step.max(SCATTER);
    let mut line = weighted_line(samples, &robust, scale)?;
    for _ in 0..4 {
        scale = reweight(samples, &line, step, &mut robust);
        line = weighted_line(samples, &robust, scale)?;
    }
    let variance = variance(samples, &robust, &line, span / 4.0) + line.unknown_warmth.powi(2);
    // A change below half a step in either end can hide in the rounding.
    let rounding = 0.5 * step / span;
    let sd = (variance + rounding * rounding + drift_sd * drift_sd).sqrt();
    Some(Slope {
        fall: -line.slope,
        sd,
        warmth_sd: line.unknown_warmth.abs(),
        level: line.at(last.days),
        span,
        points: samples.len(),
    })
}

struct Line {
    slope: f64,
    intercept: f64,
    centre: f64,
    /// SG per kelvin from the mean temperature.
    warmth: f64,
    celsius: f64,
    /// How much a residual at (days, kelvin) from the centre moves the slope.
    influence: [f64; 2],
    /// Error of the slope from what stays unknown of the warmth.
    unknown_warmth: f64,
}

impl Line {
    /// At the mean temperature.
    fn at(&self, days: f64) -> f64 {
        self.intercept + self.slope * (days - self.centre)
    }

    fn residual(&self, s: &Sample) -> f64 {
        s.gravity - self.at(s.days) - self.warmth * (s.celsius - self.celsius)
    }
}

/// Scatter to begin with, SG.
const SCATTER: f64 = 0.0003;

/// Weights grow with the readings behind an hour only up to a few: neighbours are correlated, so
/// sixty readings are not worth sixty times one.
fn weight(sample: &Sample) -> f64 {
    sample.weight.clamp(0.25, 4.0)
}

fn weighted_line(samples: &[Sample], robust: &[f64], scale: f64) -> Option<Line> {
    let (mut sw, mut st, mut sg, mut sc) = (0.0, 0.0, 0.0, 0.0);
    for (s, r) in samples.iter().zip(robust) {
        let w = weight(s) * r;
        sw += w;
        st += w * s.days;
        sg += w * s.gravity;
        sc += w * s.celsius;
    }
    let (centre, mean, celsius) = (st / sw, sg / sw, sc / sw);
    let (mut sxx, mut sxy, mut sxz, mut szz, mut szy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (s, r) in samples.iter().zip(robust) {
        let w = weight(s) * r;
        let x = s.days - centre;
        sxx += w * x * x;
        sxy += w * x * (s.gravity - mean);
        let z = s.celsius - celsius;
        sxz += w * x * z;
        szz += w * z * z;
        szy += w * z * (s.gravity - mean);
    }
    let prior = TOGETHER * (scale / PER_KELVIN).powi(2);
    let det = sxx * (szz + prior) - sxz * sxz;
    (sxx > 0.0 && det > 0.0).then(|| {
        let influence = [(szz + prior) / det, -sxz / det];
        Line {
            slope: influence[0] * sxy + influence[1] * szy,
            intercept: mean,
            centre,
            warmth: (sxx * szy - sxz * sxy) / det,
            celsius,
            influence,
            unknown_warmth: influence[1] * prior * PER_KELVIN,
        }
    })
}

/// Huber weights with the MAD as scale; the scale never falls below a third of a step.
fn reweight(samples: &[Sample], line: &Line, step: f64, robust: &mut [f64]) -> f64 {
    let mut sizes: Vec<f64> = samples.iter().map(|s| line.residual(s).abs()).collect();
    let middle = sizes.len() / 2;
    let (_, median, _) = sizes.select_nth_unstable_by(middle, f64::total_cmp);
    let scale = (1.4826 * *median).max(step / 3.0).max(1e-5);
    for (s, r) in samples.iter().zip(robust) {
        let size = line.residual(s).abs() / scale;
        *r = if size <= 1.5 { 1.0 } else { 1.5 / size };
    }
    scale
}

/// Variance of the slope; two parameters were fitted to its residuals.
fn variance(samples: &[Sample], robust: &[f64], line: &Line, bandwidth: f64) -> f64 {
    let days: Vec<f64> = samples.iter().map(|s| s.days).collect();
    let scores: Vec<f64> = samples
        .iter()
        .zip(robust)
        .map(|(s, r)| {
            let by = line.influence[0] * (s.days - line.centre)
                + line.influence[1] * (s.celsius - line.celsius);
            weight(s) * r * by * line.residual(s)
        })
        .collect();
    newey_west(&days, &scores, bandwidth, 2.0).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::verdict::lingering::tests::noise;

    fn series(fall: f64, days: f64, seed: u64, rho: f64) -> Vec<Sample> {
        let mut seed = seed;
        let mut e = 0.0;
        (0..=(days * 24.0) as usize)
            .map(|i| {
                let t = i as f64 / 24.0;
                e = rho * e + 0.0004 * (1.0 - rho * rho).sqrt() * noise(&mut seed);
                Sample {
                    days: t,
                    gravity: 1.01 - fall * t + e,
                    weight: 4.0,
                    celsius: 20.0,
                }
            })
            .collect()
    }

    #[test]
    fn the_range_holds_what_it_claims_under_correlated_noise() {
        let runs = 400;
        let mut held = 0;
        for seed in 0..runs {
            let r = slope(&series(0.0007, 4.0, seed * 7919, 0.8), 1e-4, 6e-5)
                .unwrap()
                .range();
            held += u32::from(r.low <= 0.0007 && 0.0007 <= r.high);
        }
        let share = f64::from(held) / runs as f64;
        assert!((0.86..=1.0).contains(&share), "{share}");
    }

    #[test]
    fn identical_readings_prove_only_one_step() {
        let same: Vec<Sample> = (0..48)
            .map(|i| Sample {
                days: f64::from(i) / 24.0,
                gravity: 1.004,
                weight: 4.0,
                celsius: 20.0,
            })
            .collect();
        let r = slope(&same, 0.001, 6e-5).unwrap().range();
        assert!(r.mid.abs() < 1e-12 && r.high > 0.0005, "{r:?}");
        let fine = slope(&same, 0.0001, 6e-5).unwrap().range();
        assert!(fine.high < 0.0003);
    }

    #[test]
    fn a_constant_changes_nothing_but_the_level() {
        let a = series(0.002, 3.0, 5, 0.5);
        let b: Vec<Sample> = a
            .iter()
            .map(|s| Sample {
                gravity: s.gravity + 0.01,
                ..*s
            })
            .collect();
        let (a, b) = (
            slope(&a, 1e-4, 6e-5).unwrap(),
            slope(&b, 1e-4, 6e-5).unwrap(),
        );
        assert!((a.fall - b.fall).abs() < 1e-12 && (a.sd - b.sd).abs() < 1e-12);
        assert!((b.level - a.level - 0.01).abs() < 1e-12);
    }

    #[test]
    fn warming_is_not_taken_for_a_fall() {
        let mut held = 0;
        for seed in 0..200 {
            let mut s = series(0.0, 4.0, seed * 104_729, 0.8);
            for s in &mut s {
                s.celsius = 18.0 + s.days;
                s.gravity -= 0.000_15 * s.days;
            }
            let r = slope(&s, 1e-4, 6e-5).unwrap().range();
            held += u32::from(r.low <= 0.0 && 0.0 <= r.high);
        }
        assert!(held >= 180, "{held} of 200");
    }

    #[test]
    fn spikes_do_not_move_it() {
        let mut s = series(0.0, 2.0, 3, 0.0);
        for i in [7, 19, 40] {
            s[i].gravity += 0.05;
        }
        assert!(slope(&s, 1e-4, 6e-5).unwrap().fall.abs() < 0.0004);
    }
}
