//! What a glass hydrometer says in a sample that is not at the temperature it was marked for.
//!
//! A hydrometer of mass m floats where m = rho_liquid(t)·V(t), and its volume grows with the
//! glass. Marked for `reference` °C, reading R (on that reference's own scale):
//!
//! ```text
//! rho_liquid(t) = R · rho_water(reference) / (1 + γ·(t - reference))
//! ```
//!
//! What is wanted is the same liquid's SG at 20 °C, so its own expansion is needed. Must expands
//! like sugar solution. Mead holds alcohol, which expands more: its thermal change is taken as
//! that of its real extract plus that of its alcohol less that of water (Tabarié's addition),
//! with extract and alcohol from the original gravity by Balling's relation. Only *changes* with
//! temperature come from the mixture, so an error in it is second order.
//!
//! A floating electronic hydrometer is not a glass one; nothing here applies to it.

use super::{ethanol, fermented, plato_from_gravity, sucrose, water};
use crate::units::{Celsius, Gravity, OutOfRange};

/// ISO 1768:1975, conventional cubic expansion of hydrometer glass, 1/K.
const GLASS: f64 = 25e-6;

/// SG 20/20 from a reading, the sample's temperature and the one the hydrometer is marked for.
///
/// `original` is the gravity before fermentation; without it the sample is taken as must. In a
/// finished mead 10 K off that is wrong by up to 0.8 of a gravity point.
///
/// # Errors
/// The sample is outside 0 to 40 °C, where the formulas for water and alcohol end, or the corrected
/// value is outside what a must can have.
pub fn correct_hand_reading(
    read: Gravity,
    sample: Celsius,
    reference: Celsius,
    original: Option<Gravity>,
) -> Result<Gravity, OutOfRange> {
    let (t, tr) = (sample.get(), reference.get());
    if !(0.0..=40.0).contains(&t) {
        return Err(OutOfRange {
            quantity: "temperature of the sample",
            value: t,
            low: 0.0,
            high: 40.0,
            unit: "°C",
        });
    }
    let rho = read.get() * water::density(tr) / (1.0 + GLASS * (t - tr));
    // Fixed point: the thermal change depends weakly on the answer (contraction below 0.01).
    let mut sg = read.get();
    for _ in 0..20 {
        let next = (rho - thermal_change(sg, original, t)) / water::density(20.0);
        if (next - sg).abs() < 1e-12 {
            break;
        }
        sg = next;
    }
    Gravity::new(sg)
}

/// Density at `t` less density at 20 °C, kg/m³, of a liquid with SG `sg` at 20 °C.
pub(super) fn thermal_change(sg: f64, original: Option<Gravity>, t: f64) -> f64 {
    let apparent = plato_from_gravity(Gravity::computed(sg)).get();
    let (extract, alcohol) = match original {
        Some(original) if original.get() > sg => {
            let (extract, alcohol) = fermented(plato_from_gravity(original).get(), apparent);
            (extract, alcohol.max(0.0))
        }
        _ => (apparent, 0.0),
    };
    let sugar = sucrose::density(extract, t) - sucrose::density(extract, 20.0);
    let spirit = ethanol::density(alcohol, t) - ethanol::density(alcohol, 20.0);
    let water = ethanol::density(0.0, t) - ethanol::density(0.0, 20.0);
    sugar + spirit - water
}

#[cfg(test)]
mod tests {
    use super::*;

    fn corrected(read: f64, t: f64, reference: f64, original: Option<f64>) -> f64 {
        correct_hand_reading(
            Gravity::new(read).unwrap(),
            Celsius::new(t).unwrap(),
            Celsius::new(reference).unwrap(),
            original.map(|g| Gravity::new(g).unwrap()),
        )
        .unwrap()
        .get()
    }

    /// 27 CFR 30.25: a hydrometer marked at 60 °F, read in 115-proof spirit at 68 °F, has the
    /// factor 0.996. The same buoyancy and glass with OIML R 22 densities.
    #[test]
    fn cfr_spirit_factor() {
        let (f60, f68) = (28.0 / 1.8, 20.0);
        // 57.5 % vol in mass per cent, by the definition of % vol at 20 °C.
        let mut mass: f64 = 49.0;
        for _ in 0..50 {
            mass = 57.5 * 789.24 / ethanol::density(mass, 20.0);
        }
        let factor =
            ethanol::density(mass, f68) / ethanol::density(mass, f60) * (1.0 + GLASS * (f68 - f60));
        assert!((factor - 0.996).abs() < 5e-4, "{factor}");
    }

    #[test]
    fn nothing_to_correct_at_the_reference() {
        for sg in [0.996, 1.0, 1.05, 1.12] {
            assert!((corrected(sg, 20.0, 20.0, None) - sg).abs() < 1e-9);
            assert!((corrected(sg, 20.0, 20.0, Some(1.13)) - sg).abs() < 1e-9);
        }
    }

    /// In pure water a 20 °C hydrometer reads the water's density over that at 20 °C, glass
    /// included: the correction must give back 1.000 (CIPM water, ISO 1768 glass).
    #[test]
    fn water_stays_water() {
        for t in [5.0, 10.0, 15.0, 25.0, 30.0] {
            let read = water::density(t) / water::density(20.0) * (1.0 + GLASS * (t - 20.0));
            assert!((corrected(read, t, 20.0, None) - 1.0).abs() < 2e-6, "{t}");
        }
    }

    #[test]
    fn hot_samples_are_refused() {
        let hot = correct_hand_reading(
            Gravity::new(1.050).unwrap(),
            Celsius::new(65.0).unwrap(),
            Celsius::new(20.0).unwrap(),
            None,
        );
        assert_eq!(
            hot.unwrap_err().to_string(),
            "temperature of the sample 65 is outside 0 to 40 °C"
        );
    }

    #[test]
    fn warm_samples_read_low_and_mead_more_than_must() {
        let must = corrected(1.010, 30.0, 20.0, None);
        let mead = corrected(1.010, 30.0, 20.0, Some(1.100));
        assert!(must > 1.010 && mead > must && mead - must < 0.001);
        assert!(corrected(1.080, 10.0, 20.0, None) < 1.080);
    }
}
