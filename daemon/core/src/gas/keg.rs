//! Carbonating under gas: what pressure on the gauge gives what content, and what is there already.
//!
//! ```text
//! gauge = P(CO2) + vapour of water - atmosphere
//! ```
//!
//! P(CO2) by [`super::solubility`]. It is the balance, reached after days at rest.

use super::solubility::{dissolved, pressure};
use super::{Beyond, Solvent, water};
use crate::units::{BarAbsolute, BarGauge, Celsius, GramsPerLitre};

/// Pressure on the gauge that holds this content. Negative where the mead holds it against the
/// air alone.
///
/// # Errors
/// Outside the range of the formulas.
pub fn gauge(
    content: GramsPerLitre,
    t: Celsius,
    liquid: Solvent,
    atmosphere: BarAbsolute,
) -> Result<BarGauge, Beyond> {
    let gas = pressure(content, t, liquid)?.get();
    Ok(BarGauge::computed(
        gas + water::vapour_pressure(t.get()) - atmosphere.get(),
    ))
}

/// Content in balance with this pressure on the gauge: the inverse of [`gauge`].
///
/// # Errors
/// Outside the range of the formulas.
pub fn content(
    gauge: BarGauge,
    t: Celsius,
    liquid: Solvent,
    atmosphere: BarAbsolute,
) -> Result<GramsPerLitre, Beyond> {
    let gas = gauge.get() + atmosphere.get() - water::vapour_pressure(t.get());
    dissolved(BarAbsolute::computed(gas.max(0.0)), t, liquid)
}

/// The most that fermentation left in a vessel open to the air (an airlock counts as open), by the
/// warmest it has been since: warming drove the rest out, cooling brought none back. Racking,
/// stirring and time take it lower, down to nothing.
///
/// # Errors
/// Outside the range of the formulas.
pub fn left_at_most(
    warmest: Celsius,
    liquid: Solvent,
    atmosphere: BarAbsolute,
) -> Result<GramsPerLitre, Beyond> {
    content(BarGauge::computed(0.0), warmest, liquid, atmosphere)
}
