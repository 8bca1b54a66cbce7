//! Sucrose in water; honey must follows it to 0.0006 SG, below what a hydrometer can tell.

use super::water;

/// ICUMSA SPS-4 (1998; Bubník et al. 1995), coefficients of w^i and w^i·T^j, T = (t-20)/100.
const B: [f64; 6] = [385.1761, 135.3705, 40.9299, -3.9643, 13.4853, -17.2890];
const C1: [f64; 5] = [-46.2720, -7.1720, 1.1597, 5.1126, 17.5254];
const C2: [f64; 4] = [59.7712, 7.2491, 12.3630, -35.4791];
const C3: [f64; 3] = [-47.2207, -21.6977, 27.6301];
const C4: [f64; 2] = [18.3184, 12.3081];

/// Σ cᵢ·w^i for i from 1.
fn polynomial(c: &[f64], w: f64) -> f64 {
    c.iter().rev().fold(0.0, |sum, c| (sum + c) * w)
}

/// Density in kg/m³ of a solution of `mass_percent` sucrose at `t` °C.
///
/// Below zero the formula is continued: an apparent extract may be negative.
pub fn density(mass_percent: f64, t: f64) -> f64 {
    let w = mass_percent / 100.0;
    let tau = (t - 20.0) / 100.0;
    let thermal = [
        polynomial(&C1, w),
        polynomial(&C2, w),
        polynomial(&C3, w),
        polynomial(&C4, w),
    ];
    water::density(t) + polynomial(&B, w) + thermal.iter().rev().fold(0.0, |sum, c| (sum + c) * tau)
}

/// Mass per cent sucrose of the solution with this density (kg/m³) at `t` °C.
///
/// Newton's method; density rises nearly linearly with the fraction, so a handful of steps
/// reach the last bit anywhere between -20 and 80 %.
pub fn mass_percent(rho: f64, t: f64) -> f64 {
    let mut p = (rho - water::density(t)) / 4.0;
    for _ in 0..30 {
        let slope = (density(p + 1e-3, t) - density(p - 1e-3, t)) / 2e-3;
        let step = (density(p, t) - rho) / slope;
        p -= step;
        if step.abs() < 1e-11 {
            break;
        }
    }
    p
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn inverse_at_any_cellar_temperature() {
        for t in [2.0, 12.0, 20.0, 31.0] {
            for p in [-4.0, 0.0, 0.1, 12.0, 28.0, 45.0] {
                assert!((mass_percent(density(p, t), t) - p).abs() < 1e-9);
            }
        }
    }
}
