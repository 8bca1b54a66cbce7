//! Is it flat, and has that been seen for long enough to mean anything?
//!
//! Flat is not "no significant fall" but "hardly anything can be left", which is what the end of
//! the curve says by itself ([`super::dying`]). The slope over the last days is kept beside it: for
//! showing, and for telling a mead that has stopped too high, where nothing dies away any more.

use super::case::{Stretch, days_since};
use super::dying::{Dying, Known, Truly, dying};
use super::floor::Floor;
use super::forecast::Forecast;
use super::outcome::Range;
use super::slope::{self, Slope};
use crate::deed::What;
use crate::fit::Gaussian;
use crate::time::{Moment, Span};

/// What may be left when it is called settled, SG: two small divisions of a hydrometer.
pub(super) const LEFT: f64 = 0.002;
/// Odds of more than that at which it is called settled, and at which it stays so.
const SETTLES: f64 = 0.02;
const STAYS: f64 = 0.10;
/// However soon it may end, while it may fall by more than this a day it has not.
/// The longer it took, the less: this over the days since the pitch, within
/// these limits.
const STILL: f64 = 0.018;
const STILL_WITHIN: (f64, f64) = (0.000_5, 0.002_5);
/// What took weeks does not end overnight: it must be seen still for this share of the time it
/// took, within these limits, days.
const SHARE: f64 = 0.08;
const SHARE_WITHIN: (f64, f64) = (0.9, 4.0);
/// What was added to it (fruit gives its sugar off slowly) must be seen still for this long, days.
const ADDED: f64 = 3.0;
/// A mead that has been settled for longer must be still by this much over [`STUCK_WINDOW`]: a
/// renewed fall does not die away, and the end of the curve has nothing to say about it.
const STAYS_STILL: f64 = 0.000_7;
/// How far up the curve the end begins, SG. More of it tells its time constant, less of it how fast it
/// falls at last.
const FROM: [f64; 2] = [0.015, 0.006];
/// How much more is left than an exponential from there makes believe, where nothing but the curve tells
/// it; and beside a jar, which bears half of the proof. Found on the development runs of the decision
/// bench, in both of its generators.
const ALONE: [Truly; 2] = [Truly::both(2.0), Truly::both(1.0)];
const BESIDE_A_JAR: [Truly; 2] = [
    Truly {
        quick: 0.7,
        slow: 1.4,
    },
    Truly {
        quick: 0.6,
        slow: 1.2,
    },
];
/// For how many days it is looked at at the most.
const LONGEST: f64 = 28.0;
/// The same of hand readings, taken every few days.
const SHORTEST_BY_HAND: f64 = 6.0;
const LONGEST_BY_HAND: f64 = 42.0;
/// No surer fall than this a day may show in the latest of them, SG.
const STILL_BY_HAND: f64 = 0.000_2;
/// Scatter of a hand reading, SG: half a division either way.
const HAND_SCATTER: f64 = 0.000_7;
/// A mead that had stopped before without having ended is looked at for longer.
const CREEPING: f64 = 7.0;
/// And must be stiller than this, SG a day.
const CREEP: f64 = 0.000_3;
/// To be called stuck it must lie as still as this for as many days: there is no hurry, and a
/// tail that dies away above where it should end is easily taken for one.
pub(super) const STUCK_WINDOW: f64 = 3.0;
const STUCK: f64 = 0.000_5;
/// Spacings a window spans at the least.
const FEWEST: f64 = 4.0;
/// What may be left where no floor is known, SG.
const NO_FLOOR: f64 = 0.01;

pub(super) struct Tail {
    /// What is left, as the end of the curve has it.
    pub ends: Ends,
    /// Span that must be seen, days.
    pub window: f64,
    /// Slope over the last days, as far as there are quiet readings.
    pub slope: Option<Slope>,
    /// The window is filled, without a long gap, and hardly anything can be left.
    pub flat: bool,
    /// It does not fall, whatever may be left: it has stopped.
    pub stopped: bool,
    /// The window is not filled yet: days still missing.
    pub missing: f64,
}

/// What was said of it before.
#[derive(Clone, Copy, Debug)]
pub(super) struct Told {
    /// How long it has been called settled.
    pub settled_for: Option<Span>,
    /// It had stopped before without having ended.
    pub wary: bool,
    /// It fell again after it had stopped: the curves are of the fall that was over.
    pub fell_again: bool,
}

impl Tail {
    pub fn new(
        stretch: &Stretch,
        forecast: &Forecast,
        floor: Option<&Floor>,
        told: Told,
        now: Moment,
    ) -> Tail {
        let age = days_since(stretch.pitched, now);
        let (shortest, longest) = if stretch.by_hand {
            (SHORTEST_BY_HAND, LONGEST_BY_HAND)
        } else {
            let share = SHARE * age;
            (share.clamp(SHARE_WITHIN.0, SHARE_WITHIN.1), LONGEST)
        };
        // A feed that speaks once a day needs as many words as another.
        let rare = FEWEST * stretch.spacing() >= shortest;
        let window = shortest.max(FEWEST * stretch.spacing());
        let window = if stretch.began == What::Pitch {
            window
        } else {
            window.max(ADDED)
        };
        let window = if told.wary {
            window.max(CREEPING)
        } else {
            window
        };
        let level = stretch.level();
        let may_be_left = match (floor, level) {
            (Some(f), Some(l)) => (l - f.mid + f.sd).clamp(0.002, 0.02),
            _ => NO_FLOOR,
        };
        let above_its_jar = floor.zip(level).and_then(|(f, l)| {
            Some(Gaussian {
                mean: l - f.jar()?,
                sd: f.sd.hypot(stretch.level_sd),
            })
        });
        let left_after = |up: f64, truly: Truly| {
            let samples = stretch.end(up, window, longest);
            dying(
                samples,
                &Known {
                    step: stretch.step,
                    drift_sd: stretch.drift_sd,
                    scatter: stretch.by_hand.then_some(HAND_SCATTER),
                    time_constant: forecast.time_constant().filter(|_| !told.fell_again),
                    took: (stretch.began == What::Pitch && stretch.from == stretch.pitched)
                        .then_some(samples.first().map_or(f64::INFINITY, |s| s.days)),
                    may_be_left,
                    above_its_jar,
                    truly,
                },
            )
        };
        let truly = if above_its_jar.is_some() {
            BESIDE_A_JAR
        } else {
            ALONE
        };
        let ends = FROM.into_iter().zip(truly);
        let ends = ends.filter_map(|(up, truly)| left_after(up, truly));
        let ends = Ends(ends.collect());
        let slope_over =
            |days: f64| slope::slope(stretch.quiet_window(days), stretch.step, stretch.drift_sd);
        // Readings days apart hardly ever begin where the window does.
        let recent = if rare {
            stretch.quiet_window_from_before(window)
        } else {
            stretch.quiet_window(window)
        };
        let span = match (recent.first(), recent.last()) {
            (Some(a), Some(b)) => b.days - a.days,
            _ => 0.0,
        };
        let gap_limit = if stretch.by_hand {
            window.max(10.0)
        } else {
            (window / 4.0).max(0.5).max(1.6 * stretch.spacing())
        };
        let whole = span >= 0.9 * window && stretch.longest_gap(recent, now) <= gap_limit;
        let long = STUCK_WINDOW.max(window);
        let slope = slope_over(long);
        let still = if told.settled_for.is_some_and(|s| s.as_days() > STUCK_WINDOW) {
            slope.is_some_and(|s| s.range().high < STAYS_STILL)
        } else {
            let margin = if told.wary {
                CREEP
            } else {
                (STILL / age).clamp(STILL_WITHIN.0, STILL_WITHIN.1)
            };
            // A longer window makes up for a rough float; of one that crept it would hide the creep.
            let tries: &[f64] = if told.wary { &[1.0] } else { &[1.0, 1.6, 2.4] };
            tries.iter().any(|longer| {
                slope_over(longer * window)
                    .is_some_and(|s| s.span >= 0.9 * window && s.range().high < margin)
            })
        };
        let still = if stretch.by_hand {
            // A few readings cannot show a small fall; they must not show one either.
            let latest = stretch.quiet_window_from_before(SHORTEST_BY_HAND);
            let fall = slope::slope(latest, stretch.step, stretch.drift_sd);
            fall.is_some_and(|s| s.range().low < STILL_BY_HAND)
        } else {
            still
        };
        let enough = if told.settled_for.is_some() {
            STAYS
        } else {
            SETTLES
        };
        let flat = whole && still && ends.odds_more(LEFT).is_some_and(|odds| odds < enough);
        let stopped =
            whole && slope.is_some_and(|s| s.span >= 0.9 * long && s.range().high < STUCK);
        let quiet = days_since(stretch.quiet_from, now);
        Tail {
            ends,
            window,
            slope,
            flat,
            stopped,
            missing: (window - span.min(quiet)).max(0.0),
        }
    }
}

/// What is left by more of the curve and by less of it. The word that more is left counts.
pub(super) struct Ends(Vec<Dying>);

impl Ends {
    pub fn odds_more(&self, left: f64) -> Option<f64> {
        let odds = self.0.iter().map(|d| d.odds_more(left));
        odds.max_by(f64::total_cmp)
    }

    /// The same if hand readings told the float's drift.
    pub fn odds_more_without_drift(&self, left: f64) -> Option<f64> {
        let odds = self.0.iter().map(|d| d.odds_more_without_drift(left));
        odds.max_by(f64::total_cmp)
    }

    pub fn left(&self) -> Option<Range<f64>> {
        let ranges = self.0.iter().map(Dying::left);
        ranges.max_by(|a, b| a.high.total_cmp(&b.high))
    }
}
