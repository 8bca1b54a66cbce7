//! Sugar that ferments in the bottle, and the gas it gives.
//!
//! ```text
//! C6H12O6 → 2 C2H5OH + 2 CO2        yield = 2·M(CO2)/M(hexose) = 0.4886 g/g
//! sucrose takes up water first, so  4·M(CO2)/M(sucrose) = 0.5143 g/g
//! sugar = (content wanted + what goes into the headspace - what is there) / yield
//! ```
//!
//! The full yield is used: yeast that keeps a little for itself leaves the bottle flatter, never
//! harder. Balling's figures give 5 % less gas.

use super::solubility::{gas_density, pressure};
use super::{Beyond, Solvent};
use crate::density::mixture::ETHANOL;
use crate::molar;
use crate::units::{AbvPercent, Celsius, GramsPerLitre, MassPercent, Percent};

/// What the bottles are primed with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Primer {
    /// Table sugar.
    Sucrose,
    /// Grape sugar as it is sold, with its crystal water.
    GlucoseMonohydrate,
    Honey {
        sugar: MassPercent,
    },
}

impl Primer {
    /// Grams of carbon dioxide from a gram of it.
    pub fn yields(self) -> f64 {
        let hexose = 2.0 * molar::CARBON_DIOXIDE / molar::HEXOSE;
        match self {
            Primer::Sucrose => 4.0 * molar::CARBON_DIOXIDE / molar::SUCROSE,
            Primer::GlucoseMonohydrate => 2.0 * molar::CARBON_DIOXIDE / molar::GLUCOSE_MONOHYDRATE,
            Primer::Honey { sugar } => hexose * sugar.get() / 100.0,
        }
    }
}

/// Carbon dioxide from fermentable sugar counted as hexose, at the most.
pub fn from_hexose(sugar: GramsPerLitre) -> GramsPerLitre {
    GramsPerLitre::computed(sugar.get() * 2.0 * molar::CARBON_DIOXIDE / molar::HEXOSE)
}

/// What a bottle of a content needs in all, headspace and liquid together, for each litre of
/// liquid. Counted at 20 °C.
///
/// # Errors
/// Outside the range of the formulas.
pub fn needed(
    content: GramsPerLitre,
    headspace: Percent,
    liquid: Solvent,
) -> Result<GramsPerLitre, Beyond> {
    let t = Celsius::computed(20.0);
    let share = headspace.get() / 100.0;
    let above = gas_density(pressure(content, t, liquid)?, t)? * share / (1.0 - share);
    Ok(GramsPerLitre::computed(content.get() + above))
}

/// Grams of primer for each litre of mead. Nothing where the mead holds enough already.
pub fn dose(needed: GramsPerLitre, there: GramsPerLitre, primer: Primer) -> GramsPerLitre {
    let missing = (needed.get() - there.get()).max(0.0);
    GramsPerLitre::computed(missing / primer.yields())
}

/// Strength that comes with fermenting so much carbon dioxide out of sugar: as many moles of
/// alcohol, by its own weight in a litre.
pub fn strength_gained(gas: GramsPerLitre) -> AbvPercent {
    AbvPercent::computed(gas.get() / molar::CARBON_DIOXIDE * molar::ETHANOL / ETHANOL * 100.0)
}
