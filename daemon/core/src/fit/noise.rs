//! How noisy the readings are, and how much of that noise each shares with the one before.

/// Scale of the noise from the median absolute value, which half of the readings may lie to
/// without moving it far. 1.4826 makes it the sd when the core is normal.
pub fn mad_scale(residuals: &mut [f64]) -> f64 {
    residuals.iter_mut().for_each(|r| *r = r.abs());
    1.4826 * median(residuals)
}

/// The middle value; nought of nothing. Reorders the slice.
pub fn median(values: &mut [f64]) -> f64 {
    let n = values.len();
    if n == 0 {
        return 0.0;
    }
    let (below, middle, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    let middle = *middle;
    if n % 2 == 1 {
        middle
    } else {
        let lower = below
            .iter()
            .copied()
            .max_by(f64::total_cmp)
            .unwrap_or(middle);
        0.5 * (lower + middle)
    }
}

/// Lag-one autocorrelation of residuals in time order, spikes cut at three times `scale`, over
/// neighbours no further apart than twice the usual spacing (across a gap nothing is learnt).
/// Between 0 and 0.98: negative values would promise more readings than there are.
pub fn autocorrelation(days: &[f64], residuals: &[f64], scale: f64) -> f64 {
    let mut gaps: Vec<f64> = days.windows(2).map(|d| d[1] - d[0]).collect();
    let near = 2.0 * median(&mut gaps);
    let cut = |r: f64| r.clamp(-3.0 * scale, 3.0 * scale);
    let (mut product, mut pairs) = (0.0, 0_usize);
    for (d, r) in days.windows(2).zip(residuals.windows(2)) {
        if d[1] - d[0] <= near {
            product += cut(r[0]) * cut(r[1]);
            pairs += 1;
        }
    }
    let square: f64 = residuals.iter().map(|r| cut(*r).powi(2)).sum();
    if pairs == 0 || square <= 0.0 {
        return 0.0;
    }
    let lag_one = (product / pairs as f64) / (square / residuals.len() as f64);
    lag_one.clamp(0.0, 0.98)
}

/// The number of independent readings that tell as much as `n` with lag-one correlation `rho`
/// (the AR(1) result for a mean, which is what the two asymptotes are).
pub fn effective_number(n: usize, rho: f64) -> f64 {
    (n as f64 * (1.0 - rho) / (1.0 + rho)).max(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn median_of_odd_even_and_nothing() {
        assert_eq!(median(&mut [3.0, 1.0, 2.0]), 2.0);
        assert_eq!(median(&mut [4.0, 1.0, 3.0, 2.0]), 2.5);
        assert_eq!(median(&mut []), 0.0);
    }

    #[test]
    fn alternating_residuals_promise_nothing_and_runs_cost() {
        let days: Vec<f64> = (0..100).map(f64::from).collect();
        let zigzag: Vec<f64> = (0..100)
            .map(|i| if i % 2 == 0 { 1.0 } else { -1.0 })
            .collect();
        let runs: Vec<f64> = (0..100)
            .map(|i| if i / 10 % 2 == 0 { 1.0 } else { -1.0 })
            .collect();
        assert_eq!(autocorrelation(&days, &zigzag, 1.0), 0.0);
        // 99 pairs, 9 of them across a change of sign: (90 - 9) / 99.
        assert!((autocorrelation(&days, &runs, 1.0) - 81.0 / 99.0).abs() < 1e-12);
        assert!((effective_number(99, 0.5) - 33.0).abs() < 1e-12);
    }

    #[test]
    fn a_gap_is_not_a_neighbour() {
        let days = [0.0, 1.0, 2.0, 3.0, 50.0, 51.0, 52.0];
        let residuals = [1.0, 1.0, 1.0, 1.0, -1.0, -1.0, -1.0];
        assert_eq!(autocorrelation(&days, &residuals, 1.0), 0.98);
    }
}
