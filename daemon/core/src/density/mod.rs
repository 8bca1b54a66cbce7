//! Gravity, extract and density: physics of must and mead, no fitted shortcuts.
//!
//! | what | formula | valid |
//! |---|---|---|
//! | [`water`] | CIPM (Tanaka et al. 2001) | 0 to 40 °C |
//! | [`sucrose`] | ICUMSA SPS-4 (Bubník et al. 1995) | 0 to 80 °C, 0 to 70 % by mass |
//! | [`ethanol`] | OIML R 22 (1975) general formula | -20 to 40 °C, all strengths |
//! | [`mixture`] | Tabarié's addition of the two | both, at 20 °C |
//! | [`hydrometer`] | buoyancy of a glass hydrometer, ISO 1768 glass | 0 to 40 °C |
//!
//! Densities are kg/m³ in vacuum; SG is 20 °C / 20 °C.

pub mod ethanol;
pub mod hydrometer;
pub mod mixture;
pub mod scale;
pub mod sucrose;
pub mod water;

pub use hydrometer::correct_hand_reading;

use crate::units::{Gravity, OutOfRange, Plato};

/// SG 20/20 to extract: the sucrose solution of the same density. Negative below SG 1
/// (apparent extract of a dry mead). One root of [`sucrose::density`], so that the round trip
/// closes; a second fitted polynomial would drift.
pub fn plato_from_gravity(g: Gravity) -> Plato {
    Plato::computed(sucrose::mass_percent(g.get() * water::density(20.0), 20.0))
}

/// SG 20/20 of a sucrose solution of `plato` per cent by mass.
pub(crate) fn gravity_of_extract(plato: f64) -> f64 {
    sucrose::density(plato, 20.0) / water::density(20.0)
}

/// Extract to SG 20/20.
///
/// # Errors
/// Outside the gravities a must can have.
pub fn gravity_from_plato(p: Plato) -> Result<Gravity, OutOfRange> {
    Gravity::new(gravity_of_extract(p.get()))
}

/// Density at 20 °C in kg/m³ to SG 20/20.
///
/// # Errors
/// Outside the gravities a must can have.
pub fn gravity_from_density(kg_per_m3: f64) -> Result<Gravity, OutOfRange> {
    Gravity::new(kg_per_m3 / water::density(20.0))
}

/// Real extract and alcohol, both mass %, from original and apparent extract in °Plato.
///
/// Balling: grams of extract that give one of alcohol.
pub const EXTRACT_PER_ETHANOL: f64 = 2.0665;

/// Balling: 2.0665 g of extract give 1 g of alcohol; RE = 0.1808·OE + 0.8192·AE (constants from
/// memory, checked against the excise table beside the floor of the verdict).
pub(crate) fn fermented(original: f64, apparent: f64) -> (f64, f64) {
    let real = 0.1808 * original + 0.8192 * apparent;
    (
        real,
        (original - real) / (EXTRACT_PER_ETHANOL - 0.010665 * original),
    )
}

/// Strength, % vol, of a mead fermented from one gravity to another: alcohol by mass
/// ([`fermented`]) times the mead's density over that of [ethanol](mixture::ETHANOL).
pub(crate) fn strength_percent_vol(original: Gravity, now: Gravity) -> f64 {
    let (_, alcohol) = fermented(
        plato_from_gravity(original).get(),
        plato_from_gravity(now).get(),
    );
    alcohol * now.get() * water::density(20.0) / mixture::ETHANOL
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn round_trip_closes() {
        for i in 0..=270 {
            let g = Gravity::new(0.98 + f64::from(i) * 0.001).unwrap();
            let back = gravity_from_plato(plato_from_gravity(g)).unwrap();
            assert!((back.get() - g.get()).abs() < 1e-10);
        }
    }
}
