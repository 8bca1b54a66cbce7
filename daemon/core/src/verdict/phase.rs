//! From evidence to a phase. One match, and what the last assessment said, so that nothing flaps.

use super::Evidence;
use super::forecast::Forecast;
use super::outcome::{Memory, Phase};
use crate::deed::What;
use crate::time::{Moment, Span};

/// A fall per day that is surely above this is a fall.
pub(super) const FALLING: f64 = 0.0003;
/// A fall per day below this is none: a third of a gram of sugar per litre.
pub(super) const FLAT: f64 = 0.0005;
/// A stopped mead is falling again only when it has also come down by this much: a drifting
/// float passes the first test now and then, not both.
pub(super) const CAME_DOWN: f64 = 0.0015;
/// Come down by less than this since the start: still the lag.
const LAG_DROP: f64 = 0.003;
/// A must that has not moved for this long after the pitch is not lagging, it is stuck.
/// Common practice, no source: yeast shows itself within three days or not at all.
const LAG_DAYS: f64 = 4.0;
/// A settled mead is not called stuck for a wobble at the edge of its floor, SG.
const FLOOR_SLACK: f64 = 0.002;
/// A fall within this after it was called settled is the end of the old one.
const HASTY: Span = Span::days(4);
/// Come down by less than this, SG, it has not.
const NO_FALL: f64 = 0.001;
/// A renewed fall that stands out from the float's own past is one. One that does not is slow, or none:
/// every look must have found it for so long.
const SURER: Span = Span::days(1);
/// But what falls from the day it was sweetened has no past to come away from: within so many days it
/// need hold no longer than this.
const NO_PAST: f64 = 6.0;
const SURER_WITHOUT: Span = Span::hours(8);
/// An alarm is raised within this of the beginning of the fall: so long before it, it lay where it had
/// stopped.
const ALARMED_WITHIN: Span = Span::days(5);
/// Sugar that was stirred in sinks and mixes for so long, days: that is no fall yet. Common practice,
/// no source.
const MIXED: f64 = 2.0;
/// Past this share of the fall it is slowing.
const SLOWING: f64 = 0.6;
const SLOWING_SLACK: f64 = 0.2;

pub(super) fn step(before: Option<Memory>, e: &Evidence, forecast: &Forecast) -> Memory {
    let stretch = e.stretch.from;
    // A new stretch of curve begins a new story, except that a sweetened mead which was
    // stabilised has already ended: for it any fall is a restart.
    let before = before.filter(|m| m.stretch == stretch);
    let (phase, stopped_at) = decide(before, e, forecast);
    let since = match before {
        Some(m) if m.phase == phase => m.since,
        _ => e.now,
    };
    let stopped = phase.is_still();
    let flat_from = match before.and_then(|m| m.flat_from) {
        Some(from) if stopped => Some(from),
        // Stabilised and sweetened: still since the sweetening.
        _ if phase == Phase::Settled && e.is_ended(before.as_ref()) => Some(stretch),
        _ if stopped => Some(e.stretch.last - Span::from_days(e.tail.window)),
        _ => None,
    };
    let was = before.map(|m| m.phase);
    let creeping = match (was, phase) {
        // It came down without ever being seen to fall.
        (Some(Phase::Settled), Phase::Active | Phase::Slowing) => true,
        (_, Phase::Active | Phase::Slowing) => before.is_some_and(|m| m.creeping),
        _ => false,
    };
    let restarted_at = match before {
        Some(m) if taken_back(&m, e) => None,
        Some(m) if phase == Phase::Restarted && m.phase != Phase::Restarted => Some(e.now),
        Some(m) => m.restarted_at,
        None => None,
    };
    let suspected_since = suspected_since(before.as_ref(), e);
    let was_sure = before.and_then(|m| m.sure_since);
    let sure = phase == Phase::Settled && e.hardly_any_left(forecast, was_sure.is_some());
    let sure_since = sure.then(|| was_sure.unwrap_or(e.now));
    Memory {
        phase,
        since,
        stretch,
        stopped_at,
        flat_from,
        creeping,
        restarted_at,
        suspected_since,
        sure_since,
    }
}

/// Where it stopped, read again: a hand reading since may have put the float right.
fn stopped_at(before: Option<&Memory>, e: &Evidence) -> Option<f64> {
    match before {
        Some(m) if m.phase.is_still() => m.stopped_at.and(e.stretch.level_at(m.since)),
        Some(m) if m.phase == Phase::Restarted => m.stopped_at.and(stood(m.restarted_at, e)),
        Some(m) => m.stopped_at,
        None if e.is_ended(None) => e.stretch.first_level(),
        None => None,
    }
}

/// Where it lay before it began to fall: what is read off weeks later against where it had stopped is
/// the float's drift as well.
fn stood(alarm: Option<Moment>, e: &Evidence) -> Option<f64> {
    e.stretch.level_at(alarm? - ALARMED_WITHIN)
}

/// It is still, and has not come down after all: what looked like a fall was the float. A mead that had
/// ended is never too late for that, since hand readings may yet put the float right: how low it would
/// be if it were dry says nothing of it.
fn taken_back(m: &Memory, e: &Evidence) -> bool {
    let had_ended = m.restarted_at.is_some() && e.is_ended(None);
    let had_settled = m.phase == Phase::Restarted && m.stopped_at.is_some();
    let stood_and_lies = || stood(m.restarted_at, e).zip(e.level());
    (had_ended || had_settled)
        && still_again(e)
        && stood_and_lies().is_some_and(|(stood, lies)| stood - lies < NO_FALL)
}

/// Its fall is over: a day or two of it hardly show in the slope of a week.
fn still_again(e: &Evidence) -> bool {
    e.tail.stopped && !e.falls_again && e.clear_fall().is_none()
}

/// It falls now, and lies lower than where it had stopped.
fn falls_from(stopped_at: Option<f64>, level: f64, e: &Evidence) -> bool {
    let mixed =
        e.stretch.began != What::Sweeten || super::days_since(e.stretch.from, e.now) >= MIXED;
    let came_down = stopped_at.is_some_and(|s| level < s - CAME_DOWN);
    mixed && came_down && e.clear_fall().is_some()
}

/// Nothing keeps yeast from the sugar that was added, and it falls before it has come down far enough to
/// be past any lag. Sugar that sinks looks the same; there it is what is to be expected of such a mead
/// that is shown a little early, not an alarm.
fn falls_at_once(before: Option<&Memory>, e: &Evidence) -> bool {
    let lags = before.is_none_or(|m| m.phase == Phase::Lag);
    lags && e.stretch.began != What::Pitch && !e.is_ended(before) && e.clear_fall().is_some()
}

fn suspected_since(before: Option<&Memory>, e: &Evidence) -> Option<Moment> {
    let level = e.level()?;
    let falls = || falls_from(stopped_at(before, e), level, e) || falls_at_once(before, e);
    let suspected = e.falls_again || falls();
    let earlier = before.and_then(|m| m.suspected_since);
    suspected.then(|| earlier.unwrap_or(e.now))
}

fn decide(before: Option<Memory>, e: &Evidence, forecast: &Forecast) -> (Phase, Option<f64>) {
    let Some(level) = e.level() else {
        return (Phase::NoData, None);
    };
    let falling = e.clear_fall().is_some();
    let ended = e.is_ended(before.as_ref());
    let stopped_at = stopped_at(before.as_ref(), e);
    let came_down = stopped_at.is_some_and(|s| level < s - CAME_DOWN);
    let was = before.map(|m| m.phase);
    let settled_for = before.map_or(Span::ZERO, |m| e.now.since(m.since));
    let held = if e.falls_again {
        Span::ZERO
    } else if super::days_since(e.stretch.from, e.now) < NO_PAST {
        SURER_WITHOUT
    } else {
        SURER
    };
    let falls_again = suspected_since(before.as_ref(), e).is_some_and(|s| e.now.since(s) >= held);
    let sure = e.falls_again && falls_again;

    let lay_before = stopped_at.and(stood(Some(e.now), e));
    if ended && was.is_none_or(|p| p == Phase::Settled) {
        return if falls_again {
            (Phase::Restarted, lay_before)
        } else {
            (Phase::Settled, stopped_at)
        };
    }
    if before.is_some_and(|m| taken_back(&m, e)) {
        return (Phase::Settled, Some(level));
    }
    match was {
        // What had hardly settled has not stopped yet: no restart, only a hasty word.
        Some(Phase::Settled) if falls_again && settled_for < HASTY => {
            (moving(was, e, forecast, level), None)
        }
        Some(Phase::Settled) if falls_again => (Phase::Restarted, lay_before),
        // Crept down, each day too little to be seen, or the maker has told since that it should
        // end lower.
        Some(Phase::Settled) if came_down => (moving(was, e, forecast, level), None),
        Some(Phase::Settled) if e.floor.is_some_and(|f| !f.reached(level - FLOOR_SLACK)) => {
            (Phase::Stuck, stopped_at)
        }
        // A settled mead stays settled until it surely falls.
        Some(Phase::Settled) => (Phase::Settled, stopped_at),
        Some(Phase::Restarted) if still_again(e) => stopped(e, level),
        Some(Phase::Restarted) => (Phase::Restarted, stopped_at),
        Some(Phase::Stuck | Phase::Resting) if falling && came_down && !e.tail.stopped => {
            (moving(was, e, forecast, level), None)
        }
        Some(p @ (Phase::Stuck | Phase::Resting)) if !e.tail.stopped => (p, stopped_at),
        _ if lagging(e, level) && !falls_again && !works(was, e) => (Phase::Lag, None),
        // It had settled, and what crept down since falls in earnest.
        Some(Phase::Active | Phase::Slowing) if before.is_some_and(|m| m.creeping) && sure => {
            (Phase::Restarted, stopped_at)
        }
        _ if !e.falls_again && (e.tail.stopped || (e.tail.flat && e.may_be_done(level))) => {
            stopped(e, level)
        }
        _ => (moving(was, e, forecast, level), None),
    }
}

impl Evidence<'_> {
    /// Low enough, and nothing but the end explains why it is still: cold does, unless the level
    /// says that there is nothing left to ferment.
    fn may_be_done(&self, level: f64) -> bool {
        let warm_or_dry = !self.cold || self.floor.is_some_and(|f| f.nothing_left(level));
        warm_or_dry && self.floor.is_some_and(|f| f.reached(level))
    }

    /// Stabilised, then sweetened: for this mead the story is over, any fall is an alarm.
    pub(super) fn is_ended(&self, memory: Option<&Memory>) -> bool {
        self.stretch.began == What::Sweeten && self.sweetened_by_the_book(memory)
    }
}

fn lagging(e: &Evidence, level: f64) -> bool {
    let start = match e.stretch.began {
        What::Pitch => e.case.original.map(|g| g.get()),
        _ => None,
    };
    let start = start.or(e.stretch.first_level());
    let still_up = start.is_none_or(|s| level > s - LAG_DROP);
    let days = super::days_since(e.stretch.from, e.now);
    still_up && days < LAG_DAYS
}

/// It was seen to work on what was added, and falls still: that it has not come down far is no lag.
fn works(was: Option<Phase>, e: &Evidence) -> bool {
    let moved = matches!(was, Some(Phase::Active | Phase::Slowing));
    let falls = || e.shown_fall().is_some_and(|f| f.range().low > 0.0);
    moved && e.stretch.began != What::Pitch && falls()
}

/// Flat: settled or stuck?
fn stopped(e: &Evidence, level: f64) -> (Phase, Option<f64>) {
    let phase = if e.may_be_done(level) && e.tail.flat {
        Phase::Settled
    } else if e.may_be_done(level) {
        // Still, and low enough, but what may yet come is not known: not settled, not stuck.
        Phase::Slowing
    } else if e.cold {
        Phase::Resting
    } else {
        Phase::Stuck
    };
    (phase, phase.is_still().then_some(level))
}

/// Falling, or not provably flat.
fn moving(was: Option<Phase>, e: &Evidence, forecast: &Forecast, level: f64) -> Phase {
    let start = match e.stretch.began {
        What::Pitch => e.case.original.map(|g| g.get()).or(e.stretch.first_level()),
        _ => e.stretch.first_level(),
    };
    let done = match (start, e.end(forecast)) {
        (Some(start), Some(end)) if start - end > 1e-4 => (start - level) / (start - end),
        _ => 0.0,
    };
    // The forecast end wanders; what was slowing is not called active for that.
    let enough = if was == Some(Phase::Slowing) {
        SLOWING - SLOWING_SLACK
    } else {
        SLOWING
    };
    if done >= enough {
        Phase::Slowing
    } else {
        Phase::Active
    }
}
