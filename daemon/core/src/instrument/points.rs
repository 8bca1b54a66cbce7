//! The hours that count, as bare numbers.

use super::away::Away;
use crate::hours::{HOUR_MS, Hour};
use crate::time::Moment;

/// The gravity of one hour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Point {
    pub at: Moment,
    /// Days since the first instant looked at.
    pub days: f64,
    pub gravity: f64,
    /// The hour's extremes.
    pub min: f64,
    pub max: f64,
    pub n: u32,
}

/// The hours that overlap `from` to `now`.
pub(super) fn between(hours: &[Hour], from: Moment, now: Moment) -> &[Hour] {
    let begin =
        hours.partition_point(|h| h.index.saturating_add(1).saturating_mul(HOUR_MS) <= from.0);
    let end = hours.partition_point(|h| h.index.saturating_mul(HOUR_MS) <= now.0);
    hours.get(begin..end).unwrap_or_default()
}

/// Their gravities, the time away left out.
pub(super) fn collect(hours: &[Hour], away: &[Away], from: Moment, now: Moment) -> Vec<Point> {
    let mut points = Vec::with_capacity(hours.len());
    let mut away = away.iter().peekable();
    for g in hours.iter().filter_map(|h| h.gravity) {
        while away.next_if(|a| a.to <= g.at).is_some() {}
        let out = away.peek().is_some_and(|a| a.from <= g.at);
        if out || g.at < from || g.at > now || !g.median.is_finite() {
            continue;
        }
        points.push(Point {
            at: g.at,
            days: g.at.since(from).as_days(),
            gravity: g.median,
            min: g.min,
            max: g.max,
            n: g.n,
        });
    }
    points
}
