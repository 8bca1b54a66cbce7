//! When the float was not in the liquid.
//!
//! Out of it a float lies flat or hangs: its gravity is one no mead has, or leaps further within an
//! hour than anything does that is poured in, and comes back when the float does. A float that reads low
//! and creeps below any mead with the mead is not out: it has an offset.

use crate::hours::{HOUR_MS, Hour, HourGravity};
use crate::time::{Moment, Span};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Away {
    pub from: Moment,
    pub to: Moment,
}

/// A dry mead stays above 0.985; common practice, no source.
const NO_MEAD_BELOW: f64 = 0.98;
/// Falls by less within an hour are the mead's. Chosen here; the fastest yeast makes a tenth of it.
const CREEP: f64 = 0.015;
/// Further than any logged or forgotten addition moves a vessel within an hour. Chosen here.
const LEAP: f64 = 0.05;
/// Back again is near where it left: gravity may have fallen meanwhile.
const BACK: f64 = 0.03;
/// A leap that lasts longer than this is where the float now is, not an outing.
const OUTING: Span = Span::days(2);

/// Outings, in time order; `hours` of one float, `deeds_at` in time order. One that has not ended lasts until `now`.
pub(super) fn find(hours: &[Hour], deeds_at: &[Moment], now: Moment) -> Vec<Away> {
    let mut found: Vec<Away> = Vec::new();
    let mut deeds = deeds_at.iter().peekable();
    let mut level: Option<f64> = None;
    let mut out: Option<Outing> = None;
    for hour in hours {
        let Some(g) = hour.gravity.filter(|g| g.median.is_finite()) else {
            continue;
        };
        // After a deed the level may be anything.
        while deeds.next_if(|d| **d <= g.at).is_some() {
            if out.is_none() {
                level = None;
            }
        }
        let absurd = g.median < NO_MEAD_BELOW;
        match (&mut out, level) {
            (None, before) if absurd && before.is_none_or(|b| b - g.median > CREEP) => {
                out = Some(Outing::begin(hour, true, before));
            }
            (None, Some(before)) if (g.median - before).abs() > LEAP => {
                out = Some(Outing::begin(hour, false, Some(before)));
            }
            (None, _) => level = Some(g.median),
            (Some(outing), _) if outing.goes_on(&g) => {
                outing.absurd |= absurd;
                outing.last = end(hour);
            }
            (Some(outing), _) => {
                // A leap that stays was no outing: the float reads so from now on.
                if outing.absurd || outing.is_back(&g) {
                    found.push(outing.ended());
                }
                out = None;
                level = Some(g.median);
            }
        }
    }
    if let Some(outing) = out {
        found.push(Away {
            to: now,
            ..outing.ended()
        });
    }
    found
}

struct Outing {
    from: Moment,
    /// End of the last hour that was out, ms.
    last: i64,
    /// Gravities no mead has were seen.
    absurd: bool,
    before: Option<f64>,
}

fn end(hour: &Hour) -> i64 {
    hour.index.saturating_add(1).saturating_mul(HOUR_MS)
}

impl Outing {
    fn begin(hour: &Hour, absurd: bool, before: Option<f64>) -> Outing {
        Outing {
            from: Moment(hour.index.saturating_mul(HOUR_MS)),
            last: end(hour),
            absurd,
            before,
        }
    }

    fn is_back(&self, g: &HourGravity) -> bool {
        g.median >= NO_MEAD_BELOW && self.before.is_none_or(|b| (g.median - b).abs() <= BACK)
    }

    fn goes_on(&self, g: &HourGravity) -> bool {
        let lasts = g.at.since(self.from) <= OUTING;
        g.median < NO_MEAD_BELOW || (lasts && !self.is_back(g))
    }

    fn ended(&self) -> Away {
        Away {
            from: self.from,
            to: Moment(self.last),
        }
    }
}
