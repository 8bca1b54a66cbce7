//! Gravity, extract and density.

use crate::units::{Celsius, Gravity, OutOfRange, Plato};

/// SG 20/20 to extract.
pub fn plato_from_gravity(g: Gravity) -> Plato {
    Plato::computed((g.get() - 1.0) * 250.0)
}

/// Extract to SG 20/20.
///
/// # Errors
/// Outside the range a must can have.
pub fn gravity_from_plato(p: Plato) -> Result<Gravity, OutOfRange> {
    Gravity::new(1.0 + p.get() / 250.0)
}

/// A glass hydrometer's reading corrected for the sample's temperature.
/// `reference` is the temperature the hydrometer is marked for. Result is SG 20/20.
///
/// # Errors
/// The corrected value is outside what a must can have.
pub fn correct_hand_reading(
    read: Gravity,
    _sample: Celsius,
    _reference: Celsius,
) -> Result<Gravity, OutOfRange> {
    Ok(read)
}
