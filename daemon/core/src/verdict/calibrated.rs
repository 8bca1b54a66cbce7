//! Forecast ranges that hold what they claim.
//!
//! The spread of the fitted curves says how far the readings settle a curve, not how far a mead
//! follows any of the families, and that is the larger doubt by far. So the ranges are taken from
//! how wrong the middle forecasts were on invented fermentations: the quantiles of that error over
//! the development runs of the decision bench, of both of its generators together (split
//! conformal prediction: Vovk, Gammerman & Shafer 2005; from memory). The bench reports on other runs
//! how often they hold.

use super::outcome::Spread;

/// Share of the fall that was over: on the third day, in its middle, in its tail.
const SHARES: [f64; 3] = [0.25, 0.5, 0.9];
/// ln of the true time to go over the forecast one; 5, 25, 50, 75 and 95 of a hundred.
const TIME: [[f64; 5]; 3] = [
    [-0.84, -0.34, 0.44, 0.84, 1.48],
    [-0.98, -0.41, 0.20, 0.50, 1.11],
    [-2.00, -1.00, 0.25, 0.92, 2.30],
];
/// True end less the forecast one, SG.
const END: [[f64; 5]; 3] = [
    [-0.0075, -0.0014, 0.0004, 0.0027, 0.0052],
    [-0.0200, -0.0050, -0.0009, 0.0018, 0.0057],
    [-0.0120, -0.0052, -0.0012, 0.0030, 0.0095],
];
/// The same where a jar of it tells the end; on the third day hardly any has been read.
const TIME_BESIDE_A_JAR: [[f64; 5]; 3] = [
    [-0.84, -0.34, 0.44, 0.84, 1.48],
    [-0.50, 0.00, 0.30, 0.68, 1.60],
    [-1.15, -0.40, 0.13, 0.52, 2.90],
];
/// True end less where the jar ended, SG: the mead hardly ever goes further.
const BESIDE_A_JAR: [f64; 5] = [-0.0006, -0.0001, 0.0001, 0.0004, 0.0018];
/// A forecast of less to go is one of this much, days.
const SOON: f64 = 0.25;
/// Past the tail what is left bounds the error of the end; it never shrinks below this part.
const LEAST: f64 = 0.6;

/// Days to go, from the curves' middle and the share of the fall that is over.
pub(super) fn to_go(middle: f64, share: f64, beside_a_jar: bool) -> Spread<f64> {
    let middle = middle.max(SOON);
    let table = if beside_a_jar {
        &TIME_BESIDE_A_JAR
    } else {
        &TIME
    };
    spread(table, share).map(|ln| middle * ln.exp())
}

/// Final gravity, likewise.
pub(super) fn end(middle: f64, share: f64) -> Spread<f64> {
    let beyond = ((1.0 - share) / (1.0 - SHARES[2])).clamp(LEAST, 1.0);
    spread(&END, share).map(|error| middle + beyond * error)
}

/// Final gravity where a jar of it ended at this.
pub(super) fn beside_a_jar(jar: f64) -> Spread<f64> {
    of(BESIDE_A_JAR.map(|error| jar + error))
}

fn of([low, half_low, mid, half_high, high]: [f64; 5]) -> Spread<f64> {
    Spread {
        low,
        half_low,
        mid,
        half_high,
        high,
    }
}

fn spread(table: &[[f64; 5]; 3], share: f64) -> Spread<f64> {
    let (from, to, by) = if share <= SHARES[1] {
        (0, 1, (share - SHARES[0]) / (SHARES[1] - SHARES[0]))
    } else {
        (1, 2, (share - SHARES[1]) / (SHARES[2] - SHARES[1]))
    };
    let by = by.clamp(0.0, 1.0);
    of(std::array::from_fn(|i| {
        (1.0 - by) * table[from][i] + by * table[to][i]
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_are_in_order_and_pass_over_into_one_another() {
        let mut before: Option<Spread<f64>> = None;
        for i in 0..=100 {
            let share = f64::from(i) / 100.0;
            for s in [
                to_go(5.0, share, false),
                to_go(5.0, share, true),
                end(0.99, share),
            ] {
                let order = [s.low, s.half_low, s.mid, s.half_high, s.high];
                assert!(order.is_sorted(), "{share}: {order:?}");
            }
            let now = to_go(5.0, share, false);
            if let Some(before) = before {
                assert!((now.high / before.high - 1.0).abs() < 0.05);
            }
            before = Some(now);
        }
        assert!(end(0.99, 1.0).high < end(0.99, 0.9).high);
    }
}
