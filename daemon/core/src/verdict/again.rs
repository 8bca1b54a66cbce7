//! Is a mead that had stopped falling again?
//!
//! The question is asked every hour for months, so the answer must stand out from anything the
//! float does by itself. How far its slope wanders over a day is not read off the day in question
//! but off the float's own past since the mead was still: the autocovariance of its readings there
//! says what error the slope of any window has.

use super::case::Stretch;
use super::phase;
use super::slope::{Sample, slope};
use crate::fit::noise::median;

/// Windows in which a renewed fall is looked for, days: a fast one shows in a short window, a
/// slow one needs a long one.
const WINDOWS: [f64; 7] = [0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0];
/// How many standard errors it must stand out by. Looked for every hour of years, a laxer test
/// would cry wolf.
const SDS: f64 = 3.0;
/// Least share of the whole fall between one quarter of the window and the next; an even fall has
/// a third.
const STEADY: f64 = 0.1;
/// The past that is looked at, days, and how much of it there must be.
const PAST: f64 = 12.0;
const LEAST_PAST: f64 = 2.0;
/// Errors further apart than this are not related, hours.
const LAGS: usize = 36;

pub(super) fn falls_again(stretch: &Stretch) -> bool {
    let samples = stretch.quiet_window(PAST);
    WINDOWS.iter().any(|days| {
        let window = stretch.quiet_window(*days);
        let Some(found) = slope(window, stretch.step, stretch.drift_sd) else {
            return false;
        };
        if found.span < 0.8 * days || found.fall < phase::FALLING {
            return false;
        }
        let past = &samples[..samples.len().saturating_sub(window.len())];
        let Some(wander) = Wander::of(past, stretch.step) else {
            return false;
        };
        let sd = wander.slope_sd(window).hypot(found.warmth_sd);
        found.fall - SDS * sd > phase::FALLING && steady(window)
    })
}

/// Whether each quarter of a window lies lower than the one before: a fall does, a float that was
/// knocked comes down at once.
fn steady(window: &[Sample]) -> bool {
    let (Some(first), Some(last)) = (window.first(), window.last()) else {
        return false;
    };
    let quarter = (last.days - first.days) / 4.0;
    let level = |i: usize| {
        let from = first.days + quarter * i as f64;
        let mut values: Vec<f64> = window
            .iter()
            .filter(|s| s.days >= from && s.days <= from + quarter)
            .map(|s| s.gravity)
            .collect();
        (!values.is_empty()).then(|| median(&mut values))
    };
    let levels: Vec<f64> = (0..4).filter_map(level).collect();
    let [a, .., b] = levels[..] else {
        return false;
    };
    levels.len() == 4 && levels.windows(2).all(|w| w[0] - w[1] > STEADY * (a - b))
}

/// Autocovariance of a float at rest, by lags of an hour.
struct Wander([f64; LAGS]);

impl Wander {
    fn of(past: &[Sample], step: f64) -> Option<Wander> {
        let span = past.last()?.days - past.first()?.days;
        if span < LEAST_PAST {
            return None;
        }
        let line = slope(past, step, 0.0)?;
        let last = past.last()?.days;
        let mut residuals: Vec<f64> = past
            .iter()
            .map(|s| s.gravity - (line.level + line.fall * (last - s.days)))
            .collect();
        let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
        // Spikes are not what makes a slope wander: the slope is robust against them.
        let cap = 3.0 * (1.4826 * median(&mut sizes)).max(step / 3.0).max(1e-5);
        residuals.iter_mut().for_each(|r| *r = r.clamp(-cap, cap));
        let mut sums = [(0.0, 0usize); LAGS];
        for i in 0..past.len() {
            for j in i..past.len() {
                let lag = ((past[j].days - past[i].days) * 24.0).round() as usize;
                let Some(sum) = sums.get_mut(lag) else {
                    break;
                };
                sum.0 += residuals[i] * residuals[j];
                sum.1 += 1;
            }
        }
        let at = |lag: usize| {
            let (sum, n) = sums[lag];
            let taper = 1.0 - lag as f64 / LAGS as f64;
            if n == 0 { 0.0 } else { taper * sum / n as f64 }
        };
        let mut covariance = std::array::from_fn(at);
        covariance[0] = covariance[0].max(1e-10);
        Some(Wander(covariance))
    }

    /// Standard error of a straight line's slope through a window of readings.
    fn slope_sd(&self, window: &[Sample]) -> f64 {
        let n = window.len() as f64;
        let centre = window.iter().map(|s| s.days).sum::<f64>() / n;
        let sxx: f64 = window.iter().map(|s| (s.days - centre).powi(2)).sum();
        let mut sum = 0.0;
        for (i, a) in window.iter().enumerate() {
            for b in &window[i..] {
                let lag = ((b.days - a.days) * 24.0).round() as usize;
                let Some(covariance) = self.0.get(lag) else {
                    break;
                };
                let twice = if a.days == b.days { 1.0 } else { 2.0 };
                sum += twice * covariance * (a.days - centre) * (b.days - centre);
            }
        }
        sum.max(self.0[0] * sxx / 4.0).sqrt() / sxx
    }
}
