//! A simulated float: what it sends when the truth is known.

use ebbmark_core::hours::{HOUR_MS, Hour, hour_index, roll};
use ebbmark_core::time::{Moment, Span};

/// SplitMix64 and the polar-angle normal, so that no library changes the cases.
pub struct Chance(u64);

impl Chance {
    pub fn new(seed: u64) -> Chance {
        Chance(seed.wrapping_mul(0x2545_f491_4f6c_dd1d))
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub fn even(&mut self) -> f64 {
        ((self.next() >> 11) as f64 + 0.5) / 9_007_199_254_740_992.0
    }

    pub fn normal(&mut self) -> f64 {
        let r = (-2.0 * self.even().ln()).sqrt();
        r * (std::f64::consts::TAU * self.even()).cos()
    }
}

pub const START: Moment = Moment(500_000 * HOUR_MS);

pub fn at(days: f64) -> Moment {
    START + Span::from_days(days)
}

/// Everything a float adds to the truth.
#[derive(Clone)]
pub struct Float {
    pub seed: u64,
    pub minutes: i64,
    pub white: f64,
    /// Slow noise: sd, and the days it remembers.
    pub slow: (f64, f64),
    /// Extra white noise in proportion to the fall, SG per SG a day.
    pub bubbles: f64,
    pub rounding: f64,
    pub spikes: f64,
    /// What else is added to the truth, by days.
    pub fault: fn(f64) -> f64,
    /// Days without readings.
    pub silent: Vec<(f64, f64)>,
}

impl Default for Float {
    fn default() -> Float {
        Float {
            seed: 1,
            minutes: 15,
            white: 0.0006,
            slow: (0.0004, 0.25),
            bubbles: 0.0,
            rounding: 0.0001,
            spikes: 0.0,
            fault: |_| 0.0,
            silent: Vec::new(),
        }
    }
}

impl Float {
    pub fn hours(
        &self,
        days: f64,
        truth: impl Fn(f64) -> f64,
        add: impl Fn(f64) -> f64,
    ) -> Vec<Hour> {
        let mut chance = Chance::new(self.seed);
        let step = self.minutes as f64 / 1440.0;
        let kept = (-step / self.slow.1).exp();
        let mut slow = self.slow.0 * chance.normal();
        let mut readings = Vec::new();
        for i in 0..(days / step) as i64 {
            let t = i as f64 * step;
            slow = kept * slow + (1.0 - kept * kept).sqrt() * self.slow.0 * chance.normal();
            let fall = (truth(t) - truth(t + 0.01)) / 0.01;
            let white = self.white + self.bubbles * fall.abs();
            let mut g = truth(t) + add(t) + (self.fault)(t) + slow + white * chance.normal();
            if chance.even() < self.spikes {
                g += 0.03 * chance.normal();
            }
            if self.silent.iter().any(|(a, b)| t >= *a && t < *b) {
                continue;
            }
            let g = (g / self.rounding).round() * self.rounding;
            readings.push((START + Span::minutes(self.minutes * i), Some(g), Some(18.0)));
        }
        readings
            .chunk_by(|a, b| hour_index(a.0) == hour_index(b.0))
            .filter_map(|chunk| roll(hour_index(chunk.first()?.0), chunk))
            .collect()
    }
}

/// A ferment from 1.095 to 1.010 with its middle on `middle` and at most `fastest` SG a day.
pub fn ferment(middle: f64, fastest: f64) -> impl Fn(f64) -> f64 {
    let k = 4.0 * fastest / 0.085;
    move |t| 1.010 + 0.085 / (1.0 + (k * (t - middle)).exp())
}
