//! Strength and all that goes with it, from the gravity before fermentation and the one now.
//!
//! The original must, as a [`Liquid`], is fermented until it reads the present gravity: Balling's
//! relation and Tabarié's addition together, one root, no multiplier. Everything else is read off
//! the masses.
//!
//! | what | definition |
//! |---|---|
//! | strength by volume | litres of ethanol in 100 L at 20 °C, ethanol of 789.24 kg/m³ (Directive 76/766/EEC) |
//! | real extract | mass % of what is left, alcohol or not |
//! | apparent extract | mass % of the sugar solution that would read the same; below zero when dry |
//! | apparent attenuation | (original - apparent)/original extract; may exceed 100 % |
//! | real attenuation | share of the original extract, by mass, that the yeast took |
//! | energy | 7 kcal a gram of alcohol and 4 a gram of carbohydrate: Regulation (EU) 1169/2011 annex XIV; all extract is counted as carbohydrate, which is the most it can be |
//!
//! Good to 0.5 % vol: two readings of ±0.001 SG (0.2 % vol together) and ±0.3 % vol of the model.
//! Against the excise table of HMRC Notice 226 section 30.3 it is within 0.1 % vol up to 13.6 %
//! vol; above, nothing was found to check against, and 0.7 % vol is stated.
//!
//! The verdict keeps its own quicker rule ([`crate::density`]): it asks hundreds of times an
//! assessment, and its floor and its spreads were set and measured with that rule, which runs 0.1
//! to 0.2 % vol higher.

use crate::density::plato_from_gravity;
use crate::liquid::{Liquid, LiquidError};
use crate::units::{
    AbvPercent, Energy, Gravity, GramsPerLitre, Litres, MassPercent, OutOfRange, Percent, Plato,
};

/// Energy of a gram, kcal: Regulation (EU) 1169/2011 annex XIV.
const KCAL_PER_GRAM_ALCOHOL: f64 = 7.0;
const KCAL_PER_GRAM_CARBOHYDRATE: f64 = 4.0;

/// Where the published table of strengths ends, % vol.
pub const TABLE_ENDS: f64 = 13.6;

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Strength {
    pub by_volume: AbvPercent,
    pub by_mass: MassPercent,
    pub original_extract: Plato,
    pub real_extract: Plato,
    pub apparent_extract: Plato,
    pub real_attenuation: Percent,
    /// More than 100 % in a dry mead.
    pub apparent_attenuation: Percent,
    /// Alcohol in a litre.
    pub alcohol: GramsPerLitre,
    /// What is left in a litre, as sugar.
    pub extract: GramsPerLitre,
    pub energy: Energy,
}

/// Of a batch that only fermented; with additions see [`crate::liquid::carry`] and
/// [`of_liquid`].
///
/// # Errors
/// A present gravity above the original, or below what the sugar allows.
pub fn from_gravities(original: Gravity, now: Gravity) -> Result<Strength, LiquidError> {
    let must = Liquid::must(Litres::computed(1.0), original)?;
    let mead = must.ferment_to(now)?.liquid;
    of_liquid(mead, plato_from_gravity(original))
}

/// Of what is in the vessel. `original` is the extract it would have if nothing had fermented:
/// [`unfermented`] when that is not known.
///
/// # Errors
/// Nothing there, or out of range.
pub fn of_liquid(mead: Liquid, original: Plato) -> Result<Strength, LiquidError> {
    let gravity = mead.gravity()?;
    let alcohol = mead.ethanol_per_litre()?;
    let extract = mead.extract_per_litre()?;
    let apparent = plato_from_gravity(gravity).get();
    let before = unfermented_extract(mead);
    let share = |taken: f64, of: f64| Percent::computed(if of > 0.0 { 100.0 * taken / of } else { 0.0 });
    let per_100_ml = |g: GramsPerLitre| g.get() / 10.0;
    Ok(Strength {
        by_volume: mead.strength()?,
        by_mass: mead.ethanol_share(),
        original_extract: original,
        real_extract: Plato::computed(mead.extract_share().get()),
        apparent_extract: Plato::computed(apparent),
        real_attenuation: share(before - mead.extract().get(), before),
        apparent_attenuation: share(original.get() - apparent, original.get()),
        alcohol,
        extract,
        energy: Energy::computed(
            KCAL_PER_GRAM_ALCOHOL * per_100_ml(alcohol)
                + KCAL_PER_GRAM_CARBOHYDRATE * per_100_ml(extract),
        ),
    })
}
