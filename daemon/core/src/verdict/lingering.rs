//! Errors that hang together: what they do to an estimate that is a weighted sum of readings.

/// Newey & West's sum (1987) with a Bartlett kernel over time lags, so that gaps and uneven
/// spacing do no harm: the variance of an estimate from the scores of its readings (how much each
/// residual moved it), `days` being when they were taken, in order. Lags of `bandwidth` days and
/// more count for nothing; `fitted` parameters were taken from these residuals.
pub(super) fn newey_west(days: &[f64], scores: &[f64], bandwidth: f64, fitted: f64) -> f64 {
    let mut sum = 0.0;
    for i in 0..scores.len() {
        sum += scores[i] * scores[i];
        for j in i + 1..scores.len() {
            let lag = days[j] - days[i];
            if lag >= bandwidth {
                break;
            }
            sum += 2.0 * (1.0 - lag / bandwidth) * scores[i] * scores[j];
        }
    }
    let n = scores.len() as f64;
    sum * n / (n - fitted).max(1.0)
}

#[cfg(test)]
pub(super) mod tests {
    use super::newey_west;

    /// Small generator for noise (Steele & Vigna's splitmix constants), so that tests need no crate.
    pub fn noise(seed: &mut u64) -> f64 {
        let mut sum = 0.0;
        for _ in 0..12 {
            *seed = seed.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut z = *seed;
            z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            sum += ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64;
        }
        sum - 6.0
    }

    #[test]
    fn by_hand() {
        // 1 + 4 + 9, neighbours a day apart with half their weight, none further.
        let sum = newey_west(&[0.0, 1.0, 3.0], &[1.0, 2.0, 3.0], 2.0, 1.0);
        assert!(
            (sum - (14.0 + 2.0 * 0.5 * 2.0) * 3.0 / 2.0).abs() < 1e-12,
            "{sum}"
        );
    }
}
