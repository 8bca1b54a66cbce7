//! The shape of a verdict. Plain data: it is stored as JSON, printed by `replay`, drawn by the page.

use serde::{Deserialize, Serialize};

use super::jar::TestFerment;
use crate::time::{Moment, Span};
use crate::units::{Celsius, Gravity};

/// A middle value with the range it lies in nine times out of ten.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Range<T> {
    pub mid: T,
    pub low: T,
    pub high: T,
}

/// A forecast: its middle, the range it lies in every second time, and nine times out of ten.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(
    from = "WrittenSpread<T>",
    bound(deserialize = "T: Copy + Deserialize<'de>")
)]
pub struct Spread<T> {
    pub low: T,
    pub half_low: T,
    pub mid: T,
    pub half_high: T,
    pub high: T,
}

/// As it may stand in a database: earlier versions knew no inner range.
#[derive(Deserialize)]
struct WrittenSpread<T> {
    low: T,
    half_low: Option<T>,
    mid: T,
    half_high: Option<T>,
    high: T,
}

impl<T: Copy> From<WrittenSpread<T>> for Spread<T> {
    fn from(w: WrittenSpread<T>) -> Self {
        Spread {
            low: w.low,
            half_low: w.half_low.unwrap_or(w.low),
            mid: w.mid,
            half_high: w.half_high.unwrap_or(w.high),
            high: w.high,
        }
    }
}

impl<T: Copy> Spread<T> {
    pub fn map<U>(&self, f: impl Fn(T) -> U) -> Spread<U> {
        Spread {
            low: f(self.low),
            half_low: f(self.half_low),
            mid: f(self.mid),
            half_high: f(self.half_high),
            high: f(self.high),
        }
    }

    /// The outer range alone.
    pub fn range(&self) -> Range<T> {
        Range {
            mid: self.mid,
            low: self.low,
            high: self.high,
        }
    }
}

/// What is known of the float that the verdict rests on.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct FloatSeen {
    /// Measured against hand readings; without any, nothing is corrected.
    pub trued: Option<Trued>,
    /// A hand reading and the float that cannot both be right.
    pub disagrees: Option<Doubt>,
    /// It has sent one value ever since.
    pub still_since: Option<Moment>,
    /// Sudden shifts taken out of the curve: when, and by how much it read higher from then on, SG.
    pub jumps: Vec<(Moment, f64)>,
}

/// A float's error as hand readings tell it, SG.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trued {
    /// How much too high it reads now.
    pub reads_high: f64,
    pub reads_high_sd: f64,
    pub drift_per_day: f64,
    pub drift_sd: f64,
    /// Hand readings it was compared with.
    pub hand_readings: usize,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Doubt {
    /// When the hand reading was taken.
    pub at: Moment,
    pub hand: f64,
    /// What the float said then, put right by the hand readings before.
    pub float: f64,
}

/// How sure each of the statements is that "finished" rests on, 0 to 1.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Odds {
    /// Its fall is too small to matter.
    pub flat: f64,
    /// It is where it should end, not stuck above it. `None` when no end is known to expect.
    pub at_floor: Option<f64>,
    /// Nothing else (cold, a silent or stuck feed) makes it look still.
    pub nothing_else: f64,
    /// More than 0.002 SG is still to fall.
    pub more_left: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Phase {
    /// Nothing to judge from: no readings, or none recent enough.
    NoData,
    /// Pitched, not falling yet.
    Lag,
    /// Falling, more than half of the fall still steep.
    Active,
    /// Falling, past the steep part.
    Slowing,
    /// Stopped, and where it should stop.
    Settled,
    /// Stopped, but higher than it should stop.
    Stuck,
    /// Stopped in the cold, which says nothing about its end.
    Resting,
    /// Falling again after it had settled or was sweetened.
    Restarted,
}

impl Phase {
    pub const ALL: [Phase; 8] = [
        Phase::NoData,
        Phase::Lag,
        Phase::Active,
        Phase::Slowing,
        Phase::Settled,
        Phase::Stuck,
        Phase::Resting,
        Phase::Restarted,
    ];

    pub fn key(self) -> &'static str {
        match self {
            Phase::NoData => "no-data",
            Phase::Lag => "lag",
            Phase::Active => "active",
            Phase::Slowing => "slowing",
            Phase::Settled => "settled",
            Phase::Stuck => "stuck",
            Phase::Resting => "resting",
            Phase::Restarted => "restarted",
        }
    }

    /// It no longer falls, for whatever reason.
    pub fn is_still(self) -> bool {
        matches!(self, Phase::Settled | Phase::Stuck | Phase::Resting)
    }

    pub fn from_key(key: &str) -> Option<Phase> {
        Phase::ALL.into_iter().find(|p| p.key() == key)
    }
}

/// Whether a step may be taken now.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Gate {
    pub open: bool,
    /// Why it is open, or what is in the way and what would open it. One plain sentence.
    pub why: String,
    /// When shut: when it will likely open, if that can be told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub opens: Option<Moment>,
    /// When shut: a hand reading would help to open it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub wants_reading: bool,
    /// When open: since when, at every look. `None` where no earlier look is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub since: Option<Moment>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Gates {
    pub rack: Gate,
    pub stabilise: Gate,
    /// Keg or bottle.
    pub seal: Gate,
}

impl Gates {
    /// Says of what is open since when it has been, by what the look before found.
    pub fn follow(&mut self, before: &Gates, now: Moment) {
        let pairs = [
            (&mut self.rack, &before.rack),
            (&mut self.stabilise, &before.stabilise),
            (&mut self.seal, &before.seal),
        ];
        for (gate, before) in pairs {
            gate.since = match (gate.open, before.open) {
                (true, true) => before.since,
                (true, false) => Some(now),
                (false, _) => None,
            };
        }
    }
}

/// One point of the fitted curve or of the forecast, in SG, with its 90 % band.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BandPoint {
    pub at: Moment,
    pub mid: f64,
    pub low: f64,
    pub high: f64,
}

/// What one assessment hands to the next, so that a verdict does not flap. Kept with the verdict.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Memory {
    pub phase: Phase,
    pub since: Moment,
    /// Start of the stretch of curve it belongs to (pitch, addition, split, sweetening).
    pub stretch: Moment,
    /// Where it stopped, SG, when it has.
    pub stopped_at: Option<f64>,
    /// Since when it has been flat, when it has stopped.
    pub flat_from: Option<Moment>,
    /// It had settled and has since crept down, too slowly to be seen in a few days: to be called
    /// settled again it must hold for longer.
    #[serde(default)]
    pub creeping: bool,
    /// When it last began to fall again after it had stopped.
    #[serde(default)]
    pub restarted_at: Option<Moment>,
    /// Since when every look has found it falling again. An alarm waits until that has held for a while.
    #[serde(default)]
    pub suspected_since: Option<Moment>,
    /// Since when every look has found it settled with hardly anything left. A gate waits until
    /// that has held for a while.
    #[serde(default)]
    pub sure_since: Option<Moment>,
}

/// What is known about one vessel at one moment.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// The instant judged: the time of assessment, not of the last reading.
    pub at: Moment,
    pub phase: Phase,
    /// Gravity now, smoothed. `None` with [`Phase::NoData`].
    pub gravity: Option<Gravity>,
    /// SG per day, positive while falling.
    pub fall_per_day: Option<Range<f64>>,
    /// SG still to fall. `None` when it cannot be told yet.
    pub left_to_fall: Option<Range<f64>>,
    /// When the last 0.001 SG of the fall will have begun. `None` when settled or not tellable.
    pub settles_at: Option<Spread<Moment>>,
    /// Where the curve says it will end, SG.
    pub final_gravity: Option<Spread<f64>>,
    /// Where it should end by the maker's word, or by original gravity and yeast.
    #[serde(default)]
    pub expected_end: Option<Gravity>,
    /// How much of the record the fall was judged from.
    pub looked_at: Option<Span>,
    pub last_reading: Option<Moment>,
    pub temperature: Option<Celsius>,
    /// Temperature over the span looked at less that of the warmest days since the stretch began, K.
    pub temperature_change: Option<f64>,
    pub gates: Gates,
    /// Why no curve could be fitted, when none could.
    pub no_curve_because: Option<String>,
    /// Fitted curve up to now and forecast after it, in time order; empty without a curve.
    pub curve: Vec<BandPoint>,
    /// It stopped above the middle of where it should end, but not so far that it must be stuck.
    #[serde(default)]
    pub end_unsure: bool,
    /// Resting: at what temperature to look again.
    #[serde(default)]
    pub look_again_at: Option<Celsius>,
    #[serde(default)]
    pub odds: Option<Odds>,
    #[serde(default)]
    pub float: Option<FloatSeen>,
    /// A jar of it that was fermented out, once one was read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub test_ferment: Option<TestFerment>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub memory: Option<Memory>,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gates(open: [bool; 3]) -> Gates {
        let gate = |open| Gate {
            open,
            why: String::new(),
            opens: None,
            wants_reading: false,
            since: None,
        };
        let [rack, stabilise, seal] = open.map(gate);
        Gates {
            rack,
            stabilise,
            seal,
        }
    }

    #[test]
    fn a_gate_is_open_since_it_was_first_found_open() {
        let looks = [
            ([true, false, false], [None, None, None]),
            ([true, true, false], [None, Some(1), None]),
            ([true, true, true], [None, Some(1), Some(2)]),
            ([false, true, true], [None, Some(1), Some(2)]),
            ([true, false, true], [Some(4), None, Some(2)]),
        ];
        let mut before: Option<Gates> = None;
        for (now, (open, since)) in looks.into_iter().enumerate() {
            let mut found = gates(open);
            if let Some(before) = &before {
                found.follow(before, Moment(now as i64));
            }
            let is = [&found.rack, &found.stabilise, &found.seal].map(|g| g.since);
            assert_eq!(is, since.map(|s| s.map(Moment)), "look {now}");
            before = Some(found);
        }
    }
}
