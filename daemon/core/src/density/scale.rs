//! SG 60/60 °F: the same liquid on the scale of a hydrometer marked for 60 °F.
//!
//! ```text
//! SG60/60 = rho(60 °F) / rho_water(60 °F)
//! ```
//!
//! A must of 1.040 reads 0.0002 higher on it than at 20/20, one of 1.120 0.0005; a dry mead
//! hardly differs. How the liquid's density changes from 20 °C to 60 °F is that of its real extract and
//! its alcohol ([`super::hydrometer`]).

use super::hydrometer::thermal_change;
use super::water;
use crate::root::settle;
use crate::units::{Gravity, OutOfRange};

/// 60 °F in °C, exact.
pub const F60: f64 = 140.0 / 9.0;

/// From 20/20. `original` as in [`super::correct_hand_reading`].
///
/// # Errors
/// Outside what a must can have.
pub fn to_60_60(gravity: Gravity, original: Option<Gravity>) -> Result<Gravity, OutOfRange> {
    let rho = gravity.get() * water::density(20.0) + thermal_change(gravity.get(), original, F60);
    Gravity::new(rho / water::density(F60))
}

/// To 20/20.
///
/// # Errors
/// Outside what a must can have.
pub fn from_60_60(gravity: Gravity, original: Option<Gravity>) -> Result<Gravity, OutOfRange> {
    let rho = gravity.get() * water::density(F60);
    Gravity::new(settle(gravity.get(), |sg| {
        (rho - thermal_change(sg, original, F60)) / water::density(20.0)
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_and_back() {
        for sg in [0.99, 1.0, 1.05, 1.12] {
            for original in [None, Gravity::new(1.13).ok()] {
                let g = Gravity::new(sg).unwrap();
                let back = from_60_60(to_60_60(g, original).unwrap(), original).unwrap();
                assert!((back.get() - sg).abs() < 1e-12);
            }
        }
    }

    #[test]
    fn water_is_one_on_every_scale() {
        let g = to_60_60(Gravity::new(1.0).unwrap(), None).unwrap();
        assert!((g.get() - 1.0).abs() < 1e-9);
        assert!(to_60_60(Gravity::new(1.08).unwrap(), None).unwrap().get() > 1.080_3);
    }
}
