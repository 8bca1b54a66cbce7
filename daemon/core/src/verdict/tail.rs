//! Is it flat, and over what span must it be before that means anything?
//!
//! A tail that dies away with time constant τ has about (fall per day)·τ left. So the same small
//! fall means "done" after a quick ferment and "weeks to go" after a sluggish one: both the span
//! that must be flat and the margin for flatness follow τ.

use super::case::{Stretch, days_since};
use super::forecast::Forecast;
use super::outcome::Range;
use super::slope::{Slope, slope};
use crate::time::Moment;

/// Below this fall per day nothing is called falling: 0.4 g of sugar per litre and day is
/// 0.0002 SG; twice that is what a float can tell from its own drift within a few days.
const FLAT: f64 = 0.0005;
/// What may be left when it is called settled, SG: one small division of a hydrometer.
const LEFT: f64 = 0.002;
/// Time constant when no curve tells: a middling mead. Our engineering choice.
const TIME_CONSTANT: f64 = 3.0;

pub(super) struct Tail {
    /// Time constant, days.
    pub time_constant: f64,
    /// Span that must be flat, days.
    pub window: f64,
    /// Slope over that window, as far as there are quiet readings.
    pub slope: Option<Slope>,
    /// The window is filled, without a long gap, and its fall surely below the margin.
    pub flat: bool,
    /// The window is not filled yet: days still missing.
    pub missing: f64,
}

impl Tail {
    pub fn new(stretch: &Stretch, forecast: &Forecast, now: Moment) -> Tail {
        let time_constant = forecast
            .time_constant()
            .unwrap_or(TIME_CONSTANT)
            .clamp(0.4, 20.0);
        let window = if stretch.by_hand {
            // Three readings a week apart see less than a float in three days.
            (4.0 * time_constant).clamp(10.0, 28.0)
        } else {
            (2.0 * time_constant).clamp(2.0, 8.0)
        };
        let samples = stretch.quiet_window(window);
        let slope = slope(samples, stretch.step);
        let span = slope.map_or(0.0, |s| s.span);
        let quiet = days_since(stretch.quiet_from, now);
        let gap_limit = if stretch.by_hand {
            window
        } else {
            (window / 4.0).max(0.5)
        };
        let whole = span >= 0.9 * window && stretch.longest_gap(samples, now) <= gap_limit;
        let margin = FLAT.min(LEFT / time_constant);
        let flat = whole && slope.is_some_and(|s| s.range().high < margin);
        let missing = (window - span.min(quiet)).max(0.0);
        Tail {
            time_constant,
            window,
            slope,
            flat,
            missing,
        }
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
