//! A float that sends one value over and over.
//!
//! Exact repeats prove nothing by themselves: a float that rounds to 0.001 repeats itself in a mead
//! that stands. It is the float's own scatter, seen earlier, that says how long repeats can be luck: a
//! reading with normal scatter σ, rounded to steps q, gives the same value again with a chance of at most
//! 2Φ(q/2σ) - 1 (the level just in the middle of a step). Readings of one hour hang together, so an hour
//! counts as one draw. The scatter is taken from the float's quietest time, so vigour does not make a
//! stand look suspicious.
//!
//! Without an earlier scatter (stuck from the first reading on) nothing is said.

use super::points::Point;
use crate::fit::noise::median;
use crate::hours::{HOUR_MS, Hour};
use crate::time::Moment;

/// Closer than this is the same value: floats send four or five decimals.
const SAME: f64 = 1e-7;
/// No shorter stand is called out, however fine the float.
const AT_LEAST_HOURS: f64 = 6.0;
/// Logarithm of the chance at which luck is no longer believed: a millionth; a thousandth when the
/// temperature moved by a degree meanwhile, which moves every float a little.
const LUCK: f64 = -13.8;
const LUCK_TEMPERATURE_MOVED: f64 = -6.9;
const MOVED_CELSIUS: f64 = 1.0;
/// Points of one look at the scatter.
const CHUNK: usize = 48;

/// Since when, if the last value has been repeated longer than luck allows.
pub(super) fn since(hours: &[Hour], points: &[Point]) -> Option<Moment> {
    let value = points.last()?.gravity;
    let repeats = |p: &Point| (p.min - value).abs() < SAME && (p.max - value).abs() < SAME;
    let begin = points.iter().rposition(|p| !repeats(p))? + 1;
    let (earlier, run) = points.split_at_checked(begin)?;
    let first = run.first()?;
    let last = run.last()?;
    if last.at.since(first.at).as_hours() < AT_LEAST_HOURS {
        return None;
    }
    let scatter = quietest_scatter(earlier)?;
    let luck = if temperature_moved(hours, first.at, last.at) {
        LUCK_TEMPERATURE_MOVED
    } else {
        LUCK
    };
    let chance = repeat_chance(rounding(points) / scatter);
    (run.len() as f64 * chance.ln() < luck).then_some(first.at)
}

/// 2Φ(x/2) - 1.
fn repeat_chance(steps: f64) -> f64 {
    // erf(x/√8) by Abramowitz and Stegun 7.1.26, to 1.5e-7 (from memory); far beyond what is needed.
    let x = steps / 8.0_f64.sqrt();
    let t = 1.0 / (1.0 + 0.327_591_1 * x);
    let c = [
        0.254_829_592,
        -0.284_496_736,
        1.421_413_741,
        -1.453_152_027,
        1.061_405_429,
    ];
    let sum = c.iter().rev().fold(0.0, |sum, c| (sum + c) * t);
    (1.0 - sum * (-x * x).exp()).clamp(1e-9, 1.0)
}

/// The finest difference the float has shown.
fn rounding(points: &[Point]) -> f64 {
    let within = points.iter().map(|p| p.max - p.min);
    let between = points.windows(2).map(|w| (w[1].max - w[0].max).abs());
    within
        .chain(between)
        .filter(|d| *d > SAME)
        .min_by(f64::total_cmp)
        .unwrap_or(SAME)
}

/// Scatter (sd) in the quietest stretch. `None` with less than two days to judge from.
///
/// From the range within hours, which rounding does not bias as the level passes through a step; from
/// neighbouring hours where an hour has one reading.
fn quietest_scatter(earlier: &[Point]) -> Option<f64> {
    let mut chunks: Vec<f64> = earlier
        .rchunks_exact(CHUNK)
        .map(|chunk| {
            let sum: f64 = chunk
                .windows(2)
                .map(|w| match w[1].n {
                    0 | 1 => (w[1].gravity - w[0].gravity).abs() / mean_range(2),
                    n => (w[1].max - w[1].min) / mean_range(n),
                })
                .sum();
            sum / (CHUNK - 1) as f64
        })
        .filter(|s| *s > 0.0)
        .collect();
    if chunks.len() > 3 {
        // One stretch may be quiet by luck: the lower quarter rather than the least.
        let quarter = chunks.len() / 4;
        return Some(*chunks.select_nth_unstable_by(quarter, f64::total_cmp).1);
    }
    (!chunks.is_empty()).then(|| median(&mut chunks))
}

/// Mean range of n normal numbers of sd 1: d₂ of control charts (2: 1.128, 4: 2.059, 12: 3.258, 60: 4.64;
/// from memory), by a curve through them good to 4 %.
fn mean_range(n: u32) -> f64 {
    let x = f64::from(n).ln();
    0.05 + 1.68 * x - 0.137 * x * x
}

fn temperature_moved(hours: &[Hour], from: Moment, to: Moment) -> bool {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    let begin = hours.partition_point(|h| h.index.saturating_mul(HOUR_MS) < from.0);
    let during = hours.iter().skip(begin);
    for t in during
        .take_while(|h| h.index.saturating_mul(HOUR_MS) <= to.0)
        .filter_map(|h| h.temperature)
    {
        low = low.min(t.median);
        high = high.max(t.median);
    }
    high - low >= MOVED_CELSIUS
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chances_and_ranges_are_the_tables() {
        // Normal tables: P(|Z| < 0.5) = 0.3829, P(|Z| < 1) = 0.6827.
        assert!((repeat_chance(1.0) - 0.3829).abs() < 1e-4);
        assert!((repeat_chance(2.0) - 0.6827).abs() < 1e-4);
        for (n, d2) in [(2, 1.128), (4, 2.059), (12, 3.258), (60, 4.64)] {
            assert!(
                (mean_range(n) / d2 - 1.0).abs() < 0.04,
                "{n}: {}",
                mean_range(n)
            );
        }
    }
}
