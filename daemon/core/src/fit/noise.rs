//! How noisy the readings are, and how much of that noise each shares with its neighbours.

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

/// How residuals in time order hang together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correlation {
    /// Of neighbours, -1 to 1.
    pub lag_one: f64,
    /// The number of independent readings that would settle a mean as well.
    pub effective: f64,
}

/// Autocorrelation, spikes cut at three times `scale`, over pairs no further apart than twice what
/// their lag usually means (across a gap nothing is learnt).
///
/// The effective number is n/(1 + 2·Σρₖ), n(1 - ρ)/(1 + ρ) for a first-order process. It is summed
/// over the lags rather than computed from the first, because noise of a float is often white on top of
/// a slow drift: its first lag looks harmless. The sum runs in pairs of lags as long as a pair is
/// positive (the initial positive sequence of simulation output analysis). Negative sums are not
/// believed: no more readings than there are. Fitting `parameters` has already flattened the
/// residuals by about as many readings, which is made up for.
pub fn correlation(days: &[f64], residuals: &[f64], scale: f64, parameters: usize) -> Correlation {
    let n = residuals.len();
    let mut gaps: Vec<f64> = days.windows(2).map(|d| d[1] - d[0]).collect();
    let spacing = median(&mut gaps);
    let cut: Vec<f64> = residuals
        .iter()
        .map(|r| r.max(-3.0 * scale).min(3.0 * scale))
        .collect();
    let square = cut.iter().map(|r| r * r).sum::<f64>() / n as f64;
    let at_lag = |lag: usize| -> f64 {
        let near = 2.0 * spacing * lag as f64;
        let ahead = days.iter().zip(&cut).skip(lag);
        let (mut product, mut pairs) = (0.0, 0_usize);
        for ((d, r), (later, s)) in days.iter().zip(&cut).zip(ahead) {
            if later - d <= near {
                product += r * s;
                pairs += 1;
            }
        }
        if pairs == 0 {
            0.0
        } else {
            product / pairs as f64 / square
        }
    };
    if n < 3 || square <= 0.0 {
        return Correlation {
            lag_one: 0.0,
            effective: n as f64,
        };
    }
    let lag_one = at_lag(1);
    let mut sum = 0.0_f64;
    let mut lag = 1;
    let mut pair = 1.0 + lag_one;
    while lag < n / 4 && pair > 0.0 {
        sum += pair;
        pair = at_lag(lag + 1) + at_lag(lag + 2);
        lag += 2;
    }
    // 1 + 2·Σρₖ, the sum so far counting lag nought once.
    let stretch = (2.0 * sum - 1.0).max(1.0);
    let seen = n as f64 / stretch;
    let lost = parameters as f64 * (1.0 - 1.0 / stretch);
    Correlation {
        lag_one: lag_one.clamp(-1.0, 1.0),
        effective: (seen * seen / (seen + lost)).clamp(2.0_f64.min(n as f64), n as f64),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::draw::Draws;

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
        assert_eq!(correlation(&days, &zigzag, 1.0, 4).effective, 100.0);
        let runs = correlation(&days, &runs, 1.0, 0);
        // 99 pairs, 9 of them across a change of sign: (90 - 9) / 99.
        assert!((runs.lag_one - 81.0 / 99.0).abs() < 1e-12);
        assert!(runs.effective < 25.0);
    }

    #[test]
    fn a_first_order_process_has_its_textbook_number() {
        let mut source = Draws::new(5);
        let n = 40_000;
        let days: Vec<f64> = (0..n).map(f64::from).collect();
        let mut last = 0.0;
        let residuals: Vec<f64> = days
            .iter()
            .map(|_| {
                let [z] = source.normal_vector::<1>();
                last = 0.8 * last + 0.6 * z;
                last
            })
            .collect();
        let found = correlation(&days, &residuals, 1.0, 0);
        let textbook = f64::from(n) * 0.2 / 1.8;
        assert!((found.lag_one - 0.8).abs() < 0.02);
        assert!(
            (found.effective / textbook - 1.0).abs() < 0.15,
            "{}",
            found.effective
        );
    }

    #[test]
    fn a_gap_is_not_a_neighbour() {
        let days = [0.0, 1.0, 2.0, 3.0, 50.0, 51.0, 52.0];
        let residuals = [1.0, 1.0, 1.0, 1.0, -1.0, -1.0, -1.0];
        assert_eq!(correlation(&days, &residuals, 1.0, 0).lag_one, 1.0);
    }
}
