//! How much water is in honey, by its refractive index.
//!
//! ```text
//! W % = (-0.2681 - log10(nD20 - 1)) / 0.002243
//! above 20 °C add 0.00023 to n for each degree, below take as much away
//! ```
//!
//! Chataway's data of 1932, formula of Wedmore 1955 (AOAC 969.38); table in Bogdanov, *Book of
//! Honey*, chapter 4, whose formula is printed with 1.73190 in the place of -1 + 0.7319, as
//! logarithms were once written. The table runs from 13 to 25 % water; outside nothing is said.
//! A refractometer is good to 0.2 % water, crystals in the honey make it worse. A scale for sugar
//! solutions (°Bx) is not this scale.

use crate::units::{Celsius, MassPercent, RefractiveIndex};

/// Where the table begins and ends, % water.
pub const DRIEST: f64 = 13.0;
pub const WETTEST: f64 = 25.0;
/// Refractive index for a degree above 20 °C.
const PER_DEGREE: f64 = 0.000_23;
/// Where the temperature rule is used: ours, about the refractometer's own range.
const COLDEST: f64 = 10.0;
const WARMEST: f64 = 40.0;
/// What rounding of the index to four places may push a honey at the table's end beyond it.
const ROUNDING: f64 = 0.05;

#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum HoneyError {
    #[error(
        "a refractive index of {n:.4} at 20 °C means {water:.1} % water; the table for honey runs from {DRIEST:.0} to {WETTEST:.0} % (1.5044 to 1.4740)"
    )]
    NotHoney { n: f64, water: f64 },
    #[error(
        "{0:.1} °C is too far from 20 °C for the correction; measure between {COLDEST:.0} and {WARMEST:.0} °C"
    )]
    Temperature(f64),
}

/// # Errors
/// Outside the table, or too far from 20 °C.
pub fn water(n: RefractiveIndex, sample: Celsius) -> Result<MassPercent, HoneyError> {
    let t = sample.get();
    if !(COLDEST..=WARMEST).contains(&t) {
        return Err(HoneyError::Temperature(t));
    }
    let n = n.get() + PER_DEGREE * (t - 20.0);
    let water = (-0.2681 - (n - 1.0).log10()) / 0.002_243;
    if (DRIEST - ROUNDING..=WETTEST + ROUNDING).contains(&water) {
        Ok(MassPercent::computed(water))
    } else {
        Err(HoneyError::NotHoney { n, water })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(n: f64, t: f64) -> Result<MassPercent, HoneyError> {
        water(RefractiveIndex::new(n).unwrap(), Celsius::new(t).unwrap())
    }

    #[test]
    fn warm_honey_bends_light_less() {
        // The same honey, read 10 °C warmer, shows an index lower by 0.0023.
        let cold = of(1.4935, 20.0).unwrap().get();
        let warm = of(1.4912, 30.0).unwrap().get();
        assert!((cold - warm).abs() < 1e-9);
    }

    #[test]
    fn what_is_not_honey_is_refused() {
        assert!(
            of(1.36, 20.0)
                .unwrap_err()
                .to_string()
                .contains("the table for honey")
        );
        assert!(of(1.52, 20.0).is_err());
        assert!(
            of(1.4935, 50.0)
                .unwrap_err()
                .to_string()
                .contains("50.0 °C")
        );
    }
}
