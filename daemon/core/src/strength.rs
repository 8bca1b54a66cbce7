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
    AbvPercent, Energy, GramsPerLitre, Gravity, Kilograms, Litres, MassPercent, Percent, Plato,
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

/// What half a range to state, % vol.
pub fn uncertainty(strength: AbvPercent) -> AbvPercent {
    AbvPercent::computed(if strength.get() <= TABLE_ENDS {
        0.5
    } else {
        0.7
    })
}

/// Of a batch that only fermented. One with additions is carried by [`crate::liquid::carry`] and
/// then asked with [`of_liquid`].
///
/// # Errors
/// A present gravity above the original, or below what the sugar allows.
pub fn from_gravities(original: Gravity, now: Gravity) -> Result<Strength, LiquidError> {
    let must = Liquid::must(Litres::computed(1.0), original)?;
    of_liquid(must.ferment_to(now)?.liquid)
}

/// Of what is in the vessel. Its original extract is what it would hold if none of the alcohol in
/// it had been made: of a batch with additions, that of all that was put in.
///
/// # Errors
/// Nothing there, or out of range.
pub fn of_liquid(mead: Liquid) -> Result<Strength, LiquidError> {
    let apparent = plato_from_gravity(mead.gravity()?).get();
    let before = mead.unfermented();
    let original = before.extract_share().get();
    let (alcohol, extract) = (mead.ethanol_per_litre()?, mead.extract_per_litre()?);
    Ok(Strength {
        by_volume: mead.strength()?,
        by_mass: mead.ethanol_share(),
        original_extract: Plato::computed(original),
        real_extract: Plato::computed(mead.extract_share().get()),
        apparent_extract: Plato::computed(apparent),
        real_attenuation: share_gone(before.extract().get(), mead.extract().get()),
        apparent_attenuation: share_gone(original, apparent),
        alcohol,
        extract,
        energy: Energy::computed(
            (KCAL_PER_GRAM_ALCOHOL * alcohol.get() + KCAL_PER_GRAM_CARBOHYDRATE * extract.get())
                / 10.0,
        ),
    })
}

/// What a must would reach if so much of its extract fermented, and what it would read then. No
/// strength where that is more than yeast makes: the must is a must all the same.
///
/// # Errors
/// As [`from_gravities`].
pub fn potential(
    original: Gravity,
    fermentable: Percent,
) -> Result<(Option<AbvPercent>, Gravity), LiquidError> {
    let must = Liquid::must(Litres::computed(1.0), original)?;
    let sugar = must.extract().get() * fermentable.get() / 100.0;
    let dry = must.ferment(Kilograms::computed(sugar))?.liquid;
    Ok((dry.strength_in_range()?, dry.gravity()?))
}

/// Grams of sugar in a litre that are counted as 1 % vol: French order of 14 September 2012 annex
/// IV, after the OIV; 92 % of what chemistry allows.
const SUGAR_PER_PERCENT: f64 = 16.83;

/// Strength that much sugar is counted for by wine law, all of it fermented. Higher than a mead
/// reaches that keeps some of its extract.
pub fn by_law(sugar: GramsPerLitre) -> AbvPercent {
    AbvPercent::computed(sugar.get() / SUGAR_PER_PERCENT)
}

fn share_gone(before: f64, now: f64) -> Percent {
    Percent::computed(if before > 0.0 {
        100.0 * (before - now) / before
    } else {
        0.0
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn g(v: f64) -> Gravity {
        Gravity::new(v).unwrap()
    }

    #[test]
    fn whatever_made_it_the_masses_tell() {
        let s = from_gravities(g(1.100), g(1.000)).unwrap();
        assert!((s.original_extract.get() - plato_from_gravity(g(1.100)).get()).abs() < 1e-9);
        assert!(s.apparent_extract.get().abs() < 1e-9);
        assert!((s.apparent_attenuation.get() - 100.0).abs() < 1e-6);
        // A gravity of 1.000 is not dry: several per cent of extract are left.
        assert!((4.0..5.0).contains(&s.real_extract.get()));
        assert!(s.by_mass.get() < s.by_volume.get());
        let by_volume = s.by_mass.get() * 1.000 * 0.998_206_7 / 0.789_24;
        assert!((s.by_volume.get() - by_volume).abs() < 1e-5);
        let dry = from_gravities(g(1.090), g(0.994)).unwrap();
        assert!(dry.apparent_attenuation.get() > 100.0 && dry.real_attenuation.get() < 100.0);
    }

    /// 12 % vol are 94.7 g of alcohol in a litre (789.24 g/L of ethanol, OIML R 22): 66 kcal in
    /// 100 mL by Regulation (EU) 1169/2011 annex XIV.
    #[test]
    fn energy_by_the_regulation() {
        let mead =
            Liquid::mead(Litres::computed(1.0), g(1.010), AbvPercent::computed(12.0)).unwrap();
        let s = of_liquid(mead).unwrap();
        assert!((s.alcohol.get() - 94.709).abs() < 0.001);
        let sugar = 0.4 * s.extract.get();
        assert!((s.energy.get() - sugar - 66.3).abs() < 0.05);
    }

    #[test]
    fn potential_is_where_fermenting_to_the_end_leads() {
        let (strength, dry) = potential(g(1.095), Percent::computed(94.0)).unwrap();
        let back = from_gravities(g(1.095), dry).unwrap();
        assert!((back.by_volume.get() - strength.unwrap().get()).abs() < 1e-9);
        assert!((back.real_attenuation.get() - 94.0).abs() < 1e-9);
        assert!(dry.get() < 1.0);
    }

    #[test]
    fn nothing_fermented_is_no_strength() {
        let s = from_gravities(g(1.080), g(1.080)).unwrap();
        assert!(s.by_volume.get() < 1e-9);
        assert!(from_gravities(g(1.080), g(1.081)).is_err());
        assert!(from_gravities(g(1.080), g(0.96)).is_err());
    }
}
