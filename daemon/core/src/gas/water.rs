//! Water as it is warmed: vapour pressure and density.

use super::KELVIN;

/// Vapour pressure of water in bar, `t` in °C (0 to 100).
///
/// Wagner & Pruss, as in IAPWS SR1-86 (1992).
pub fn vapour_pressure(t: f64) -> f64 {
    const CRITICAL_KELVIN: f64 = 647.096;
    const CRITICAL_BAR: f64 = 220.64;
    let kelvin = t + KELVIN;
    let tau = 1.0 - kelvin / CRITICAL_KELVIN;
    let sum = -7.859_517_83 * tau + 1.844_082_59 * tau.powf(1.5) - 11.786_649_7 * tau.powi(3)
        + 22.680_741_1 * tau.powf(3.5)
        - 15.961_871_9 * tau.powi(4)
        + 1.801_225_02 * tau.powf(7.5);
    CRITICAL_BAR * (CRITICAL_KELVIN / kelvin * sum).exp()
}

/// Density of water at 1 atm in kg/m³, `t` in °C (0 to 100). [`crate::density::water`] is the
/// sharper one, but ends at 40 °C.
///
/// Kell, *J. Chem. Eng. Data* 20 (1975) 97.
pub fn density(t: f64) -> f64 {
    const TOP: [f64; 6] = [
        999.839_52,
        16.945_176,
        -7.987_040_1e-3,
        -46.170_461e-6,
        105.563_02e-9,
        -280.542_53e-12,
    ];
    TOP.iter().rev().fold(0.0, |sum, c| sum * t + c) / (1.0 + 16.879_850e-3 * t)
}
