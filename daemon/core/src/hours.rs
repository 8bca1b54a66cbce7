//! Readings rolled into hours: what a verdict looks at and what a long chart is drawn from.
//!
//! A float's single reading is worth little (bubbles, spikes, rounding), a year of minute
//! readings is half a million of them. An hour keeps the robust middle for the verdict and the
//! extremes for the eye, so no spike is lost in a drawing and none moves a verdict.

use serde::{Deserialize, Serialize};

use crate::time::Moment;

pub const HOUR_MS: i64 = 3_600_000;

/// One hour of one feed. SG and °C. `g_*` are `None` when no reading of the hour carried gravity.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Hour {
    /// Hours since the epoch: `at_ms.div_euclid(HOUR_MS)`.
    pub index: i64,
    pub gravity: Option<HourGravity>,
    pub temperature: Option<HourTemperature>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct HourGravity {
    pub n: u32,
    pub median: f64,
    pub min: f64,
    pub max: f64,
    /// Mean time of the readings, ms since the epoch (an hour may be half filled).
    pub at: Moment,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct HourTemperature {
    pub median: f64,
    pub min: f64,
    pub max: f64,
}

pub fn hour_index(at: Moment) -> i64 {
    at.0.div_euclid(HOUR_MS)
}

/// Rolls the readings of one hour, in any order. The same values of the same instant are one
/// reading that came twice, and count once. `None` when there is nothing in them.
pub fn roll(index: i64, readings: &[(Moment, Option<f64>, Option<f64>)]) -> Option<Hour> {
    let mut readings = readings.to_vec();
    let bits = |v: Option<f64>| v.map(f64::to_bits);
    let key = |&(at, g, t): &(Moment, Option<f64>, Option<f64>)| (at, bits(g), bits(t));
    readings.sort_unstable_by_key(key);
    readings.dedup_by_key(|r| key(r));
    let mut gravity: Vec<f64> = Vec::with_capacity(readings.len());
    let mut temperature: Vec<f64> = Vec::new();
    let mut at_sum: i128 = 0;
    for (at, g, t) in readings {
        if let Some(g) = g {
            gravity.push(g);
            at_sum += i128::from(at.0);
        }
        temperature.extend(t);
    }
    if gravity.is_empty() && temperature.is_empty() {
        return None;
    }
    let gravity = (!gravity.is_empty()).then(|| {
        let at = Moment((at_sum / gravity.len() as i128) as i64);
        let n = gravity.len() as u32;
        let (min, median, max) = spread(&mut gravity);
        HourGravity {
            n,
            median,
            min,
            max,
            at,
        }
    });
    let temperature = (!temperature.is_empty()).then(|| {
        let (min, median, max) = spread(&mut temperature);
        HourTemperature { median, min, max }
    });
    Some(Hour {
        index,
        gravity,
        temperature,
    })
}

/// Minimum, median, maximum of a non-empty slice, which is sorted on the way.
fn spread(values: &mut [f64]) -> (f64, f64, f64) {
    values.sort_unstable_by(f64::total_cmp);
    let n = values.len();
    let median = if n % 2 == 1 {
        values[n / 2]
    } else {
        0.5 * (values[n / 2 - 1] + values[n / 2])
    };
    (values[0], median, values[n - 1])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spike_moves_the_extremes_only() {
        let readings: Vec<_> = [1.050, 1.051, 1.150, 1.049, 1.050]
            .iter()
            .enumerate()
            .map(|(i, g)| (Moment(i as i64 * 60_000), Some(*g), None))
            .collect();
        let hour = roll(0, &readings).unwrap().gravity.unwrap();
        assert_eq!(
            (hour.min, hour.median, hour.max, hour.n),
            (1.049, 1.050, 1.150, 5)
        );
        assert_eq!(hour.at, Moment(120_000));
        assert_eq!(roll(0, &[]), None);
    }

    #[test]
    fn what_came_twice_counts_once_and_two_readings_of_an_instant_both() {
        let [a, b] = [1.050, 1.052].map(|g| (Moment(60_000), Some(g), None));
        let later = (Moment(120_000), Some(1.050), None);
        let hour = roll(0, &[a, b, later, a, later]).unwrap().gravity.unwrap();
        assert_eq!((hour.n, hour.median), (3, 1.050));
        assert_eq!(roll(0, &[a, b, later, a, later]), roll(0, &[later, b, a]));
    }
}
