//! A float's readings as the verdict takes them: put right by hand readings, and without its jumps.
//!
//! Offset and drift are corrected only where a hand reading measured them; jumps are taken out of
//! the curve in any case, since no ferment jumps. What is cut or corrected is said in the verdict.

use super::case::Case;
use super::outcome::{Doubt, FloatSeen, Trued};
use crate::deed::{Deed, What};
use crate::hours::Hour;
use crate::instrument::{Instrument, examine};
use crate::time::{Moment, Span};

/// Hand readings and jumps further back tell little of the float now: its drift wanders.
const BACK: Span = Span::days(45);
/// A float's own drift, SG a day, before any hand reading has met it. No published figure found;
/// chosen here, with [`crate::instrument`]'s prior.
pub(super) const DRIFT_SD: f64 = 0.000_08;
/// Error of a float's level that no hand reading has met, SG. Chosen here.
const OFFSET_SD: f64 = 0.005;
/// Looked at anew after so many more hours.
const PATIENCE: usize = 3;

/// The float as last examined.
#[derive(Debug, Default)]
pub(super) struct Float {
    seen: Option<(usize, usize, Moment)>,
    pub instrument: Instrument,
}

impl Float {
    /// Over `from` to `now`, once; see [`examine`].
    pub fn examined(
        hours: &[Hour],
        hand: &[(Moment, f64)],
        moved: &[Moment],
        from: Moment,
        now: Moment,
    ) -> Float {
        Float {
            seen: None,
            instrument: examine(hours, hand, moved, from, now),
        }
    }

    /// Examines it again when there is enough that is new.
    pub fn look(&mut self, case: &Case, now: Moment) {
        let hours = case.hours.len();
        let deeds = case.done(now).count();
        let fresh = self.seen.is_some_and(|(h, d, at)| {
            d == deeds
                && (h..h + PATIENCE).contains(&hours)
                && now >= at
                && now < at + Span::days(1)
        });
        if fresh {
            return;
        }
        let mut hand = Vec::new();
        let mut moved = Vec::new();
        for deed in case.done(now) {
            sort_out(deed, &mut hand, &mut moved);
        }
        let from = case.started.unwrap_or(now - BACK).max(now - BACK);
        self.instrument = examine(case.hours, &hand, &moved, from, now);
        self.seen = Some((hours, deeds, now));
    }

    /// For the verdict to show. `None` with nothing to tell.
    pub fn seen(&self, now: Moment) -> Option<FloatSeen> {
        let i = &self.instrument;
        let seen = FloatSeen {
            trued: i.anchor.as_ref().map(|a| {
                let correction = a.correction(now);
                Trued {
                    reads_high: -correction.value,
                    reads_high_sd: correction.sd,
                    drift_per_day: a.drift,
                    drift_sd: a.drift_sd,
                    hand_readings: a.pairs.len(),
                }
            }),
            disagrees: i.disagrees.map(|d| Doubt {
                at: d.at,
                hand: d.hand,
                float: d.float,
            }),
            still_since: i.still_since,
            jumps: i.steps.iter().map(|s| (s.at, s.size)).collect(),
        };
        (seen != FloatSeen::default()).then_some(seen)
    }

    pub fn drift_sd(&self) -> f64 {
        self.instrument
            .anchor
            .as_ref()
            .map_or(DRIFT_SD, |a| a.drift_sd)
    }

    /// Error of its level, SG.
    pub fn level_sd(&self, now: Moment) -> f64 {
        let anchor = self.instrument.anchor.as_ref();
        anchor.map_or(OFFSET_SD, |a| a.correction(now).sd)
    }

    /// Whether the float was in the liquid.
    pub fn was_in(&self, at: Moment) -> bool {
        !self
            .instrument
            .away
            .iter()
            .any(|a| a.from <= at && at < a.to)
    }

    /// When it came to read higher at once, which is taken out of the curve.
    pub fn lifts(&self) -> impl Iterator<Item = Moment> {
        let i = &self.instrument;
        let jumps = i.anchor.as_ref().map_or(&i.steps, |a| &a.shifts);
        jumps.iter().filter(|j| j.size > 0.0).map(|j| j.at)
    }

    /// What to add to readings, from a time on: each entry until the next, with its change a day.
    pub fn corrections(&self) -> Vec<Correction> {
        let i = &self.instrument;
        match &i.anchor {
            Some(anchor) => {
                let starts =
                    std::iter::once(Moment(i64::MIN / 2)).chain(anchor.shifts.iter().map(|s| s.at));
                let starts: Vec<Moment> = starts.collect();
                starts
                    .iter()
                    .map(|from| {
                        let by = if from.0 < 0 {
                            anchor.shifts.first().map_or(anchor.at, |s| s.at - Span(1))
                        } else {
                            *from
                        };
                        Correction {
                            from: *from,
                            by_at: by,
                            value: anchor.correction(by).value,
                            a_day: -anchor.drift,
                        }
                    })
                    .collect()
            }
            None => {
                let mut sum = 0.0;
                i.steps
                    .iter()
                    .map(|s| {
                        sum -= s.size;
                        Correction {
                            from: s.at,
                            by_at: s.at,
                            value: sum,
                            a_day: 0.0,
                        }
                    })
                    .collect()
            }
        }
    }

    /// The float has sent one value for so long that it counts as silent.
    pub fn dead_since(&self, limit: Span, now: Moment) -> Option<Moment> {
        self.instrument
            .still_since
            .filter(|at| now.since(*at) > limit)
    }
}

/// `value` is right at `by_at`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Correction {
    pub from: Moment,
    by_at: Moment,
    value: f64,
    a_day: f64,
}

impl Correction {
    pub fn at(&self, at: Moment) -> f64 {
        self.value + self.a_day * at.since(self.by_at).as_days()
    }
}

/// The hours' gravities in order, corrected; those with the float out of the liquid left out.
pub(super) fn gravities<'a>(
    hours: &'a [Hour],
    float: &'a Float,
) -> impl Iterator<Item = (&'a Hour, f64)> {
    let corrections = float.corrections();
    let mut next = 0;
    let mut current: Option<Correction> = None;
    hours.iter().filter_map(move |hour| {
        let g = hour.gravity?;
        while let Some(c) = corrections.get(next).filter(|c| c.from <= g.at) {
            current = Some(*c);
            next += 1;
        }
        let by = current.map_or(0.0, |c| c.at(g.at));
        float.was_in(g.at).then_some((hour, g.median + by))
    })
}

/// The hours' gravities in `[from, to)`, SG, put right by all hand readings before `to`.
pub(crate) fn put_right(
    hours: &[Hour],
    deeds: &[Deed],
    from: Moment,
    to: Moment,
) -> Vec<(Moment, f64)> {
    let mut hand = Vec::new();
    let mut moved = Vec::new();
    for deed in deeds.iter().filter(|d| d.at < to) {
        sort_out(deed, &mut hand, &mut moved);
    }
    let float = Float::examined(hours, &hand, &moved, from, to);
    let within = |at: Moment| at >= from && at < to;
    gravities(hours, &float)
        .filter_map(|(hour, gravity)| Some((hour.gravity?.at, gravity)))
        .filter(|(at, _)| within(*at))
        .collect()
}

/// A reading by hand, or something that can have moved the float.
pub(super) fn sort_out(deed: &Deed, hand: &mut Vec<(Moment, f64)>, moved: &mut Vec<Moment>) {
    match (deed.what, deed.gravity) {
        (What::HandReading, Some(g)) => hand.push((deed.at, g.get())),
        (What::HandReading | What::TestFerment | What::Clean | What::Taste | What::Remark, _) => {}
        _ => moved.push(deed.at),
    }
}
