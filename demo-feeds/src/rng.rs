//! Random numbers that are the same on every machine and for ever: the n-th number of a lane is a
//! hash of (seed, lane, n), so switching one fault on moves no other number.

/// SplitMix64 (Steele, Lea & Flood 2014, "Fast splittable pseudorandom number generators"):
/// the step of its counter and its output function.
const STEP: u64 = 0x9e37_79b9_7f4a_7c15;

fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// The `n`-th output (from 0) of SplitMix64 seeded with `seed`.
fn splitmix(seed: u64, n: u64) -> u64 {
    mix(seed.wrapping_add(STEP.wrapping_mul(n.wrapping_add(1))))
}

/// One stream of numbers, named by a seed and a lane.
#[derive(Clone, Copy, Debug)]
pub struct Lane(u64);

impl Lane {
    pub fn new(seed: u64, lane: u64) -> Lane {
        Lane(splitmix(mix(seed), lane))
    }

    /// Evenly spread over [0, 1).
    pub fn uniform(self, n: u64) -> f64 {
        // The top 53 bits: every double of that spacing is equally likely.
        (splitmix(self.0, n) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Mean 0, standard deviation 1 (Box and Muller).
    pub fn normal(self, n: u64) -> f64 {
        let radius = self.uniform(n.wrapping_mul(2));
        let angle = self.uniform(n.wrapping_mul(2).wrapping_add(1));
        (-2.0 * (1.0 - radius).ln()).sqrt() * (std::f64::consts::TAU * angle).cos()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Widely reprinted outputs for seed 1234567 (from memory).
    #[test]
    fn splitmix_known_outputs() {
        let got: Vec<u64> = (0..3).map(|n| splitmix(1_234_567, n)).collect();
        assert_eq!(
            got,
            [
                6_457_827_717_110_365_317,
                3_203_168_211_198_807_973,
                9_817_491_932_198_370_423
            ]
        );
    }

    fn moments(values: &[f64]) -> (f64, f64, f64, f64) {
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        let central = |p| values.iter().map(|v| (v - mean).powi(p)).sum::<f64>() / n;
        let sd = central(2).sqrt();
        (mean, sd, central(3) / sd.powi(3), central(4) / sd.powi(4))
    }

    #[test]
    fn uniform_moments() {
        let lane = Lane::new(7, 1);
        let values: Vec<f64> = (0..100_000).map(|n| lane.uniform(n)).collect();
        let (mean, sd, skew, kurtosis) = moments(&values);
        // Four standard errors of each.
        assert!((mean - 0.5).abs() < 4.0 * 0.289 / 316.0, "{mean}");
        assert!((sd - (1.0f64 / 12.0).sqrt()).abs() < 0.002, "{sd}");
        assert!(skew.abs() < 0.02, "{skew}");
        assert!((kurtosis - 1.8).abs() < 0.02, "{kurtosis}");
        assert!(values.iter().all(|v| (0.0..1.0).contains(v)));
    }

    #[test]
    fn normal_moments() {
        let lane = Lane::new(7, 2);
        let values: Vec<f64> = (0..100_000).map(|n| lane.normal(n)).collect();
        let (mean, sd, skew, kurtosis) = moments(&values);
        assert!(mean.abs() < 4.0 / 316.0, "{mean}");
        assert!((sd - 1.0).abs() < 4.0 * 0.707 / 316.0, "{sd}");
        assert!(skew.abs() < 4.0 * 0.00775, "{skew}");
        assert!((kurtosis - 3.0).abs() < 4.0 * 0.0155, "{kurtosis}");
    }

    #[test]
    fn lanes_and_seeds_do_not_follow_each_other() {
        let n = 20_000;
        let correlation = |a: Lane, b: Lane, shift: u64| {
            (0..n)
                .map(|i| a.normal(i) * b.normal(i + shift))
                .sum::<f64>()
                / n as f64
        };
        let a = Lane::new(1, 0);
        for (b, shift) in [
            (Lane::new(1, 1), 0),
            (Lane::new(2, 0), 0),
            (Lane::new(2, 0), 1),
            (a, 1),
        ] {
            assert!(correlation(a, b, shift).abs() < 4.0 / (n as f64).sqrt());
        }
    }
}
