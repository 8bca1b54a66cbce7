//! What the float said when a hand reading was taken.

use super::away::Away;
use super::points::Point;
use super::steps::Step;
use crate::fit::noise::median;
use crate::time::{Moment, Span};

/// A hand reading and the float's level at its time, both SG.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pair {
    pub at: Moment,
    pub hand: f64,
    pub float: f64,
    /// Of the difference of the two.
    pub sd: f64,
}

impl Pair {
    pub fn difference(&self) -> f64 {
        self.float - self.hand
    }
}

/// Reading to half a division of 0.002 spreads evenly over 0.002, sd 0.0006; surface, stem and temperature
/// add 0.0004. Chosen here.
const HAND_SD: f64 = 0.000_7;
/// A hand reading's time is known to a couple of hours at worst, and while it falls fast the bubbles in the
/// jar and the layers in the vessel are worth about as much again: this many days' fall. Chosen here.
const FALL_DAYS: f64 = 0.1;
/// The float's level is the middle of what it said within this time of the hand reading.
const LEVEL: Span = Span::hours(6);
/// Its slope is taken over this time.
const SLOPE: Span = Span::hours(24);
/// Readings that must be there for a level, unless the float speaks more rarely.
const ENOUGH: usize = 2;

/// Instants across which the float's level must not be taken, in time order.
pub(super) fn breaks(deeds_at: &[Moment], steps: &[Step], away: &[Away]) -> Vec<Moment> {
    let mut all: Vec<Moment> = deeds_at.to_vec();
    all.extend(steps.iter().map(|s| s.at));
    all.extend(away.iter().flat_map(|a| [a.from, a.to]));
    all.sort_unstable();
    all
}

/// Pairs in time order. A hand reading without readings of the float around it makes none.
pub(super) fn form(
    points: &[Point],
    hand: &[(Moment, f64)],
    breaks: &[Moment],
    noise: f64,
    from: Moment,
    now: Moment,
) -> Vec<Pair> {
    let mut hand: Vec<(Moment, f64)> = hand
        .iter()
        .copied()
        .filter(|(at, g)| *at >= from && *at <= now && g.is_finite())
        .collect();
    hand.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    // Written down twice, it is still one reading.
    hand.dedup();
    hand.into_iter()
        .filter_map(|(at, g)| pair(points, at, g, breaks, noise))
        .collect()
}

fn pair(points: &[Point], at: Moment, hand: f64, breaks: &[Moment], noise: f64) -> Option<Pair> {
    // A break at the very time of the reading leaves open which side it belongs to: both are used.
    let next = breaks.partition_point(|b| *b <= at);
    let previous = breaks.partition_point(|b| *b < at);
    let low = previous
        .checked_sub(1)
        .and_then(|i| breaks.get(i))
        .map_or(Moment(i64::MIN), |b| *b);
    let high = breaks.get(next).map_or(Moment(i64::MAX), |b| *b);
    let around = |reach: Span| -> &[Point] {
        let begin = points.partition_point(|p| p.at < (at - reach).max(low));
        let end = points.partition_point(|p| p.at <= (at + reach).min(high));
        points.get(begin..end).unwrap_or_default()
    };
    let near = around(LEVEL);
    if near.len() < ENOUGH {
        return None;
    }
    let slope = slope(around(SLOPE));
    let mut levels: Vec<f64> = near
        .iter()
        .map(|p| p.gravity + slope * at.since(p.at).as_days())
        .collect();
    let float = median(&mut levels);
    let fall = FALL_DAYS * slope;
    Some(Pair {
        at,
        hand,
        float,
        sd: (HAND_SD * HAND_SD + noise * noise + fall * fall).sqrt(),
    })
}

/// SG a day between the middles of the first and the last third; nought from too little.
fn slope(points: &[Point]) -> f64 {
    let third = points.len() / 3;
    if third < 2 {
        return 0.0;
    }
    let middle = |part: &[Point]| {
        let mut gravity: Vec<f64> = part.iter().map(|p| p.gravity).collect();
        let days = part.iter().map(|p| p.days).sum::<f64>() / part.len() as f64;
        (days, median(&mut gravity))
    };
    let (first, last) = (&points[..third], &points[points.len() - third..]);
    let ((t, g), (later, h)) = (middle(first), middle(last));
    (h - g) / (later - t)
}
