//! Is it flat, and over what span must it be before that means anything?
//!
//! A tail that dies away with time constant τ has about (fall per day)·τ left. So the same small
//! fall means "done" after a quick ferment and "weeks to go" after a sluggish one: both the span
//! that must be flat and the margin for flatness follow τ.

use super::case::{Stretch, days_since};
use super::forecast::Forecast;
use super::outcome::Range;
use super::slope::{self, Slope};
use crate::time::Moment;

/// However quickly a tail dies away, more than this a day is a fall: a float sees that within a
/// day.
const FLAT: f64 = 0.0012;
/// What may be left when it is called settled, SG: one small division of a hydrometer.
const LEFT: f64 = 0.002;
/// A mead that has crept down after it had settled must hold for this many days, falling by less
/// than this a day: what a float can tell from its own drift in that time.
const CREEP_WINDOW: f64 = 14.0;
const CREEP: f64 = 0.0002;
/// To be called stuck it must lie as still as this for as many days: there is no hurry, and a
/// tail that dies away above where it should end is easily taken for one.
const STUCK_WINDOW: f64 = 3.0;
const STUCK: f64 = 0.0005;
/// Spacings a window spans at the least.
const FEWEST: f64 = 4.0;
/// Time constant when no curve tells: a middling mead. Our engineering choice.
const TIME_CONSTANT: f64 = 3.0;

/// How far apart two falls are compared to see how fast the fall dies away, days; each is taken
/// over half of that.
const APART: [f64; 2] = [2.0, 4.0];

pub(super) struct Tail {
    /// Time constant, days.
    pub time_constant: f64,
    /// Span that must be flat, days.
    pub window: f64,
    /// Slope over that window, as far as there are quiet readings.
    pub slope: Option<Slope>,
    /// A fall per day below this is none.
    pub margin: f64,
    /// The window is filled, without a long gap, and its fall surely below the margin.
    pub flat: bool,
    /// As flat over a longer while: whatever it is that stopped it, it has stopped.
    pub flat_long: bool,
    /// The window is not filled yet: days still missing.
    pub missing: f64,
}

impl Tail {
    pub fn new(stretch: &Stretch, forecast: &Forecast, creeping: bool, now: Moment) -> Tail {
        let by_curve = forecast.time_constant().unwrap_or(TIME_CONSTANT);
        let seen = dying_away(stretch).unwrap_or(f64::INFINITY);
        let time_constant = by_curve.min(seen).clamp(0.4, 20.0);
        let window = if stretch.by_hand {
            // Three readings a week apart see less than a float in three days.
            (4.0 * time_constant).clamp(10.0, 28.0)
        } else {
            (2.0 * time_constant).clamp(1.0, 8.0)
        };
        // A feed that speaks once a day needs as many words as another.
        let window = window.max(FEWEST * stretch.spacing());
        let window = if creeping {
            window.max(CREEP_WINDOW)
        } else {
            window
        };
        let samples = stretch.quiet_window(window);
        let slope = slope::slope(samples, stretch.step, stretch.drift_sd);
        let span = slope.map_or(0.0, |s| s.span);
        let quiet = days_since(stretch.quiet_from, now);
        let gap_limit = if stretch.by_hand {
            window
        } else {
            (window / 4.0).max(0.5).max(1.6 * stretch.spacing())
        };
        let whole = span >= 0.9 * window && stretch.longest_gap(samples, now) <= gap_limit;
        let margin = if creeping {
            CREEP
        } else {
            FLAT.min(LEFT / time_constant)
        };
        let flat = whole && slope.is_some_and(|s| s.range().high < margin);
        let flat_long = flat && {
            let samples = stretch.quiet_window(window.max(STUCK_WINDOW));
            let slope = slope::slope(samples, stretch.step, stretch.drift_sd);
            slope.is_some_and(|s| s.span >= 0.9 * STUCK_WINDOW && s.range().high < STUCK)
        };
        let missing = (window - span.min(quiet)).max(0.0);
        Tail {
            time_constant,
            window,
            slope,
            margin,
            flat,
            flat_long,
            missing,
        }
    }

    /// Odds that more than this is left, SG, by the tail alone.
    pub fn odds_more_left(&self, left: f64) -> Option<f64> {
        Some(self.slope?.odds_above(left / self.time_constant))
    }

    /// What the tail alone says is left: present fall times time constant.
    pub fn left(&self) -> Option<Range<f64>> {
        let r = self.slope?.range();
        let left = |fall: f64| (fall * self.time_constant).max(0.0);
        Some(Range {
            mid: left(r.mid),
            low: left(r.low),
            high: left(r.high),
        })
    }
}

/// Time constant as seen, not as fitted: by how much did the fall shrink in so many days?
///
/// The families end in an exponential that is tied to the rest of the curve; real ferments
/// often end faster, when the last sugar goes. This leans to the slow side at both ends: the
/// least the fall can have been before, and the most it can be now. It looks back only a few
/// days, so that a second, slower tail is not judged by the first.
fn dying_away(stretch: &Stretch) -> Option<f64> {
    if stretch.by_hand {
        return None;
    }
    APART
        .iter()
        .filter_map(|apart| shrunk(stretch, *apart))
        .min_by(f64::total_cmp)
}

fn shrunk(stretch: &Stretch, apart: f64) -> Option<f64> {
    let width = apart / 2.0;
    let now = slope::slope(stretch.quiet_window(width), stretch.step, stretch.drift_sd)?;
    let whole = stretch.quiet_window(apart + width);
    let cut = whole.last()?.days - apart;
    let earlier = &whole[..whole.partition_point(|s| s.days <= cut)];
    let before = slope::slope(earlier, stretch.step, stretch.drift_sd)?;
    let filled = now.span >= 0.8 * width && before.span >= 0.8 * width;
    let (least, most) = (before.range().low, now.range().high);
    (filled && most > 0.0 && least > most).then(|| apart / (least / most).ln())
}
