//! The float: what [`ebbmark_demo_feeds::float`] does to the truth, and on top of it what happens
//! over days: fouling, gaps, a float caught on the wall, a float taken out to be cleaned.
//!
//! Sizes are assumptions; nothing published says how floats in cellars err.

use ebbmark_core::hours::{Hour, hour_index, roll};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::Gravity;
use ebbmark_demo_feeds::float::{Fate, Faults, Float};

use crate::draw::Draw;
use crate::truth::Course;

#[derive(Clone, Debug)]
pub struct Sensor {
    pub period_minutes: f64,
    pub faults: Faults,
    /// (hour, SG): yeast or krausen sticks to it, or falls off.
    pub fouling: Vec<(f64, f64)>,
    /// (from, to) hours without a word.
    pub gaps: Vec<(f64, f64)>,
    /// (from, to) hours in which it repeats itself.
    pub caught: Option<(f64, f64)>,
    /// Hour at which it lay in the sink, and what it was out by after that.
    pub cleaned: Option<(f64, f64)>,
    phase: f64,
    seed: u64,
}

impl Sensor {
    pub fn draw(course: &Course, d: &mut Draw) -> Sensor {
        let period_minutes = d.one_of(1.0, &[5.0, 15.0, 30.0, 60.0, 120.0]);
        let drift = if d.chance(0.5) {
            d.between(-2e-5, 2e-5)
        } else {
            let size = d.between(2e-5, 2e-4);
            if d.chance(0.5) { size } else { -size }
        };
        let lingers = d.between(1.0, 6.0);
        let stuck_hours = d.between(1.0, 10.0);
        let faults = Faults {
            offset: d.normal(0.0015),
            drift_per_day: drift,
            noise: d.between(0.0003, 0.001),
            slow_noise: d.between(0.0002, 0.0006),
            slow_correlation: (-period_minutes / 60.0 / lingers).exp(),
            bubbles: d.between(0.0002, 0.001),
            per_kelvin: d.between(-1.5e-4, 1.5e-4),
            step: d.one_of(0.0001, &[0.0001, 0.0002, 0.0005, 0.001]),
            spike_chance: d.between(0.0, 0.008),
            spike: d.between(0.004, 0.03),
            // About once a fortnight.
            stuck_chance: period_minutes / (14.0 * 24.0 * 60.0),
            stuck_for: (stuck_hours * 60.0 / period_minutes).ceil() as u32,
            lost_chance: d.between(0.0, 0.05),
            twice_chance: 0.0,
            late_chance: 0.0,
            garbage_chance: 0.0,
        };
        let end = course.hours() as f64;
        let vigorous = course
            .points
            .iter()
            .filter(|p| p.truth.sugar_rate > 0.2)
            .count() as f64;
        let mut fouling = Vec::new();
        if d.chance(0.125) {
            let at = if d.chance(0.65) {
                d.between(12.0, vigorous.max(24.0))
            } else {
                d.between(12.0, end)
            };
            let size = d.scale(0.002, 0.02);
            fouling.push((at, if d.chance(0.8) { size } else { -size }));
        }
        let mut gaps = Vec::new();
        if d.chance(0.35) {
            let from = d.between(24.0, end);
            gaps.push((from, from + d.scale(3.0, 72.0)));
        }
        let caught = d.chance(0.05).then(|| {
            let from = d.between(24.0, end);
            (from, from + d.between(12.0, 72.0))
        });
        let cleaned = d
            .chance(0.25)
            .then(|| (d.between(72.0, end), d.normal(0.0004)));
        Sensor {
            period_minutes,
            faults,
            fouling,
            gaps,
            caught,
            cleaned,
            phase: d.between(0.0, period_minutes / 60.0),
            seed: d.seed(),
        }
    }

    /// All it says over the course, rolled as the daemon does.
    pub fn hours(&self, course: &Course, start: Moment) -> Vec<Hour> {
        let mut float = Float::new(self.faults, self.seed);
        let mut cleaning = Draw::new(self.seed, 99);
        let mut out = Vec::with_capacity(course.hours());
        let mut hour: Vec<(Moment, Option<f64>, Option<f64>)> = Vec::new();
        let mut index = hour_index(start);
        let mut held = None;
        let every = self.period_minutes / 60.0;
        let count = ((course.hours() as f64 - self.phase) / every) as u64;
        for n in 0..=count {
            let hours = self.phase + n as f64 * every;
            let at = start + Span::from_days(hours / 24.0);
            if hour_index(at) != index {
                out.extend(roll(index, &hour));
                hour.clear();
                index = hour_index(at);
            }
            let truth = course.at(hours);
            let sensed = float.sense(&truth, hours / 24.0);
            let inside = |span: (f64, f64)| hours >= span.0 && hours < span.1;
            if float.fate() == Fate::Lost || self.gaps.iter().any(|g| inside(*g)) {
                continue;
            }
            let fouled: f64 = self
                .fouling
                .iter()
                .filter(|(at, _)| *at <= hours)
                .map(|(_, size)| size)
                .sum();
            let out_by = self
                .cleaned
                .filter(|(at, _)| hours > at + 1.0)
                .map_or(0.0, |(_, by)| by);
            let mut gravity = sensed.gravity + self.to_step(fouled + out_by);
            let mut temperature = sensed.temperature;
            if self.cleaned.is_some_and(|(at, _)| inside((at, at + 1.0))) {
                gravity = 1.0 + cleaning.between(-0.06, 0.12);
                temperature = 22.0;
            }
            if self.caught.is_some_and(inside) {
                gravity = *held.get_or_insert(gravity);
            } else {
                held = None;
            }
            let gravity = Gravity::new(gravity).ok().map(Gravity::get);
            hour.push((at, gravity, Some(temperature)));
        }
        out.extend(roll(index, &hour));
        out
    }

    fn to_step(&self, by: f64) -> f64 {
        (by / self.faults.step).round() * self.faults.step
    }
}
