//! How far a mead had fallen when, with what was put in meanwhile taken out of the curve.

use super::monotone::{along, crossing, rising};
use super::slope;
use crate::deed::{Deed, What};
use crate::fit::noise::median;
use crate::hours::Hour;
use crate::time::{Moment, Span};
use crate::units::Gravity;
use crate::verdict::put_right;

/// What brings sugar, strength or water: the gravity before and after tells nothing of the yeast.
const MOVERS: &[What] = &[What::Addition, What::Blend, What::Sweeten];
/// What ends the yeast's work, or a float's.
const ENDS: &[What] = &[What::Stabilise, What::Pasteurise, What::Seal];
/// After something was put in the liquid needs to mix before its level counts.
const MIXING: Span = Span::hours(3);
/// A first reading no later than this tells where it began.
const NEAR_PITCH: Span = Span::hours(12);
/// Readings taken so early belong to the pitch.
const BEFORE_PITCH: Span = Span::hours(1);
/// Where no float has spoken for so long, a hand reading stands in.
const NO_FLOAT: Span = Span::hours(12);
/// The level it began at is the middle of so many hours.
const FIRST: f64 = 0.25;
/// The level on either side of something that was put in is read off so much of the curve, days.
const BESIDE: f64 = 0.5;
/// The line through that is not drawn on further than this, days.
const DRAWN_ON: f64 = 0.25;
/// The level it ended at is the middle of so many days.
const LAST: f64 = 1.0;
/// A spike among readings so close together (five of them, days) is left out.
const CLOSE: f64 = 0.5;
/// It has stopped where it came down by less than [`STILL_FALL`] SG over so many days.
const STILL_DAYS: f64 = 5.0;
const STILL_FALL: f64 = 0.001;

/// One mead as it is on record.
#[derive(Clone, Copy, Debug)]
pub struct Told<'a> {
    /// In time order, inherited ones first.
    pub hours: &'a [Hour],
    /// In time order, corrected lines left out.
    pub deeds: &'a [Deed],
    pub started: Moment,
    pub original: Option<Gravity>,
    /// When it ended; of one that still is in a vessel `None`.
    pub ended: Option<Moment>,
    pub now: Moment,
}

impl Told<'_> {
    /// The yeast was put in: noted in the log, or when the mead was begun.
    pub fn pitched(&self) -> Moment {
        let noted = self.deeds.iter().find(|d| d.what == What::Pitch);
        noted.map_or(self.started, |d| d.at.max(self.started))
    }

    /// Up to when the yeast's work is looked at: until it was stabilised, heated or sealed, or the
    /// mead ended.
    pub fn counted_to(&self) -> Moment {
        let last = self.ended.unwrap_or(self.now);
        let pitched = self.pitched();
        let stopped = self
            .deeds
            .iter()
            .find(|d| d.at > pitched && ENDS.contains(&d.what));
        stopped.map_or(last, |d| d.at.min(last))
    }

    fn was_stopped(&self) -> bool {
        self.counted_to() < self.ended.unwrap_or(self.now)
    }
}

/// Times are days since the pitch, gravities SG.
#[derive(Clone, Debug, PartialEq)]
pub struct Course {
    pub pitched: Moment,
    pub days: Vec<f64>,
    /// As read, put right by hand readings.
    pub gravity: Vec<f64>,
    /// Fallen since the pitch, spikes left out.
    fallen: Vec<f64>,
    /// The same as it only ever grows.
    pub smooth: Vec<f64>,
    /// When sugar, strength or water was put in.
    pub put_in: Vec<f64>,
    /// It fell no further; until then `fall` is what it has fallen so far.
    pub over: bool,
    pub fall: f64,
}

struct Segment {
    days: Vec<f64>,
    gravity: Vec<f64>,
}

impl Course {
    /// `None` where nothing tells what it began at, or nothing was read after.
    pub fn of(told: &Told) -> Option<Course> {
        let pitched = told.pitched();
        let mut samples = samples(told);
        let near = |(at, _): &(Moment, f64)| *at <= pitched + NEAR_PITCH;
        if !samples.first().is_some_and(near) {
            samples.insert(0, (pitched, told.original?.get()));
        }
        let days_of = |at: Moment| at.since(pitched).as_days().max(0.0);
        let movers: Vec<&Deed> = told
            .deeds
            .iter()
            .filter(|d| d.at > pitched && d.at < told.counted_to() && MOVERS.contains(&d.what))
            .collect();
        let mut segments = Vec::new();
        let mut rest = samples.as_slice();
        for next in movers.iter().map(Some).chain([None]) {
            let cut = next.map_or(rest.len(), |d| rest.partition_point(|(at, _)| *at < d.at));
            let (own, later) = rest.split_at(cut);
            segments.push(Segment {
                days: own.iter().map(|(at, _)| days_of(*at)).collect(),
                gravity: own.iter().map(|(_, g)| *g).collect(),
            });
            let mixed = next.map_or(0, |d| later.partition_point(|(at, _)| *at < d.at + MIXING));
            rest = &later[mixed..];
        }
        let movers: Vec<(f64, Option<f64>)> = movers
            .iter()
            .map(|d| (days_of(d.at), d.gravity.map(Gravity::get)))
            .collect();
        let mut course = joined(pitched, &segments, &movers)?;
        let stopped = told.was_stopped() || told.ended.is_some();
        course.over = stopped || course.is_still();
        Some(course)
    }

    /// The last reading that counts.
    pub fn end(&self) -> Option<(Moment, Gravity)> {
        let (day, gravity) = (self.days.last()?, self.end_gravity()?);
        Some((self.pitched + Span::from_days(*day), gravity))
    }

    fn end_gravity(&self) -> Option<Gravity> {
        let last = self.days.last()? - LAST;
        let from = self.days.partition_point(|d| *d < last);
        let mut level = self.gravity[from..].to_vec();
        Some(Gravity::computed(median(&mut level)))
    }

    pub fn start_gravity(&self) -> Option<Gravity> {
        Some(Gravity::computed(first_level(&self.days, &self.gravity)?))
    }

    /// When this share of the whole fall was behind it, days.
    pub fn at_share(&self, share: f64) -> Option<f64> {
        (self.over && self.fall > 0.0)
            .then(|| self.at_fallen(share * self.fall))
            .flatten()
    }

    pub fn at_fallen(&self, fallen: f64) -> Option<f64> {
        crossing(&self.days, &self.smooth, fallen)
    }

    pub fn fallen_at(&self, day: f64) -> f64 {
        along(&self.days, &self.smooth, day)
    }

    /// The fall a day at a place, from the readings within `half` days of it, or the nearest few.
    pub fn speed(&self, day: f64, half: f64, least: usize) -> Option<f64> {
        let mut from = self.days.partition_point(|d| *d < day - half);
        let mut to = self.days.partition_point(|d| *d <= day + half);
        while to - from < least.min(self.days.len()) {
            let before = from.checked_sub(1).map(|i| day - self.days[i]);
            let after = self.days.get(to).map(|d| d - day);
            match (before, after) {
                (Some(b), Some(a)) if a < b => to += 1,
                (Some(_), _) => from -= 1,
                (None, _) => to += 1,
            }
        }
        let near = from..to;
        slope::at(day, near.map(|i| (self.days[i], self.fallen[i])))
    }

    fn is_still(&self) -> bool {
        let Some(last) = self.days.last() else {
            return false;
        };
        let from = last - STILL_DAYS;
        // Before it began to fall it is still too.
        from > 0.0
            && self.fall > 10.0 * STILL_FALL
            && self.fall - self.fallen_at(from) <= STILL_FALL
    }
}

/// Gravities that count, in time order: the float's, and hand readings where it was silent.
fn samples(told: &Told) -> Vec<(Moment, f64)> {
    let (from, to) = (told.pitched() - BEFORE_PITCH, told.counted_to() + Span(1));
    let float = put_right(told.hours, told.deeds, from, to);
    let silent = |at: Moment| {
        let after = float.partition_point(|(f, _)| *f < at);
        let near = |i: usize| {
            let sample = float.get(i);
            sample.is_some_and(|(f, _)| f.since(at).0.abs() < NO_FLOAT.0)
        };
        !near(after) && !after.checked_sub(1).is_some_and(near)
    };
    let hand = told
        .deeds
        .iter()
        .filter(|d| d.what == What::HandReading && d.at >= from && d.at < to && silent(d.at))
        .filter_map(|d| Some((d.at, d.gravity?.get())));
    let mut all: Vec<(Moment, f64)> = float.iter().copied().chain(hand).collect();
    all.sort_by_key(|(at, _)| *at);
    all
}

/// `movers` lie between the segments: the day each was put in, and the gravity measured after it.
fn joined(pitched: Moment, segments: &[Segment], movers: &[(f64, Option<f64>)]) -> Option<Course> {
    let (mut days, mut gravity, mut fallen) = (Vec::new(), Vec::new(), Vec::new());
    // Fallen is this less the gravity.
    let mut reference = 0.0;
    // The last segment with readings in it, and when something was first put in after it.
    let mut earlier: Option<(&Segment, f64)> = None;
    for (n, segment) in segments.iter().enumerate() {
        let (Some(first), Some(last)) = (segment.days.first(), segment.days.last()) else {
            continue;
        };
        match (earlier, n.checked_sub(1).and_then(|n| movers.get(n))) {
            (Some((before, left_at)), Some((put_in, measured))) => {
                let known = measured.filter(|_| first - put_in > 2.0 * BESIDE);
                let after = known.unwrap_or_else(|| segment.level_beside(*first, *put_in));
                let last = before.days.last().copied().unwrap_or(left_at);
                reference += after - before.level_beside(last, left_at);
            }
            _ => reference = first_level(&segment.days, &segment.gravity)?,
        }
        let clean = without_spikes(&segment.days, &segment.gravity);
        fallen.extend(clean.iter().map(|g| reference - g));
        days.extend_from_slice(&segment.days);
        gravity.extend_from_slice(&segment.gravity);
        earlier = Some((segment, movers.get(n).map_or(*last, |(day, _)| *day)));
    }
    let last = days.last()? - LAST;
    if days.len() < 2 {
        return None;
    }
    let smooth = rising(&fallen);
    let mut level = smooth[days.partition_point(|d| *d < last)..].to_vec();
    let fall = median(&mut level).max(0.0);
    Some(Course {
        pitched,
        days,
        gravity,
        fallen,
        smooth,
        put_in: movers.iter().map(|(day, _)| *day).collect(),
        over: false,
        fall,
    })
}

fn first_level(days: &[f64], gravity: &[f64]) -> Option<f64> {
    let until = days.first()? + FIRST;
    let early = days.partition_point(|d| *d < until);
    Some(median(&mut gravity[..early].to_vec()))
}

impl Segment {
    /// The gravity on a day beside it, read off the readings around that `end` of it.
    fn level_beside(&self, end: f64, day: f64) -> f64 {
        let readings = self.days.iter().copied().zip(self.gravity.iter().copied());
        let near: Vec<(f64, f64)> = readings
            .clone()
            .filter(|(d, _)| (d - end).abs() <= BESIDE)
            .collect();
        if near.len() < 4 {
            let nearest = readings.min_by(|a, b| (a.0 - end).abs().total_cmp(&(b.0 - end).abs()));
            return nearest.map_or(0.0, |(_, g)| g);
        }
        // Theil's line: the middle of all slopes, through the middle of the points.
        let pairs = near.iter().enumerate();
        let mut slopes: Vec<f64> = pairs
            .flat_map(|(i, a)| near[..i].iter().map(move |b| (a.1 - b.1) / (a.0 - b.0)))
            .filter(|slope| slope.is_finite())
            .collect();
        let slope = median(&mut slopes);
        let to = day.clamp(end - DRAWN_ON, end + DRAWN_ON);
        let mut drawn: Vec<f64> = near.iter().map(|(d, g)| g + slope * (to - d)).collect();
        median(&mut drawn)
    }
}

/// Each reading as the middle of the five around it, where they are close together: what only
/// falls stays as it is.
fn without_spikes(days: &[f64], gravity: &[f64]) -> Vec<f64> {
    let one = |i: usize| {
        let around = i.checked_sub(2).map(|from| from..i + 3);
        match around {
            Some(r) if r.end <= days.len() && days[r.end - 1] - days[r.start] <= CLOSE => {
                median(&mut gravity[r].to_vec())
            }
            _ => gravity[i],
        }
    };
    (0..days.len()).map(one).collect()
}
