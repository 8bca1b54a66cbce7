//! Water.

/// Density of air-free water at 101 325 Pa in kg/m³, `t` in °C (0 to 40).
///
/// Tanaka, Girard, Davis, Peuto & Bignell, *Metrologia* 38 (2001) 301-309 (the CIPM formula).
pub fn density(t: f64) -> f64 {
    999.974_950 * (1.0 - (t - 3.983_035).powi(2) * (t + 301.797) / (522_528.9 * (t + 69.348_81)))
}
