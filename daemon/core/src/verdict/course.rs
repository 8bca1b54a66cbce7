//! A mead's course as it is drawn: what a float read put right, and how fast it fell.
//!
//! The fall of a day is the straight line through the hours half a day to either side, with the
//! errors of [`super::slope`]; a fall that bends within the day comes out flatter at its sharpest. The
//! line goes over no deed that moves the gravity itself, and none is drawn where the hours of either
//! side are too few to carry it.

use super::outcome::Range;
use super::slope::{Sample, slope};
use super::trued::{Float, gravities, sort_out};
use crate::deed::{Deed, What};
use crate::hours::Hour;
use crate::time::{Moment, Span};

/// To either side of the place whose fall is told.
const HALF: Span = Span::hours(12);
/// The hours must reach so far to either side.
const REACH: Span = Span::hours(6);
/// Fewer hours tell no fall. Chosen here.
const FEWEST: usize = 6;
/// A place or two of a span of years is worth no more than this many lines.
pub const MOST_PLACES: usize = 1200;

/// A float's readings over some time, examined.
pub struct Course<'a> {
    hours: &'a [Hour],
    float: Float,
    /// When the gravity itself was moved.
    moved: Vec<Moment>,
    step: f64,
}

/// How fast the gravity fell at a place, SG a day, and where it stood.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fall {
    pub at: Moment,
    pub a_day: Range<f64>,
    pub gravity: f64,
}

impl<'a> Course<'a> {
    /// `hours` of a mead and what was done to it, both in time order.
    pub fn examine(hours: &'a [Hour], deeds: &[Deed], from: Moment, now: Moment) -> Course<'a> {
        let (mut hand, mut disturbed) = (Vec::new(), Vec::new());
        for deed in deeds.iter().filter(|d| d.at <= now) {
            sort_out(deed, &mut hand, &mut disturbed);
        }
        let moves = |d: &&Deed| {
            matches!(
                d.what,
                What::Pitch | What::Addition | What::Blend | What::Sweeten
            )
        };
        Course {
            hours,
            float: Float::examined(hours, &hand, &disturbed, from, now),
            moved: deeds.iter().filter(moves).map(|d| d.at).collect(),
            step: super::case::finest_step(hours),
        }
    }

    /// Hand readings or jumps ask for readings to be put right.
    pub fn corrects(&self) -> bool {
        let i = &self.float.instrument;
        i.anchor.is_some() || !i.steps.is_empty() || !i.away.is_empty()
    }

    /// What to add to a reading of the float, SG, and the error of that (one sd); `None` while it
    /// was out of the liquid.
    pub fn correction(&self, at: Moment) -> Option<(f64, f64)> {
        if !self.float.was_in(at) {
            return None;
        }
        let i = &self.float.instrument;
        if let Some(anchor) = &i.anchor {
            let by = anchor.correction(at);
            return Some((by.value, by.sd));
        }
        let (mut by, mut variance) = (0.0, 0.0);
        for step in i.steps.iter().take_while(|s| s.at <= at) {
            by -= step.size;
            variance += step.sd * step.sd;
        }
        Some((by, variance.sqrt()))
    }

    /// Its fall at evenly spaced places of a stretch, at most `places` (and [`MOST_PLACES`]) of them,
    /// an hour apart at least.
    pub fn falls(&self, from: Moment, to: Moment, places: usize) -> Vec<Fall> {
        let most = places.clamp(1, MOST_PLACES) as i64;
        let apart = Span((to.since(from).0 / most).max(Span::hours(1).0));
        let mut celsius = 20.0;
        let all: Vec<(Moment, Sample)> = gravities(self.hours, &self.float)
            .filter_map(|(hour, gravity)| {
                celsius = hour.temperature.map_or(celsius, |t| t.median);
                let g = hour.gravity?;
                let sample = Sample {
                    days: g.at.since(from).as_days(),
                    gravity,
                    weight: f64::from(g.n),
                    celsius,
                };
                Some((g.at, sample))
            })
            .collect();
        let samples: Vec<Sample> = all.iter().map(|(_, s)| *s).collect();
        let mut falls = Vec::new();
        let mut at = from;
        while at <= to {
            falls.extend(self.fall(at, &all, &samples));
            at = at + apart;
        }
        falls
    }

    fn fall(&self, at: Moment, all: &[(Moment, Sample)], samples: &[Sample]) -> Option<Fall> {
        let before = self.moved.iter().filter(|m| **m <= at).max();
        let after = self.moved.iter().filter(|m| **m > at).min();
        let from = before.map_or(at - HALF, |m| (at - HALF).max(*m));
        let to = after.map_or(at + HALF, |m| (at + HALF).min(*m));
        let begin = all.partition_point(|(t, _)| *t < from);
        let end = all.partition_point(|(t, _)| *t < to);
        let (first, last) = (all.get(begin)?.0, all.get(end.checked_sub(1)?)?.0);
        if end < begin + FEWEST || at.since(first) < REACH || last.since(at) < REACH {
            return None;
        }
        let line = slope(samples.get(begin..end)?, self.step, self.float.drift_sd())?;
        Some(Fall {
            at,
            a_day: line.range(),
            gravity: line.level + line.fall * last.since(at).as_days(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hours::{HOUR_MS, HourGravity, HourTemperature};
    use crate::units::Gravity;

    const START: Moment = Moment(1_772_323_200_000);

    fn hours(n: i64, gravity: impl Fn(f64) -> f64) -> Vec<Hour> {
        let hour = |i: i64| {
            let at = START + Span::hours(i) + Span::minutes(30);
            let g = gravity(at.since(START).as_days());
            Hour {
                index: at.0 / HOUR_MS,
                gravity: Some(HourGravity {
                    n: 4,
                    median: g,
                    min: g - 0.0002,
                    max: g + 0.0002,
                    at,
                }),
                temperature: Some(HourTemperature {
                    median: 18.0,
                    min: 18.0,
                    max: 18.0,
                }),
            }
        };
        (0..n).map(hour).collect()
    }

    /// Noise without a pattern, the same each time, about evenly within ±1.
    fn stir(days: f64) -> f64 {
        ((days * 24.0).round() * 12.9898).sin() * 43_758.547 % 1.0
    }

    fn deed(days: f64, what: What, gravity: Option<f64>) -> Deed {
        Deed {
            gravity: gravity.map(Gravity::computed),
            ..Deed::new(START + Span::from_days(days), what)
        }
    }

    #[test]
    fn the_fall_of_a_logistic_is_its_derivative() {
        // SG = end + drop / (1 + e^(k (t - m))): its derivative is -drop k p (1 - p).
        let (drop, k, m) = (0.1, 0.6, 8.0);
        let part = |t: f64| 1.0 / (1.0 + (k * (t - m)).exp());
        let hours = hours(20 * 24, |t| 1.0 + drop * part(t) + 0.0005 * stir(t));
        let end = START + Span::days(20);
        let falls = Course::examine(&hours, &[], START, end).falls(START, end, 200);
        assert!(falls.len() > 180, "{}", falls.len());
        let truth = |f: &Fall| {
            let p = part(f.at.since(START).as_days());
            drop * k * p * (1.0 - p)
        };
        for fall in &falls {
            let off = (fall.a_day.mid - truth(fall)).abs();
            assert!(off < 0.0012, "{off} at {:?}", fall.at.since(START));
        }
        let within = falls
            .iter()
            .filter(|f| f.a_day.low <= truth(f) && truth(f) <= f.a_day.high);
        let share = within.count() as f64 / falls.len() as f64;
        assert!(share > 0.85, "{share}");
        let steepest = falls
            .iter()
            .max_by(|a, b| a.a_day.mid.total_cmp(&b.a_day.mid))
            .unwrap();
        assert!((steepest.gravity - (1.0 + drop / 2.0)).abs() < 0.01);
    }

    #[test]
    fn an_addition_is_no_rise_of_the_fall() {
        let hours = hours(8 * 24, |t| {
            1.05 - 0.004 * t + if t > 4.0 { 0.03 } else { 0.0 }
        });
        let deeds = [
            deed(0.0, What::Pitch, None),
            deed(4.0, What::Addition, None),
        ];
        let end = START + Span::days(8);
        let falls = Course::examine(&hours, &deeds, START, end).falls(START, end, 100);
        assert!(falls.len() > 70);
        for fall in falls {
            let off = (fall.a_day.mid - 0.004).abs();
            assert!(off < 1e-4, "{off} at {:?}", fall.at.since(START));
        }
    }

    #[test]
    fn over_a_silence_no_fall_is_told() {
        let mut hours = hours(10 * 24, |t| 1.05 - 0.002 * t);
        hours.retain(|h| {
            let days = Moment(h.index * HOUR_MS).since(START).as_days();
            !(3.0..6.0).contains(&days)
        });
        let end = START + Span::days(10);
        let course = Course::examine(&hours, &[], START, end);
        let falls = course.falls(START, end, 500);
        let silent = falls
            .iter()
            .filter(|f| (2.8..6.2).contains(&f.at.since(START).as_days()));
        assert_eq!(silent.count(), 0);
        // More places than hours are not told apart.
        assert!(falls.len() <= 240);
        assert!(
            Course::examine(&[], &[], START, end)
                .falls(START, end, 9)
                .is_empty()
        );
    }

    #[test]
    fn readings_are_put_right_by_hand_and_without_jumps() {
        let truth = |t: f64| 1.05 - 0.002 * t;
        let jumped = hours(10 * 24, |t| truth(t) + if t >= 5.0 { 0.01 } else { 0.0 });
        let end = START + Span::days(10);
        let course = Course::examine(&jumped, &[], START, end);
        assert!(course.corrects());
        for (days, by) in [(2.0, 0.0), (9.0, -0.01)] {
            let (found, sd) = course.correction(START + Span::from_days(days)).unwrap();
            assert!((found - by).abs() < 0.001 && sd < 0.002, "{found} ± {sd}");
        }

        let high = hours(10 * 24, |t| truth(t) + 0.004);
        let hand: Vec<Deed> = [2.0, 5.0, 9.0]
            .map(|d| deed(d, What::HandReading, Some(truth(d))))
            .to_vec();
        let course = Course::examine(&high, &hand, START, end);
        let (found, sd) = course.correction(START + Span::days(6)).unwrap();
        assert!((found + 0.004).abs() < 0.001 && sd > 0.0, "{found} ± {sd}");
        assert!(!Course::examine(&hours(48, truth), &[], START, end).corrects());
    }
}
