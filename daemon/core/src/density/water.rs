//! Water.

/// Density of air-free water at 101 325 Pa in kg/m³, `t` in °C (0 to 40).
///
/// Tanaka, Girard, Davis, Peuto & Bignell, *Metrologia* 38 (2001) 301-309 (the CIPM formula).
pub fn density(t: f64) -> f64 {
    999.974_950 * (1.0 - (t - 3.983_035).powi(2) * (t + 301.797) / (522_528.9 * (t + 69.348_81)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The table printed with the CIPM formula (Tanaka et al. 2001).
    #[test]
    fn cipm_table() {
        for (t, rho) in [
            (0.0, 999.8428),
            (4.0, 999.9749),
            (5.0, 999.9668),
            (10.0, 999.7027),
            (15.0, 999.1026),
            (20.0, 998.2067),
            (25.0, 997.0470),
            (30.0, 995.6488),
            (40.0, 992.2152),
        ] {
            assert!((density(t) - rho).abs() < 1e-4, "{t} °C: {}", density(t));
        }
    }
}
