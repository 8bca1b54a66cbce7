//! Sudden shifts of the float: foam or lees on it, a knock, taken out and cleaned.
//!
//! A fermentation does not jump. For every hour the mean of the four before it is compared with that of
//! the four after, and the difference with what the trend before and the trend after would make of
//! it; what lies outside *both* is a jump. So a fast ferment, its start and its end are none: the fall
//! over a few hours lies between the rates on either side. How far outside counts follows the scatter of
//! the same comparison over the days around, so bubbles and slow noise, which make it larger, also ask for
//! more. Spikes of one or two hours are gone before (running median of five, which keeps edges), nothing is
//! said across a gap, nor near a deed.
//!
//! Shaky: two shifts within 16 hours hide one another, and an addition that was never logged looks like
//! a shift upwards; a hand reading tells them apart.

use super::points::Point;
use crate::fit::noise::{mad_scale, median};
use crate::time::{Moment, Span};

/// The float reads `size` higher from `at` on than it would have.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    pub at: Moment,
    pub size: f64,
    pub sd: f64,
}

pub(super) struct Found {
    pub steps: Vec<Step>,
    pub noise: f64,
}

/// Points on either side that are compared.
const BLOCK: usize = 4;
/// Points between the outer block, which gives the trend, and the inner one.
const REACH: usize = 12;
/// A shift is believed when it has stayed for so many points.
const STAYED: usize = 6;
/// Nothing is compared across longer silence.
const GAP_DAYS: f64 = 3.1 / 24.0;
/// Smaller shifts are within what a float does anyway.
const SMALLEST: f64 = 0.002;
/// How many times the usual scatter a shift must exceed. In the simulations of tests/instrument 5.5 gives
/// no false shift in 88 vessel-years of ferments under four kinds of float and two in 22 more under a rough
/// one; of true shifts of 0.003 it finds 63 %, of 0.005 96 %.
const BEYOND: f64 = 5.5;
/// Taking the trend off adds its own noise; 95 % within two sds by the same simulation.
const TREND_TOO: f64 = 1.5;
/// How much of a shift must happen between the hour before and the hour after.
const AT_ONCE: f64 = 0.6;
/// How much of a shift the middles of so many points before and after must show: a few wild hours do not.
const STAYS: f64 = 0.6;
const LEVEL: usize = 8;
/// Mixing, settling and shedding bubbles after a deed.
const DEED: Span = Span::hours(6);
/// Points a scatter is taken from.
const CHUNK: usize = 48;
/// Scatter of a comparison below this is luck or rounding, not quality.
const LEAST_SCATTER: f64 = 0.000_15;
/// What a level of a float is worth when nothing is known about its noise; chosen here.
const USUAL_NOISE: f64 = 0.000_5;

pub(super) fn find(points: &[Point], deeds_at: &[Moment]) -> Found {
    let sums = Sums::new(points);
    let comparisons: Vec<f64> = (0..points.len())
        .map(|i| sums.jump(i).unwrap_or(f64::NAN))
        .collect();
    let scatter = Scatter::new(&comparisons);
    let mut steps = Vec::new();
    let mut best: Option<Candidate> = None;
    for (i, (jump, point)) in comparisons.iter().zip(points).enumerate() {
        if best.as_ref().is_some_and(|b| i > b.index + STAYED) {
            steps.extend(best.take().and_then(|b| sums.confirm(points, &b)));
        }
        // Most hours end here.
        if jump.is_nan() {
            continue;
        }
        let Some(trend) = sums.trend(i) else {
            continue;
        };
        let excess = trend.excess(*jump);
        if excess.abs() < SMALLEST {
            continue;
        }
        let sd = scatter.at(i);
        if excess.abs() < BEYOND * sd || near_deed(deeds_at, point.at) {
            continue;
        }
        if best.as_ref().is_none_or(|b| excess.abs() > b.excess.abs()) {
            best = Some(Candidate {
                index: i,
                excess,
                jump: *jump,
                rate: trend.rate(),
                size: jump - trend.rate() * trend.days,
                sd: ((TREND_TOO * sd).powi(2) + trend.doubt().powi(2)).sqrt(),
            });
        }
    }
    steps.extend(best.and_then(|b| sums.confirm(points, &b)));
    Found {
        steps,
        noise: scatter.usual(),
    }
}

struct Candidate {
    index: usize,
    excess: f64,
    jump: f64,
    /// Trend, SG a day.
    rate: f64,
    size: f64,
    sd: f64,
}

/// What the fall on both sides makes of the time between the blocks.
struct Trend {
    /// The lesser and the greater rate, SG a day.
    low: f64,
    high: f64,
    days: f64,
}

impl Trend {
    fn excess(&self, jump: f64) -> f64 {
        jump - jump.clamp(self.low * self.days, self.high * self.days)
    }

    fn rate(&self) -> f64 {
        0.5 * (self.low + self.high)
    }

    /// Anywhere between the two: the sd of an even chance.
    fn doubt(&self) -> f64 {
        (self.high - self.low) * self.days / 12.0_f64.sqrt()
    }
}

/// Running sums, so that the mean of any block is two look-ups.
struct Sums {
    /// Running medians of five.
    smooth: Vec<f64>,
    gravity: Vec<f64>,
    days: Vec<f64>,
    /// How many points before each follow one another without a gap.
    unbroken: Vec<usize>,
}

impl Sums {
    fn new(points: &[Point]) -> Sums {
        let smooth: Vec<f64> = (0..points.len())
            .map(|i| running_median(points, i))
            .collect();
        let mut run = 0;
        let mut last = f64::NEG_INFINITY;
        let unbroken = points.iter().map(|p| {
            run = if p.days - last <= GAP_DAYS {
                run + 1
            } else {
                0
            };
            last = p.days;
            run
        });
        // Less one, so that the sums keep their digits.
        Sums {
            gravity: running_sum(smooth.iter().map(|g| g - 1.0)),
            days: running_sum(points.iter().map(|p| p.days)),
            unbroken: unbroken.collect(),
            smooth,
        }
    }

    /// Mean time and gravity of a block.
    fn block(&self, begin: usize) -> Option<(f64, f64)> {
        let over =
            |sums: &[f64]| Some((sums.get(begin + BLOCK)? - sums.get(begin)?) / BLOCK as f64);
        Some((over(&self.days)?, over(&self.gravity)?))
    }

    fn before(&self, i: usize) -> Option<(f64, f64)> {
        self.block(i.checked_sub(BLOCK)?)
    }

    fn after(&self, i: usize) -> Option<(f64, f64)> {
        self.block(i + 1)
    }

    /// After less before. `None` near the ends and gaps.
    fn jump(&self, i: usize) -> Option<f64> {
        let unbroken = *self.unbroken.get(i + STAYED)?;
        (unbroken >= BLOCK + STAYED).then_some(self.after(i)?.1 - self.before(i)?.1)
    }

    fn trend(&self, i: usize) -> Option<Trend> {
        let (before, after) = (self.before(i)?, self.after(i)?);
        let slope = |a: (f64, f64), b: (f64, f64)| (b.1 - a.1) / (b.0 - a.0);
        let earlier = i
            .checked_sub(BLOCK + REACH)
            .and_then(|b| self.block(b))
            .map(|b| slope(b, before));
        let later = self.block(i + 1 + REACH).map(|b| slope(after, b));
        let (one, other) = (earlier.or(later)?, later.or(earlier)?);
        // Readings of one instant have no slope.
        (one.is_finite() && other.is_finite()).then(|| Trend {
            low: one.min(other),
            high: one.max(other),
            days: after.0 - before.0,
        })
    }

    /// A shift happens at once, which a burst of fermentation over half a day does not, and stays.
    fn confirm(&self, points: &[Point], c: &Candidate) -> Option<Step> {
        let sign = c.size.signum();
        let at_once = (c.index.saturating_sub(1)..=c.index + 1)
            .filter_map(|i| Some(self.smooth.get(i + 1)? - self.smooth.get(i.checked_sub(1)?)?))
            .map(|change| change * sign)
            .max_by(f64::total_cmp)?;
        let whole = c.size.abs().max(c.jump.abs());
        let level = |points: &[Point]| {
            let mut levels: Vec<f64> = points.iter().map(|p| p.gravity - c.rate * p.days).collect();
            median(&mut levels)
        };
        let before = points.get(c.index.saturating_sub(LEVEL)..c.index)?;
        let after = points.get(c.index + 1..points.len().min(c.index + 1 + LEVEL))?;
        let stays = (level(after) - level(before)) * sign;
        (at_once >= AT_ONCE * whole && stays >= STAYS * c.size.abs()).then_some(Step {
            at: points.get(c.index)?.at,
            size: c.size,
            sd: c.sd,
        })
    }
}

/// With nought in front: the sum of `a..b` is the difference of two.
fn running_sum(values: impl ExactSizeIterator<Item = f64>) -> Vec<f64> {
    let mut sums = Vec::with_capacity(values.len() + 1);
    let mut total = 0.0;
    sums.push(total);
    sums.extend(values.map(|v| {
        total += v;
        total
    }));
    sums
}

/// Median of five points around, of three or one at the ends.
fn running_median(points: &[Point], i: usize) -> f64 {
    let side = i.min(points.len() - 1 - i).min(2);
    let g = |k: usize| points[k].gravity;
    match side {
        0 => g(i),
        1 => middle(g(i - 1), g(i), g(i + 1)),
        _ => {
            let (a, b, c, d) = (g(i - 2), g(i - 1), g(i + 1), g(i + 2));
            // Neither the least nor the greatest of four can be the middle of five.
            let low = a.min(b).max(c.min(d));
            let high = a.max(b).min(c.max(d));
            middle(low, g(i), high)
        }
    }
}

fn middle(a: f64, b: f64, c: f64) -> f64 {
    a.min(b).max(a.max(b).min(c))
}

/// The usual scatter of comparisons.
struct Scatter {
    /// By chunks; not a number where too little is there.
    chunks: Vec<f64>,
    /// Of the whole series.
    usual: Option<f64>,
}

impl Scatter {
    fn new(comparisons: &[f64]) -> Scatter {
        let mut kept: Vec<f64> = Vec::with_capacity(CHUNK);
        let chunks = comparisons.chunks(CHUNK).map(|chunk| {
            kept.clear();
            kept.extend(chunk.iter().filter(|j| !j.is_nan()));
            if kept.len() < CHUNK / 4 {
                return f64::NAN;
            }
            let trend = median(&mut kept);
            kept.iter_mut().for_each(|j| *j -= trend);
            mad_scale(&mut kept)
        });
        let chunks: Vec<f64> = chunks.collect();
        let mut all: Vec<f64> = chunks.iter().copied().filter(|s| !s.is_nan()).collect();
        let usual = (!all.is_empty()).then(|| median(&mut all).max(LEAST_SCATTER));
        Scatter { chunks, usual }
    }

    /// A shift itself fills up to a quarter of its chunk, which makes the scatter 1.4 times what it is;
    /// so the chunk's own counts for 0.7, and the middle of three chunks fully. A chunk holds some ten
    /// independent comparisons, so it may look quiet by luck: never less than the whole series.
    fn at(&self, i: usize) -> f64 {
        let chunk = i / CHUNK;
        let own = self.chunks.get(chunk).copied().unwrap_or(f64::NAN);
        let mut around: Vec<f64> = (chunk.saturating_sub(1)..=chunk + 1)
            .filter_map(|c| self.chunks.get(c).copied())
            .filter(|s| !s.is_nan())
            .collect();
        // Not a number gives way to the other.
        (0.7 * own).max(median(&mut around)).max(self.usual())
    }

    /// Of one level rather than a difference of two it is no more than this.
    fn usual(&self) -> f64 {
        self.usual.unwrap_or(USUAL_NOISE)
    }
}

/// `deeds_at` in time order.
fn near_deed(deeds_at: &[Moment], at: Moment) -> bool {
    let first = deeds_at.partition_point(|d| *d < at - DEED);
    deeds_at.get(first).is_some_and(|d| *d <= at + DEED)
}
