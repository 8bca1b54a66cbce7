//! What bears witness that a mead may be sealed: hand readings some days apart, and a float that
//! lies where it lay. Stricter than what may be stabilised, since what is sealed cannot be helped
//! any more; a wrong doubt costs a few days, a wrong word a bottle that bursts.

use super::Evidence;
use super::outcome::Memory;
use super::slope::{self, Sample};
use super::tail::STUCK_WINDOW;
use crate::deed::What;
use crate::time::{Moment, Span};

/// A hand reading bears witness for this long: what is sealed is what was measured, today.
const FRESH: Span = Span::hours(12);
/// Two hand readings are so far apart that a fall worth fearing would show between them. Common
/// practice, no source: readings some days apart.
pub(super) const APART: Span = Span::days(5);
/// And readings further back than this tell little of now.
const EARLIER: Span = Span::days(30);
/// A last hand reading lower than the earlier ones' middle by more than this shows a fall, SG: half
/// a division, and what a mean of few readings leaves open.
const FALLS: f64 = 0.000_75;
/// A float whose last half day lies lower than the days before it by more than this may have begun
/// to show a fall, SG.
const LOWER: f64 = 0.000_3;
const LAST: f64 = 0.5;
const BEFORE: (f64, f64) = (1.0, 5.0);
/// What took so long may go on for this share of it at its present pace.
const GOES_ON: f64 = 0.25;
/// The pace is that of this share of the time it took, days within these limits.
const PACE_OVER: f64 = 0.2;
const PACE_WITHIN: (f64, f64) = (STUCK_WINDOW, 21.0);

/// What the hydrometer has to say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Hand {
    /// No reading of today.
    Missing,
    /// One of today, but none before it since the mead has been still: when a second one counts.
    Single {
        second: Moment,
    },
    /// The last one lies lower than those before.
    Falls,
    Agrees {
        at: Moment,
        gravity: f64,
    },
}

impl Evidence<'_> {
    /// The hand readings since the mead has been still.
    pub(super) fn hand(&self, memory: &Memory) -> Hand {
        let since = memory.flat_from.unwrap_or(self.now).max(self.stretch.from);
        let since = since.max(self.now - EARLIER);
        let readings: Vec<(Moment, f64)> = self
            .case
            .done(self.now)
            .filter(|d| d.what == What::HandReading && d.at >= since)
            .filter_map(|d| Some((d.at, d.gravity?.get())))
            .collect();
        let (Some(first), Some(last)) = (readings.first(), readings.last()) else {
            return Hand::Missing;
        };
        let before: Vec<f64> = readings
            .iter()
            .filter(|(at, _)| last.0.since(*at) >= APART)
            .map(|(_, gravity)| *gravity)
            .collect();
        // Any two of them that show a fall do, however far apart.
        let all = &readings[..readings.len() - 1];
        let highest = all
            .iter()
            .map(|(_, g)| *g)
            .fold(f64::NEG_INFINITY, f64::max);
        let mean = before.iter().sum::<f64>() / before.len().max(1) as f64;
        if highest - last.1 > 2.0 * FALLS || (!before.is_empty() && mean - last.1 > FALLS) {
            return Hand::Falls;
        }
        if before.is_empty() {
            let second = first.0 + APART;
            return if self.now < second {
                Hand::Single { second }
            } else {
                Hand::Missing
            };
        }
        if self.now.since(last.0) > FRESH {
            return Hand::Missing;
        }
        Hand::Agrees {
            at: last.0,
            gravity: last.1,
        }
    }

    /// The float lies lower than in the days before: too little to call it a fall, too much to seal.
    pub(super) fn lies_lower(&self) -> bool {
        let samples = self.stretch.quiet_window(BEFORE.1);
        let Some(last) = samples.last() else {
            return false;
        };
        let mean = |from: f64, to: f64| {
            let within = |s: &&Sample| (from..to).contains(&(last.days - s.days));
            let (sum, n) = samples
                .iter()
                .filter(within)
                .fold((0.0, 0u32), |(sum, n), s| (sum + s.gravity, n + 1));
            (n > 0).then(|| sum / f64::from(n))
        };
        let (before, now) = (mean(BEFORE.0, BEFORE.1 + 1e-9), mean(0.0, LAST));
        before
            .zip(now)
            .is_some_and(|(before, now)| before - now > LOWER)
    }

    /// What may still be left by the float's pace alone, SG: no curve, no time constant, only that
    /// what took long may go on for long. `None` without readings over the time that takes.
    pub(super) fn left_by_pace(&self, memory: &Memory) -> Option<f64> {
        let took = memory.flat_from?.since(self.stretch.pitched).as_days();
        let over = (PACE_OVER * took).clamp(PACE_WITHIN.0, PACE_WITHIN.1);
        let window = self.stretch.quiet_window(over);
        let fall = slope::slope(window, self.stretch.step, self.stretch.drift_sd)?;
        (fall.span >= 0.9 * over).then(|| fall.range().high * GOES_ON * took)
    }
}
