//! Walks through the pairs in time order: which hand reading surprises, and whether the next one
//! bears it out.
//!
//! One surprising hand reading is called out and hardly believed. A second one that agrees with it
//! settles it: then it was the float that shifted, unseen (in a gap, or slowly), and the float is anchored
//! anew from there on. A second one that agrees with the earlier readings settles it the other way.

use super::anchor::{self, Anchor, DRIFT_SD, OFFSET_SD};
use super::disagreement::Disagreement;
use super::pairs::Pair;
use super::steps::Step;
use crate::time::Span;

/// Sds beyond which a hand reading surprises, and SG below which nobody would care.
const SURPRISING: f64 = 3.0;
const WORTH_SAYING: f64 = 0.002;
/// Student's degrees of freedom for hand readings.
const TAILS: f64 = 4.0;
/// A shift only hand readings show may have any size a float is found to be off by.
const UNSEEN_SD: f64 = 0.01;

#[derive(Default)]
pub(super) struct Settled {
    pub anchor: Option<Anchor>,
    pub disagrees: Option<Disagreement>,
}

/// Student's weight of a residual of `z` sds, at most 1: only what lies off loses.
pub(super) fn student_weight(z: f64) -> f64 {
    ((TAILS + 1.0) / (TAILS + z * z)).min(1.0)
}

/// Offset and drift as known after the pairs so far.
struct State {
    offset: f64,
    drift: f64,
    oo: f64,
    od: f64,
    dd: f64,
}

impl State {
    fn forward(&mut self, days: f64) {
        self.offset += self.drift * days;
        self.oo += days * (2.0 * self.od + days * self.dd);
        self.od += days * self.dd;
    }

    fn take(&mut self, difference: f64, variance: f64) {
        let total = self.oo + variance;
        let (k, l) = (self.oo / total, self.od / total);
        let off = difference - self.offset;
        self.offset += k * off;
        self.drift += l * off;
        self.dd -= l * self.od;
        self.od -= l * self.oo;
        self.oo -= k * self.oo;
    }
}

/// A hand reading no other has confirmed or refuted.
struct Open<'a> {
    pair: &'a Pair,
    /// The pair before it.
    after: Option<&'a Pair>,
    off: f64,
    odds: f64,
}

pub(super) fn settle(pairs: &[Pair], steps: &[Step]) -> Settled {
    let mut shifts: Vec<Step> = steps.to_vec();
    let mut state = State {
        offset: 0.0,
        drift: 0.0,
        oo: OFFSET_SD * OFFSET_SD,
        od: 0.0,
        dd: DRIFT_SD * DRIFT_SD,
    };
    let mut coming = steps.iter().peekable();
    let mut last: Option<&Pair> = None;
    let mut open: Option<Open> = None;
    let mut believed = Vec::with_capacity(pairs.len());
    for pair in pairs {
        if let Some(last) = last {
            state.forward(pair.at.since(last.at).as_days());
        }
        while let Some(step) = coming.next_if(|s| s.at <= pair.at) {
            // Before the first pair the offset is unknown anyhow.
            if last.is_some() {
                state.offset += step.size;
                state.oo += step.sd * step.sd;
            }
        }
        let variance = pair.sd * pair.sd;
        let off = pair.difference() - state.offset;
        let odds = off / (state.oo + variance).sqrt();
        let surprising = odds.abs() > SURPRISING && off.abs() > WORTH_SAYING;
        believed.push(student_weight(odds));
        match open.take() {
            Some(o) if surprising && o.agrees(pair, off) => {
                // Both count fully from here on.
                let both = believed.len() - 2;
                believed[both..].fill(1.0);
                shifts.push(o.shift());
                state.oo += UNSEEN_SD * UNSEEN_SD;
                state.take(o.pair.difference(), o.pair.sd * o.pair.sd);
                state.take(pair.difference(), variance);
            }
            _ if surprising => {
                open = Some(Open {
                    pair,
                    after: last,
                    off,
                    odds,
                });
            }
            _ => state.take(pair.difference(), variance),
        }
        last = Some(pair);
    }
    shifts.sort_by_key(|s| s.at);
    Settled {
        anchor: anchor::fit(pairs, &shifts, believed),
        disagrees: open.map(|o| Disagreement {
            at: o.pair.at,
            hand: o.pair.hand,
            float: o.pair.hand + o.off,
            odds: o.odds,
        }),
    }
}

impl Open<'_> {
    /// Off by the same, as far as two hand readings can tell.
    fn agrees(&self, pair: &Pair, off: f64) -> bool {
        let sd = (self.pair.sd * self.pair.sd + pair.sd * pair.sd).sqrt();
        self.off.signum() == off.signum() && (self.off - off).abs() < SURPRISING * sd
    }

    /// Some time between the last reading that agreed and the first that did not.
    fn shift(&self) -> Step {
        let since = self.after.map_or(Span::ZERO, |a| self.pair.at.since(a.at));
        Step {
            at: self.pair.at - Span(since.0 / 2),
            size: 0.0,
            sd: UNSEEN_SD,
        }
    }
}
