//! What is left to fall, from the last of the curve alone.
//!
//! Whatever family the whole curve belongs to, its end dies away nearly exponentially, so over
//! the last few thousandths
//!
//! ```text
//! g(t) = end + A·e^(-t/τ) + c·(kelvin) + drift·t + noise          t from now, A = what is left
//! ```
//!
//! For a given time constant τ this is a line fit. τ itself is not known: a grid of it is weighed
//! by how well each explains the readings and by what the fitted curves say of it. So a quick
//! ferment that has been seen to bend and stop is known to be done within a day, while the same
//! flat day after a slow one proves nothing: a long τ explains it as well, and then much is left.
//!
//! - The errors of neighbouring readings hang together. The variance of A is that of least
//!   squares times what Newey & West's sum (1987, Bartlett kernel over time) says they do, and the
//!   likelihood of τ is tempered by the same.
//! - A is not negative, and before the readings it is exponential with a mean that follows from how
//!   far the level lies above where it may end. Where a jar of it was fermented out, how far it lies above
//!   that is a second, independent witness, normal with the errors of both levels.
//! - What the float may drift by itself, and its smallest step, add to the error of A. The drift is
//!   kept apart: only hand readings make it smaller, and then the maker can be told so.
//!
//! Chosen here, no source: the grid, the belief in the curves' τ, how far back is looked.

use super::lingering::newey_west;
use super::outcome::Range;
use super::slope::{Sample, above};
use crate::fit::Gaussian;
use crate::fit::elementary::exp;

/// Time constants tried, days: each 1.2 times the one before, from four hours to six weeks. A step
/// from one to the next doubles what seems left, or halves it; wider steps made it jump over the line.
const GRID: usize = 32;
const SHORTEST: f64 = 0.16;
const RATIO: f64 = 1.2;
/// Spread of ln τ about what the curves say, and the belief that they say it at all.
const LN_SPREAD: f64 = 0.6;
const BY_CURVE: f64 = 0.75;
/// Without the curves: anything from a day to a month.
const LN_MIDDLE: f64 = 1.6;
const LN_WIDE: f64 = 1.0;
/// What fell within days does not end over weeks: the middle is no longer than this share of the
/// time it took, but no shorter than this, days.
const OF_THE_FALL: f64 = 1.0 / 3.0;
const LEAST_MIDDLE: f64 = 0.7;
/// Effect of a kelvin on what a float shows, SG; see [`super::slope`].
const PER_KELVIN: f64 = 0.000_12;
/// Most points looked at; neighbours are merged until so few are left.
const POINTS: usize = 112;
/// The smallest scatter believed, SG.
const LEAST_SCATTER: f64 = 0.000_3;
/// A few dozen readings cannot tell how long their errors linger; they are taken to do so for
/// this long at the least, days.
const LINGERS: f64 = 3.0 / 24.0;
/// Parts believed less than this move no quantile that is shown.
const NEGLIGIBLE: f64 = 1e-7;
/// Time constants, days, up to which a tail is quick and from which on it is slow.
const QUICK: f64 = 1.5;
const SLOW: f64 = 5.0;
/// A jar has fresh yeast and warmth: it may go further than the mead will, SG.
const FURTHER: f64 = 0.001_5;
/// Quantiles of an estimated variance are wider than normal ones (Kiefer & Vogelsang 2005).
const WIDER: f64 = 1.3;

/// What is known beside the samples.
#[derive(Clone, Copy, Debug)]
pub(super) struct Known {
    /// Smallest step the instrument shows, SG, and its own drift a day.
    pub step: f64,
    pub drift_sd: f64,
    /// Scatter of one sample where it is known beforehand (a hydrometer), SG.
    pub scatter: Option<f64>,
    /// Time constant by the curves, days.
    pub time_constant: Option<f64>,
    /// Days the fall before these samples took, if they are the end of the first one.
    pub took: Option<f64>,
    /// Mean of what may be left before the samples are looked at, SG.
    pub may_be_left: f64,
    /// How far it lies above where a jar of it ended, SG.
    pub above_its_jar: Option<Gaussian>,
    /// What is left over what an exponential through the samples makes believe.
    pub truly: Truly,
}

/// By what factor more is left than an exponential makes believe. A quick tail is that of yeast at
/// work, which the last of the sugar stops sooner than any exponential; a slow one that of yeast
/// fading, which slows down further on its way.
#[derive(Clone, Copy, Debug)]
pub(super) struct Truly {
    pub quick: f64,
    pub slow: f64,
}

impl Truly {
    pub const fn both(factor: f64) -> Truly {
        Truly {
            quick: factor,
            slow: factor,
        }
    }

    fn of(self, tau: f64) -> f64 {
        let (from, to) = (QUICK.ln(), SLOW.ln());
        let by = ((tau.ln() - from) / (to - from)).clamp(0.0, 1.0);
        self.quick + by * (self.slow - self.quick)
    }
}

/// The posterior of what is left: a normal, cut off below nought, for each time constant.
#[derive(Clone, Debug)]
pub(super) struct Dying {
    parts: Vec<Part>,
    before: Before,
}

/// What is believed of A before the samples: exponential, and where a jar tells it, normal as well.
#[derive(Clone, Copy, Debug)]
struct Before {
    /// Mean of the exponential.
    lambda: f64,
    above_its_jar: Option<Gaussian>,
}

#[derive(Clone, Copy, Debug)]
struct Part {
    weight: f64,
    truly: f64,
    /// A by least squares.
    left: f64,
    /// Without and with the drift.
    sd: f64,
    sd_all: f64,
}

struct Column {
    days: f64,
    gravity: f64,
    kelvin: f64,
    weight: f64,
}

/// `None` with fewer than four points.
pub(super) fn dying(samples: &[Sample], known: &Known) -> Option<Dying> {
    let mut points = merged(samples);
    if points.len() < 4 {
        return None;
    }
    let n = points.len() as f64;
    let span = points[points.len() - 1].days - points[0].days;
    // The same in every round, and most of the cost.
    let bases: [Basis; GRID] =
        std::array::from_fn(|i| Basis::new(&points, SHORTEST * RATIO.powi(i as i32)));
    let raw: Vec<f64> = points.iter().map(|p| p.weight).collect();
    let mut scatter = known.scatter.unwrap_or(LEAST_SCATTER.max(known.step / 3.0));
    let mut fits: Vec<Fit> = Vec::new();
    for _ in 0..3 {
        fits = bases
            .iter()
            .filter_map(|basis| Fit::new(&points, basis, scatter))
            .collect();
        let best = fits.iter().min_by(|a, b| a.squares.total_cmp(&b.squares))?;
        let residuals = best.residuals(&points);
        let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
        let middle = crate::fit::noise::median(&mut sizes);
        let least = known.scatter.unwrap_or(LEAST_SCATTER.max(known.step / 3.0));
        scatter = (1.4826 * middle * (n / (n - 3.0).max(1.0)).sqrt()).max(least);
        for ((p, r), raw) in points.iter_mut().zip(&residuals).zip(&raw) {
            p.weight = raw * (1.5 * scatter / r.abs()).min(1.0);
        }
    }
    let best = fits.iter().min_by(|a, b| a.squares.total_cmp(&b.squares))?;
    let hang = if known.scatter.is_some() {
        1.0
    } else {
        let spacing = span / (n - 1.0);
        best.hanging_together(&points, span / 4.0, scatter)
            .max(2.0 * LINGERS / spacing)
    };
    let least = best.squares;
    let quick = known
        .took
        .map(|days| (OF_THE_FALL * days).max(LEAST_MIDDLE).ln());
    let middle = quick.map_or(LN_MIDDLE, |q| q.min(LN_MIDDLE));
    let prior = |tau: f64| {
        let normal = |mean: f64, sd: f64| (-0.5 * ((tau.ln() - mean) / sd).powi(2)).exp() / sd;
        let wide = normal(middle, LN_WIDE);
        match known.time_constant {
            Some(t) => BY_CURVE * normal(t.ln(), LN_SPREAD) + (1.0 - BY_CURVE) * wide,
            None => wide,
        }
    };
    // Of a known scatter, the rounding is part.
    let rounding = known.scatter.map_or(0.5 * known.step, |_| 0.0);
    let before = Before {
        lambda: known.may_be_left.max(1e-4),
        above_its_jar: known.above_its_jar,
    };
    let mut parts: Vec<Part> = fits
        .iter()
        .map(|fit| {
            let by_noise = scatter * fit.unit_sd * hang.sqrt() * WIDER;
            let sd = by_noise.hypot(rounding * fit.by_step);
            let sd_all = sd.hypot(known.drift_sd * fit.by_drift);
            let truly = known.truly.of(fit.basis.tau);
            let (mean, spread, evidence) = before.with(fit.left, sd_all, truly);
            let evidence = evidence - 0.5 * (fit.squares - least) / (scatter * scatter * hang)
                + ln_above(-mean / spread);
            Part {
                weight: prior(fit.basis.tau).ln() + evidence,
                truly,
                left: fit.left,
                sd,
                sd_all,
            }
        })
        .collect();
    let top = parts
        .iter()
        .map(|p| p.weight)
        .fold(f64::NEG_INFINITY, f64::max);
    if !top.is_finite() {
        return None;
    }
    parts
        .iter_mut()
        .for_each(|p| p.weight = (p.weight - top).exp());
    let sum: f64 = parts.iter().map(|p| p.weight).sum();
    parts.iter_mut().for_each(|p| p.weight /= sum);
    Some(Dying { parts, before })
}

impl Before {
    /// A normal likelihood times this is a normal again: its mean, its standard deviation, and the ln of
    /// how well the two agree.
    fn with(&self, left: f64, sd: f64, truly: f64) -> (f64, f64, f64) {
        let (mut mean, mut spread, mut agree) = (left, sd, 0.0);
        if let Some(m) = self.above_its_jar {
            let jar = m.mean / truly;
            let further = if left < jar { FURTHER } else { 0.0 };
            let jar_variance = (m.sd.hypot(further) / truly).powi(2);
            let variance = sd * sd + jar_variance;
            mean = (left * jar_variance + jar * sd * sd) / variance;
            spread = sd * (jar_variance / variance).sqrt();
            agree = -0.5 * ((left - jar).powi(2) / variance + (variance / jar_variance).ln());
        }
        let moved = spread * spread / self.lambda;
        (
            mean - moved,
            spread,
            agree + 0.5 * moved / self.lambda - mean / self.lambda,
        )
    }
}

/// ln of [`above`], also far out where that is nought.
fn ln_above(z: f64) -> f64 {
    if z < 6.0 {
        above(z).ln()
    } else {
        -0.5 * z * z - (z * std::f64::consts::TAU.sqrt()).ln()
    }
}

impl Dying {
    /// Odds that more than this is left.
    pub fn odds_more(&self, left: f64) -> f64 {
        self.odds(left, |p| p.sd_all)
    }

    /// The same if hand readings told the float's drift.
    pub fn odds_more_without_drift(&self, left: f64) -> f64 {
        self.odds(left, |p| p.sd)
    }

    fn odds(&self, left: f64, sd: impl Fn(&Part) -> f64) -> f64 {
        let normals = self.parts.iter().map(|p| Normal::of(p, sd(p), self));
        normals.map(|n| n.odds_more(left)).sum()
    }

    pub fn left(&self) -> Range<f64> {
        let heavy = self.parts.iter().filter(|p| p.weight > NEGLIGIBLE);
        let normals: Vec<Normal> = heavy.map(|p| Normal::of(p, p.sd_all, self)).collect();
        let quantile = |q: f64| {
            let (mut low, mut high) = (0.0, 0.2);
            for _ in 0..24 {
                let mid = 0.5 * (low + high);
                let more: f64 = normals.iter().map(|n| n.odds_more(mid)).sum();
                if more > 1.0 - q {
                    low = mid;
                } else {
                    high = mid;
                }
            }
            0.5 * (low + high)
        };
        Range {
            mid: quantile(0.5),
            low: quantile(0.05),
            high: quantile(0.95),
        }
    }
}

/// A normal cut off below nought, with its weight.
struct Normal {
    weight: f64,
    mean: f64,
    sd: f64,
    /// ln of the share above nought.
    ln_above_nought: f64,
    truly: f64,
}

impl Normal {
    /// The likelihood times what was believed before.
    fn of(part: &Part, sd: f64, dying: &Dying) -> Normal {
        let (mean, sd, _) = dying.before.with(part.left, sd, part.truly);
        Normal {
            weight: part.weight,
            mean,
            sd,
            ln_above_nought: ln_above(-mean / sd),
            truly: part.truly,
        }
    }

    fn odds_more(&self, left: f64) -> f64 {
        let ln = ln_above((left / self.truly - self.mean) / self.sd) - self.ln_above_nought;
        self.weight * ln.min(0.0).exp()
    }
}

/// Neighbours merged; days from the last.
fn merged(samples: &[Sample]) -> Vec<Column> {
    let Some(last) = samples.last() else {
        return Vec::new();
    };
    let size = samples.len().div_ceil(POINTS).max(1);
    // Counted from the end, so that a new sample does not shuffle the old ones together anew.
    let chunks = samples.rchunks(size);
    let mut points: Vec<Column> = chunks
        .map(|chunk| {
            let n = chunk.len() as f64;
            let mean = |of: fn(&Sample) -> f64| chunk.iter().map(of).sum::<f64>() / n;
            let mut gravity: Vec<f64> = chunk.iter().map(|s| s.gravity).collect();
            Column {
                days: mean(|s| s.days) - last.days,
                gravity: if size > 2 {
                    crate::fit::noise::median(&mut gravity)
                } else {
                    mean(|s| s.gravity)
                },
                kelvin: mean(|s| s.celsius),
                weight: mean(|s| s.weight.clamp(0.25, 4.0)).sqrt() * n.sqrt(),
            }
        })
        .collect();
    points.reverse();
    let mean = points.iter().map(|p| p.weight).sum::<f64>() / points.len() as f64;
    points.iter_mut().for_each(|p| p.weight /= mean);
    points
}

/// e^(-t/τ) at each point.
struct Basis {
    tau: f64,
    left: Vec<f64>,
}

impl Basis {
    fn new(points: &[Column], tau: f64) -> Basis {
        // No further up than e^6: what is older than that says nothing of the tail.
        let rate = -1.0 / tau;
        let left = points.iter().map(|p| exp((p.days * rate).min(6.0)));
        Basis {
            tau,
            left: left.collect(),
        }
    }
}

/// Least squares for one τ: end, A and the kelvin's effect, the last held near nought.
struct Fit<'a> {
    basis: &'a Basis,
    left: f64,
    end: f64,
    by_kelvin: f64,
    kelvin: f64,
    squares: f64,
    /// Standard error of A for a scatter of one.
    unit_sd: f64,
    /// What a drift of one a day, and a step of one at the worst places, make of A.
    by_drift: f64,
    by_step: f64,
    /// Row of A in the inverse: [end, A, kelvin].
    row: [f64; 3],
}

impl Fit<'_> {
    fn new<'a>(points: &[Column], basis: &'a Basis, scatter: f64) -> Option<Fit<'a>> {
        let total: f64 = points.iter().map(|p| p.weight).sum();
        let kelvin = points.iter().map(|p| p.weight * p.kelvin).sum::<f64>() / total;
        let base = points[points.len() - 1].gravity;
        // [ww, wx, wz, wxx, wxz, wzz] and [wy, wxy, wzy].
        let (mut m, mut v) = ([0.0; 6], [0.0; 3]);
        for (p, x) in points.iter().zip(&basis.left) {
            let (z, y) = (p.kelvin - kelvin, p.gravity - base);
            let (wx, wz) = (p.weight * x, p.weight * z);
            let products = [p.weight, wx, wz, wx * x, wx * z, wz * z];
            m.iter_mut().zip(products).for_each(|(sum, by)| *sum += by);
            let products = [p.weight * y, wx * y, wz * y];
            v.iter_mut().zip(products).for_each(|(sum, by)| *sum += by);
        }
        let [ww, wx, wz, wxx, wxz, wzz] = m;
        let held = wzz + (scatter / PER_KELVIN).powi(2);
        let matrix = nalgebra::Matrix3::new(ww, wx, wz, wx, wxx, wxz, wz, wxz, held);
        let inverse = matrix.try_inverse()?;
        let b = inverse * nalgebra::Vector3::from(v);
        let row = [inverse[(1, 0)], inverse[(1, 1)], inverse[(1, 2)]];
        let mut fit = Fit {
            basis,
            left: b[1],
            end: base + b[0],
            by_kelvin: b[2],
            kelvin,
            squares: 0.0,
            unit_sd: inverse[(1, 1)].max(0.0).sqrt(),
            by_drift: 0.0,
            by_step: 0.0,
            row,
        };
        for (p, x) in points.iter().zip(&basis.left) {
            fit.squares += p.weight * fit.residual(p, *x).powi(2);
            fit.by_drift += fit.influence(p, *x) * p.days;
        }
        fit.squares += (b[2] * scatter / PER_KELVIN).powi(2);
        fit.by_drift = fit.by_drift.abs();
        let span = -points[0].days;
        // Half a step up at one end and down at the other.
        fit.by_step = fit.by_drift * 2.0 / span.max(1e-6);
        fit.squares.is_finite().then_some(fit)
    }

    fn residual(&self, p: &Column, x: f64) -> f64 {
        p.gravity - self.end - self.left * x - self.by_kelvin * (p.kelvin - self.kelvin)
    }

    fn residuals(&self, points: &[Column]) -> Vec<f64> {
        let points = points.iter().zip(&self.basis.left);
        points.map(|(p, x)| self.residual(p, *x)).collect()
    }

    /// How much a residual at a point moves A.
    fn influence(&self, p: &Column, x: f64) -> f64 {
        let [a, b, c] = self.row;
        p.weight * (a + b * x + c * (p.kelvin - self.kelvin))
    }

    /// Variance of A over what independent errors would make it, at least one.
    fn hanging_together(&self, points: &[Column], bandwidth: f64, scatter: f64) -> f64 {
        let scores: Vec<f64> = points
            .iter()
            .zip(&self.basis.left)
            .map(|(p, x)| self.influence(p, *x) * self.residual(p, *x))
            .collect();
        let days: Vec<f64> = points.iter().map(|p| p.days).collect();
        let variance = newey_west(&days, &scores, bandwidth, 3.0);
        (variance / (scatter * self.unit_sd).powi(2)).clamp(1.0, 60.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::verdict::lingering::tests::noise;

    /// Hourly, `left(days from now)`, with noise that lingers for a few hours and day and night.
    fn samples(days: f64, seed: u64, left: impl Fn(f64) -> f64) -> Vec<Sample> {
        let mut seed = seed;
        let mut slow = 0.0;
        let n = (days * 24.0) as usize;
        (0..=n)
            .map(|i| {
                let t = i as f64 / 24.0;
                slow = 0.8 * slow + 0.0004 * 0.6 * noise(&mut seed);
                let kelvin = 0.8 * (std::f64::consts::TAU * t).sin();
                Sample {
                    days: t,
                    gravity: 0.995 + left(t - days) + slow + 0.0003 * noise(&mut seed)
                        - 8e-5 * kelvin,
                    weight: 2.0,
                    celsius: 20.0 + kelvin,
                }
            })
            .collect()
    }

    const KNOWN: Known = Known {
        step: 0.0005,
        drift_sd: 8e-5,
        scatter: None,
        time_constant: Some(1.0),
        took: None,
        may_be_left: 0.01,
        above_its_jar: None,
        truly: Truly::both(2.0),
    };

    #[test]
    fn a_jar_is_believed_as_far_as_it_is_known() {
        let s = samples(6.0, 7, |t| 0.002 * (-t / 2.0).exp());
        let odds = |jar: Option<(f64, f64)>| {
            let known = Known {
                above_its_jar: jar.map(|(mean, sd)| Gaussian { mean, sd }),
                truly: Truly::both(1.0),
                ..KNOWN
            };
            dying(&s, &known).unwrap().odds_more(0.002)
        };
        let alone = odds(None);
        let (near, far) = (odds(Some((0.0, 0.001))), odds(Some((0.008, 0.001))));
        assert!((0.1..0.9).contains(&alone), "{alone}");
        assert!(
            near < alone - 0.2 && far > alone + 0.05,
            "{near} {alone} {far}"
        );
        let vague = odds(Some((0.0, 0.05)));
        assert!((vague - alone).abs() < 0.05, "{vague} {alone}");
    }

    #[test]
    fn quick_tails_end_sooner_than_slow_ones() {
        let truly = Truly {
            quick: 0.7,
            slow: 1.4,
        };
        assert_eq!((truly.of(0.5), truly.of(20.0)), (0.7, 1.4));
        assert!((0.9..1.2).contains(&truly.of(2.7)));
    }

    #[test]
    fn a_straight_fall_leaves_much() {
        for seed in 0..40 {
            for time_constant in [Some(1.0), None] {
                let s = samples(1.25, seed * 7919, |t| 0.015 - 0.005 * t);
                let known = Known {
                    time_constant,
                    ..KNOWN
                };
                let d = dying(&s, &known).unwrap();
                assert!(
                    d.odds_more(0.002) > 0.2,
                    "{seed} {time_constant:?} {} {d:?}",
                    d.odds_more(0.002)
                );
            }
        }
    }
}
