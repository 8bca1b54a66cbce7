//! The float as an instrument: what its readings say about the float rather than the mead.
//!
//! Four things can be wrong with a float that goes on sending numbers. It reads high or low and
//! creeps ([`anchor`]: measured against hand readings, and only then corrected); it jumps when foam
//! or lees settle on it or it is knocked or cleaned ([`steps`]); it sends one value for ever
//! ([`still`]); it is not in the liquid ([`away`]). [`tilt`] makes the curve of a float that sends
//! its angle alone.
//!
//! Nothing here changes a reading. [`examine`] says what it found; whoever judges the batch decides
//! what to do about it.

pub mod anchor;
pub mod away;
pub mod disagreement;
pub mod steps;
pub mod still;
pub mod tilt;

mod model;
mod pairs;
mod points;

pub use anchor::{Anchor, Correction, anchor};
pub use away::Away;
pub use disagreement::Disagreement;
pub use pairs::Pair;
pub use steps::Step;

use crate::hours::Hour;
use crate::time::Moment;

/// What is known of one float in one vessel.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Instrument {
    /// `None` as long as no hand reading meets readings of the float.
    pub anchor: Option<Anchor>,
    /// Sudden shifts of the float, in time order.
    pub steps: Vec<Step>,
    /// Since when the float has sent one value over and over.
    pub still_since: Option<Moment>,
    /// When the float was not in the liquid, in time order.
    pub away: Vec<Away>,
    /// A hand reading nothing explains yet.
    pub disagrees: Option<Disagreement>,
}

/// Examines a float over `from` to `now`.
///
/// `hours` of one feed only (two floats in a vessel are two instruments), they and `deeds_at` in time order; `hand` (SG at 20 °C) in any order. `deeds_at` are the times
/// of everything the maker did that can move the gravity or the float (racking, additions, rousing,
/// a split), not of hand readings: around them a jump is no fault of the float.
pub fn examine(
    hours: &[Hour],
    hand: &[(Moment, f64)],
    deeds_at: &[Moment],
    from: Moment,
    now: Moment,
) -> Instrument {
    let hours = points::between(hours, from, now);
    let away = away::find(hours, deeds_at, now);
    let points = points::collect(hours, &away, from, now);
    let found = steps::find(&points, deeds_at);
    let still_since = still::since(hours, &points);
    let breaks = pairs::breaks(deeds_at, &found.steps, &away);
    let pairs = pairs::form(&points, hand, &breaks, found.noise, from, now);
    let settled = model::settle(&pairs, &found.steps);
    Instrument {
        anchor: settled.anchor,
        steps: found.steps,
        still_since,
        away,
        disagrees: settled.disagrees,
    }
}
