//! Sweetening: honey, sugar, syrup or juice into a finished mead.
//!
//! By mass balance: what is added joins the mead's water, extract and ethanol, and volume, gravity
//! and strength follow ([`crate::liquid`]). For a wanted gravity the mass is one root; gravity
//! only rises with it. From a bench trial the whole vessel gets what the glass got, litre for
//! litre.
//!
//! What a restart would do: all that can ferment of what was added ferments, by Balling. It is the
//! most this sugar can do; a yeast may stop short of it.
//!
//! Good to the readings: ±0.001 SG in the gravity measured is ±0.001 in the one reached.

use crate::liquid::{Fermented, Liquid, LiquidError};
use crate::must::ingredient::{Ingredient, Portion};
use crate::root::root;
use crate::units::{GramsPerLitre, Gravity, Kilograms, Litres, OutOfRange};

/// The most that is added, in masses of the mead: beyond that it is no sweetening.
const MOST: f64 = 5.0;

#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SweetenError {
    #[error(transparent)]
    Liquid(#[from] LiquidError),
    #[error("it already reads {now:.4}, above {target:.4}")]
    AlreadyThere { now: f64, target: f64 },
    #[error("with an addition of {extract:.1} % extract it does not reach {target:.4}")]
    TooThin { extract: f64, target: f64 },
}

impl From<OutOfRange> for SweetenError {
    fn from(error: OutOfRange) -> SweetenError {
        SweetenError::Liquid(error.into())
    }
}

/// A mead with something sweet in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sweetened {
    pub added: Kilograms,
    pub after: Liquid,
    /// What came in.
    pub portion: Portion,
}

/// How much it takes to a gravity.
///
/// # Errors
/// It is there already, or the addition is too thin to get there.
pub fn to_gravity(
    mead: Liquid,
    target: Gravity,
    with: Ingredient,
) -> Result<Sweetened, SweetenError> {
    let now = mead.gravity()?.get();
    let target = target.get();
    if target < now - 1e-9 {
        return Err(SweetenError::AlreadyThere { now, target });
    }
    let extract = with.extract().get();
    let off = |kg: f64| {
        let after = with
            .portion(Kilograms::computed(kg))
            .map_err(LiquidError::from)
            .and_then(|p| mead.with(p.liquid).gravity());
        // Too thick for a number is above every target.
        after.map_or(1.0, |g| g.get() - target)
    };
    let kg = if target <= now {
        0.0
    } else {
        root(0.0, mead.mass().get() * MOST, off).ok_or(SweetenError::TooThin { extract, target })?
    };
    by_mass(mead, Kilograms::computed(kg), with)
}

/// What so much of it makes of the mead.
///
/// # Errors
/// A mass below zero, or beyond what the formulas hold.
pub fn by_mass(mead: Liquid, mass: Kilograms, with: Ingredient) -> Result<Sweetened, SweetenError> {
    let portion = with.portion(mass)?;
    let after = mead.with(portion.liquid);
    after.gravity()?;
    Ok(Sweetened {
        added: mass,
        after,
        portion,
    })
}

/// As much to the litre as tasted right in a glass.
///
/// # Errors
/// A glass with nothing in it, or as [`by_mass`].
pub fn from_trial(
    mead: Liquid,
    glass: Litres,
    in_glass: Kilograms,
    with: Ingredient,
) -> Result<Sweetened, SweetenError> {
    if glass.get() <= 0.0 {
        return Err(LiquidError::Empty.into());
    }
    let mass = in_glass.get() / glass.get() * mead.volume()?.get();
    by_mass(mead, Kilograms::new(mass)?, with)
}

/// What becomes of it if it starts again.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Restarted {
    pub made: Fermented,
    /// Carbon dioxide in grams for each litre of the mead, where none can leave.
    pub carbon_dioxide: GramsPerLitre,
}

impl Sweetened {
    /// # Errors
    /// Out of range.
    pub fn restarted(&self) -> Result<Restarted, LiquidError> {
        let made = self.after.ferment(self.portion.fermentable)?;
        let litres = self.after.volume()?.get();
        Ok(Restarted {
            carbon_dioxide: GramsPerLitre::computed(
                made.carbon_dioxide.get() * 1000.0 / litres.max(f64::MIN_POSITIVE),
            ),
            made,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::must::ingredient::{MEAN_MOISTURE, listed};
    use crate::units::AbvPercent;

    const HONEY: Ingredient = Ingredient::honey(MEAN_MOISTURE);

    fn g(v: f64) -> Gravity {
        Gravity::new(v).unwrap()
    }

    fn mead(gravity: f64, strength: f64) -> Liquid {
        Liquid::mead(
            Litres::computed(10.0),
            g(gravity),
            AbvPercent::computed(strength),
        )
        .unwrap()
    }

    #[test]
    fn it_reaches_what_was_wanted_and_thins_the_alcohol() {
        for with in [
            HONEY,
            Ingredient::SUGAR,
            listed("grape-juice").unwrap().ingredient,
        ] {
            let s = to_gravity(mead(0.998, 12.0), g(1.015), with).unwrap();
            assert!((s.after.gravity().unwrap().get() - 1.015).abs() < 1e-9);
            assert!(s.after.strength().unwrap().get() < 12.0);
            assert!(
                (s.after.mass().get() - s.added.get() - mead(0.998, 12.0).mass().get()).abs()
                    < 1e-9
            );
        }
    }

    #[test]
    fn the_vessel_gets_what_the_glass_got() {
        let vessel = mead(1.002, 13.0);
        let (glass, _) = vessel.take(Litres::computed(0.1)).unwrap();
        let in_glass = Kilograms::computed(0.004);
        let tasted = by_mass(glass, in_glass, HONEY).unwrap().after;
        let all = from_trial(vessel, Litres::computed(0.1), in_glass, HONEY).unwrap();
        assert!((all.added.get() - 0.4).abs() < 1e-9);
        let (a, b) = (tasted.gravity().unwrap(), all.after.gravity().unwrap());
        assert!((a.get() - b.get()).abs() < 1e-12);
        assert!(from_trial(vessel, Litres::computed(0.0), in_glass, HONEY).is_err());
    }

    #[test]
    fn a_restart_falls_below_where_it_was() {
        let dry = mead(0.998, 12.0);
        let s = to_gravity(dry, g(1.015), Ingredient::SUGAR).unwrap();
        let again = s.restarted().unwrap();
        // All the sugar gone: water came with none, so it is stronger and lighter than before.
        assert!(again.made.liquid.gravity().unwrap().get() < 0.998);
        assert!(again.made.liquid.strength().unwrap().get() > 12.0);
        assert!(again.carbon_dioxide.get() > 15.0);
        let honeyed = to_gravity(dry, g(1.015), HONEY)
            .unwrap()
            .restarted()
            .unwrap();
        assert!(honeyed.carbon_dioxide.get() < again.carbon_dioxide.get());
    }

    #[test]
    fn the_impossible_is_said() {
        let error = to_gravity(mead(1.010, 12.0), g(1.005), HONEY).unwrap_err();
        assert_eq!(error.to_string(), "it already reads 1.0100, above 1.0050");
        let juice = listed("apple-juice").unwrap().ingredient;
        let error = to_gravity(mead(0.998, 12.0), g(1.060), juice).unwrap_err();
        assert_eq!(
            error.to_string(),
            "with an addition of 11.8 % extract it does not reach 1.0600"
        );
        assert_eq!(
            to_gravity(mead(1.01, 12.0), g(1.01), HONEY)
                .unwrap()
                .added
                .get(),
            0.0
        );
    }
}
