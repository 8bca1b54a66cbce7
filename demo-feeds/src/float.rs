//! What a float makes of the truth: it is bent, it drifts, bubbles lift it, its radio fails.
//!
//! Nothing published says how noisy a float in a cellar is; the sizes used are assumptions:
//! white noise 0.0003 to 0.001 SG, slow noise with a correlation of 0.7 to 0.95 from one
//! quarter-hour to the next, drift 0.0001 to 0.0005 SG a day.

use crate::plant::Truth;
use crate::rng::Lane;

/// How bad a float is. Gravity in SG; chances are per reading.
#[derive(Clone, Copy, Debug)]
pub struct Faults {
    pub offset: f64,
    pub drift_per_day: f64,
    /// Standard deviation of the noise that is new with each reading.
    pub noise: f64,
    /// Standard deviation of the noise that lingers, and its correlation from reading to reading.
    pub slow_noise: f64,
    pub slow_correlation: f64,
    /// Bubbles lift a float, so it reads high: mean lift per g/(L·h) of sugar taken up.
    pub bubbles: f64,
    /// Shown per kelvin above 20 °C: the float's own expansion and the must's, uncorrected.
    pub per_kelvin: f64,
    /// Smallest step it can show.
    pub step: f64,
    pub spike_chance: f64,
    /// Size of a spike; its sign varies.
    pub spike: f64,
    pub stuck_chance: f64,
    /// Readings for which a stuck float repeats itself.
    pub stuck_for: u32,
    pub lost_chance: f64,
    pub twice_chance: f64,
    /// Held back and sent after the next one.
    pub late_chance: f64,
    /// Cut short or overwritten on the way.
    pub garbage_chance: f64,
}

impl Faults {
    /// Shows the truth to the last digit, always.
    pub const NONE: Faults = Faults {
        offset: 0.0,
        drift_per_day: 0.0,
        noise: 0.0,
        slow_noise: 0.0,
        slow_correlation: 0.0,
        bubbles: 0.0,
        per_kelvin: 0.0,
        step: 0.0,
        spike_chance: 0.0,
        spike: 0.0,
        stuck_chance: 0.0,
        stuck_for: 0,
        lost_chance: 0.0,
        twice_chance: 0.0,
        late_chance: 0.0,
        garbage_chance: 0.0,
    };

    /// A float one would keep.
    pub const ORDINARY: Faults = Faults {
        offset: 0.0006,
        drift_per_day: 0.00001,
        noise: 0.0004,
        slow_noise: 0.0004,
        slow_correlation: 0.85,
        bubbles: 0.0006,
        per_kelvin: -0.00006,
        step: 0.0001,
        spike_chance: 0.004,
        spike: 0.02,
        stuck_chance: 0.0005,
        stuck_for: 6,
        lost_chance: 0.01,
        twice_chance: 0.005,
        late_chance: 0.005,
        garbage_chance: 0.002,
    };
}

/// What the float believes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sensed {
    pub gravity: f64,
    pub temperature: f64,
    pub battery_percent: f64,
    pub signal_dbm: f64,
}

/// What became of one message on its way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fate {
    Arrives,
    Lost,
    Twice,
    Late,
    Garbage,
}

/// A float at work. Keeps only what lingers: the slow noise and a stuck value.
#[derive(Clone, Debug)]
pub struct Float {
    faults: Faults,
    lanes: Lanes,
    readings: u64,
    slow: f64,
    stuck: Option<(Sensed, u32)>,
}

#[derive(Clone, Copy, Debug)]
struct Lanes {
    noise: Lane,
    slow: Lane,
    bubbles: Lane,
    spike: Lane,
    spike_sign: Lane,
    stuck: Lane,
    temperature: Lane,
    signal: Lane,
    fate: Lane,
    garbage: Lane,
}

impl Float {
    pub fn new(faults: Faults, seed: u64) -> Float {
        let lane = |n| Lane::new(seed, n);
        Float {
            faults,
            lanes: Lanes {
                noise: lane(0),
                slow: lane(1),
                bubbles: lane(2),
                spike: lane(3),
                spike_sign: lane(4),
                stuck: lane(5),
                temperature: lane(6),
                signal: lane(7),
                fate: lane(8),
                garbage: lane(9),
            },
            readings: 0,
            // Started as if it had been running for ever.
            slow: faults.slow_noise * lane(1).normal(u64::MAX / 4),
            stuck: None,
        }
    }

    /// The next reading. `days` since the float was put in: drift and battery go with it.
    pub fn sense(&mut self, truth: &Truth, days: f64) -> Sensed {
        let n = self.readings;
        self.readings += 1;
        let (f, l) = (&self.faults, &self.lanes);

        let rho = f.slow_correlation;
        self.slow = rho * self.slow + (1.0 - rho * rho).sqrt() * f.slow_noise * l.slow.normal(n);

        if let Some((sensed, left)) = self.stuck {
            self.stuck = left.checked_sub(1).map(|left| (sensed, left));
            if left > 0 {
                return sensed;
            }
        }

        // A half-normal has its mean at sqrt(2/π) of its scale.
        let lift = f.bubbles * truth.sugar_rate * l.bubbles.normal(n).abs()
            / (2.0 / std::f64::consts::PI).sqrt();
        let spike = if l.spike.uniform(n) < f.spike_chance {
            f.spike.copysign(l.spike_sign.uniform(n) - 0.5)
        } else {
            0.0
        };
        let gravity = truth.gravity
            + f.offset
            + f.drift_per_day * days
            + f.noise * l.noise.normal(n)
            + self.slow
            + lift
            + f.per_kelvin * (truth.temperature - 20.0)
            + spike;
        let sensed = Sensed {
            gravity: to_step(gravity, f.step),
            temperature: to_step(truth.temperature + 0.04 * l.temperature.normal(n), 0.0625),
            battery_percent: (96.0 - 0.45 * days).max(3.0).round(),
            signal_dbm: (-68.0 + 3.0 * l.signal.normal(n)).round(),
        };
        if l.stuck.uniform(n) < f.stuck_chance {
            self.stuck = Some((sensed, f.stuck_for));
        }
        sensed
    }

    /// What becomes of the message with the latest reading.
    pub fn fate(&self) -> Fate {
        let f = &self.faults;
        let mut draw = self.lanes.fate.uniform(self.readings);
        for (chance, fate) in [
            (f.lost_chance, Fate::Lost),
            (f.twice_chance, Fate::Twice),
            (f.late_chance, Fate::Late),
            (f.garbage_chance, Fate::Garbage),
        ] {
            if draw < chance {
                return fate;
            }
            draw -= chance;
        }
        Fate::Arrives
    }

    /// What is left of a message after a bad transmission: cut short, or with a byte overwritten.
    pub fn spoil(&self, mut payload: Vec<u8>) -> Vec<u8> {
        let n = self.readings * 2;
        let place = (self.lanes.garbage.uniform(n) * payload.len() as f64) as usize;
        if self.lanes.garbage.uniform(n + 1) < 0.5 {
            payload.truncate(place);
        } else if let Some(byte) = payload.get_mut(place) {
            *byte = 0xff;
        }
        payload
    }
}

fn to_step(value: f64, step: f64) -> f64 {
    if step > 0.0 {
        (value / step).round() * step
    } else {
        value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STILL: Truth = Truth {
        hours: 0.0,
        sugar: 50.0,
        gravity: 1.02,
        temperature: 20.0,
        abv: 8.0,
        active: 0.0,
        sugar_rate: 0.0,
    };

    fn gravities(faults: Faults, truth: Truth, n: usize) -> Vec<f64> {
        let mut float = Float::new(faults, 11);
        (0..n).map(|_| float.sense(&truth, 0.0).gravity).collect()
    }

    fn mean(v: &[f64]) -> f64 {
        v.iter().sum::<f64>() / v.len() as f64
    }

    fn sd(v: &[f64]) -> f64 {
        let m = mean(v);
        (v.iter().map(|x| (x - m).powi(2)).sum::<f64>() / v.len() as f64).sqrt()
    }

    fn lag_one(v: &[f64]) -> f64 {
        let m = mean(v);
        let top: f64 = v.windows(2).map(|w| (w[0] - m) * (w[1] - m)).sum();
        top / v.iter().map(|x| (x - m).powi(2)).sum::<f64>()
    }

    #[test]
    fn a_perfect_float_shows_the_truth() {
        assert!(
            gravities(Faults::NONE, STILL, 50)
                .iter()
                .all(|g| *g == 1.02)
        );
        let float = Float::new(Faults::NONE, 3);
        assert_eq!(float.fate(), Fate::Arrives);
    }

    #[test]
    fn offset_drift_and_warmth_add_up() {
        let faults = Faults {
            offset: 0.001,
            drift_per_day: 0.0002,
            per_kelvin: -0.0001,
            ..Faults::NONE
        };
        let mut float = Float::new(faults, 1);
        let truth = Truth {
            temperature: 25.0,
            ..STILL
        };
        let g = float.sense(&truth, 10.0).gravity;
        assert!((g - (1.02 + 0.001 + 0.002 - 0.0005)).abs() < 1e-12, "{g}");
    }

    #[test]
    fn white_noise_has_its_size_and_no_memory() {
        let faults = Faults {
            noise: 0.0005,
            ..Faults::NONE
        };
        let v = gravities(faults, STILL, 20_000);
        assert!((mean(&v) - 1.02).abs() < 4.0 * 0.0005 / 141.0);
        assert!((sd(&v) / 0.0005 - 1.0).abs() < 0.03);
        assert!(lag_one(&v).abs() < 0.03);
    }

    #[test]
    fn slow_noise_has_its_size_and_memory() {
        let faults = Faults {
            slow_noise: 0.0005,
            slow_correlation: 0.9,
            ..Faults::NONE
        };
        let v = gravities(faults, STILL, 40_000);
        assert!((sd(&v) / 0.0005 - 1.0).abs() < 0.08, "{}", sd(&v));
        assert!((lag_one(&v) - 0.9).abs() < 0.02, "{}", lag_one(&v));
    }

    #[test]
    fn bubbles_lift_in_step_with_the_rate() {
        let faults = Faults {
            bubbles: 0.001,
            ..Faults::NONE
        };
        let lift = |rate| {
            let truth = Truth {
                sugar_rate: rate,
                ..STILL
            };
            let v = gravities(faults, truth, 20_000);
            (mean(&v) - 1.02, sd(&v))
        };
        let (slow, slow_sd) = lift(1.0);
        let (fast, fast_sd) = lift(3.0);
        assert!((slow - 0.001).abs() < 0.00003, "{slow}");
        assert!((fast - 0.003).abs() < 0.0001, "{fast}");
        assert!((fast_sd / slow_sd - 3.0).abs() < 0.01);
        assert!(lift(0.0).1 < 1e-9);
    }

    #[test]
    fn spikes_come_as_often_as_said_and_both_ways() {
        let faults = Faults {
            spike_chance: 0.02,
            spike: 0.05,
            ..Faults::NONE
        };
        let v = gravities(faults, STILL, 20_000);
        let up = v.iter().filter(|g| **g > 1.06).count();
        let down = v.iter().filter(|g| **g < 0.98).count();
        // Binomial: 200 of each expected, four standard deviations are 57.
        assert!((143..=257).contains(&up), "{up}");
        assert!((143..=257).contains(&down), "{down}");
    }

    #[test]
    fn steps_are_whole() {
        let faults = Faults {
            noise: 0.001,
            step: 0.0005,
            ..Faults::NONE
        };
        for g in gravities(faults, STILL, 200) {
            let steps = g / 0.0005;
            assert!((steps - steps.round()).abs() < 1e-6, "{g}");
        }
    }

    #[test]
    fn a_stuck_float_repeats_itself() {
        let faults = Faults {
            noise: 0.001,
            stuck_chance: 0.01,
            stuck_for: 9,
            ..Faults::NONE
        };
        let v = gravities(faults, STILL, 5_000);
        let mut run = 1;
        let mut runs = Vec::new();
        for w in v.windows(2) {
            if w[0] == w[1] {
                run += 1;
            } else {
                runs.extend((run > 1).then_some(run));
                run = 1;
            }
        }
        assert!(runs.len() > 20, "{}", runs.len());
        assert!(runs.iter().all(|r| *r == 10), "{runs:?}");
    }

    #[test]
    fn fates_come_as_often_as_said() {
        let faults = Faults {
            lost_chance: 0.1,
            twice_chance: 0.05,
            late_chance: 0.05,
            garbage_chance: 0.2,
            ..Faults::NONE
        };
        let mut float = Float::new(faults, 5);
        let mut counts = std::collections::HashMap::new();
        for _ in 0..10_000 {
            float.sense(&STILL, 0.0);
            let fate = float.fate();
            *counts.entry(format!("{fate:?}")).or_insert(0) += 1;
            if fate == Fate::Garbage {
                let payload = b"{\"a\":1}".to_vec();
                assert_ne!(float.spoil(payload.clone()), payload);
            }
        }
        for (fate, expected) in [
            ("Lost", 1000),
            ("Twice", 500),
            ("Late", 500),
            ("Garbage", 2000),
            ("Arrives", 6000),
        ] {
            let got: i32 = counts[fate];
            assert!((got - expected).abs() < 200, "{fate}: {got}");
        }
    }

    #[test]
    fn one_fault_moves_no_other_number() {
        let quiet = Faults {
            noise: 0.0005,
            ..Faults::NONE
        };
        let spiky = Faults {
            spike_chance: 0.05,
            spike: 0.1,
            ..quiet
        };
        let (a, b) = (gravities(quiet, STILL, 1000), gravities(spiky, STILL, 1000));
        let changed = a.iter().zip(&b).filter(|(a, b)| a != b).count();
        assert!(changed > 20 && changed < 90, "{changed}");
    }
}
