//! A must from its ingredients, by mass.
//!
//! Water and extract add up; the gravity of a must depends on the share of its extract alone, so
//! what is wanted follows from two balances without any search:
//!
//! ```text
//! a must of volume V and gravity G holds X extract and W water  (ICUMSA density, one root)
//! given ingredients bring x and w; honey is s extract and 1-s water
//! honey = (X - x)/s          water = W - w - (1-s)·honey
//! ```
//!
//! Volumes are those of the liquid; pulp of fruit takes its room beside it. Honey weighed has no
//! density in it: measured by volume it would bring its own error of some per cent.
//!
//! Good to 0.003 SG: honey one per cent wetter or drier alone makes 0.001, and fruit of one kind
//! differs by a fifth in what it brings.

pub mod honey;
pub mod ingredient;

use crate::liquid::{Liquid, LiquidError};
use crate::units::{Gravity, Kilograms, Litres, MassPercent, OutOfRange};
use ingredient::{Ingredient, Portion};

/// Why a must cannot be made.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum MustError {
    #[error(transparent)]
    Liquid(#[from] LiquidError),
    #[error("what is given already brings more sugar than {target:.4} in that volume takes")]
    TooSweet { target: f64 },
    #[error(
        "what is given and the honey already bring more water than that volume at {target:.4} holds"
    )]
    TooWet { target: f64 },
    #[error(
        "with an addition of {extract:.1} % extract a must cannot be brought to {target:.4} ({wanted:.1} % extract)"
    )]
    OutOfReach {
        extract: f64,
        target: f64,
        wanted: f64,
    },
}

impl From<OutOfRange> for MustError {
    fn from(error: OutOfRange) -> MustError {
        MustError::Liquid(error.into())
    }
}

/// What to weigh.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Recipe {
    /// Of the sweet ingredient.
    pub sweet: Kilograms,
    pub water: Kilograms,
    /// All together.
    pub must: Portion,
}

/// How much of `sweet` and of water beside `given` to get this volume and gravity.
///
/// # Errors
/// It cannot be reached: what is given brings too much, or the ingredient too little.
pub fn to_target(
    volume: Litres,
    gravity: Gravity,
    sweet: Ingredient,
    given: Portion,
) -> Result<Recipe, MustError> {
    let wanted = Liquid::must(volume, gravity)?;
    let share = sweet.extract().get() / 100.0;
    let target = gravity.get();
    let missing = wanted.extract().get() - given.liquid.extract().get();
    if missing < 0.0 {
        return Err(MustError::TooSweet { target });
    }
    if share <= 0.0 {
        return Err(out_of_reach(sweet, gravity, wanted.extract_share()));
    }
    let mass = missing / share;
    let sweet_portion = sweet.portion(Kilograms::computed(mass))?;
    let there = sweet_portion.liquid.water().get() + given.liquid.water().get();
    let water = wanted.water().get() - there;
    // A hair below zero is a must without any water added.
    if water < -1e-9 * wanted.mass().get() {
        return Err(MustError::TooWet { target });
    }
    let water = Kilograms::computed(water.max(0.0));
    Ok(Recipe {
        sweet: Kilograms::computed(mass),
        water,
        must: given
            .with(sweet_portion)
            .with(Ingredient::WATER.portion(water)?),
    })
}

/// What to add to a must that came out wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correction {
    /// Added to all of it; it becomes more.
    pub add: Kilograms,
    pub after: Liquid,
    /// The same volume kept: so much taken out, then so much added.
    pub take_out: Litres,
    pub add_instead: Kilograms,
}

/// What of `with` (honey, sugar, water) brings a must to this gravity.
///
/// # Errors
/// It cannot: the addition lies on the wrong side of the target.
pub fn correct(
    volume: Litres,
    now: Gravity,
    target: Gravity,
    with: Ingredient,
) -> Result<Correction, MustError> {
    let must = Liquid::must(volume, now)?;
    let goal = Liquid::must(volume, target)?;
    let (x, w) = (must.extract().get(), must.water().get());
    let (goal_x, goal_w) = (goal.extract().get(), goal.water().get());
    let (s, u) = (with.extract().get() / 100.0, with.water().get() / 100.0);
    // Extract to water as in the goal: (x + s·m)/(w + u·m) = goal_x/goal_w.
    let pull = s * goal_w - u * goal_x;
    let gap = goal_x * w - goal_w * x;
    let mass = if gap == 0.0 { 0.0 } else { gap / pull };
    if !(mass >= 0.0 && mass.is_finite()) {
        return Err(out_of_reach(with, target, goal.extract_share()));
    }
    let after = must.with(with.portion(Kilograms::computed(mass))?.liquid);
    // A part k of the must with m added is the goal: k·x + s·m = goal_x, k·w + u·m = goal_w.
    let m = if gap == 0.0 {
        0.0
    } else {
        gap / (s * w - u * x)
    };
    let kept = if w > 0.0 { (goal_w - u * m) / w } else { 1.0 };
    Ok(Correction {
        add: Kilograms::computed(mass),
        after,
        take_out: Litres::computed(volume.get() * (1.0 - kept)),
        add_instead: Kilograms::computed(m),
    })
}

fn out_of_reach(with: Ingredient, target: Gravity, wanted: MassPercent) -> MustError {
    MustError::OutOfReach {
        extract: with.extract().get(),
        target: target.get(),
        wanted: wanted.get(),
    }
}

#[cfg(test)]
mod tests {
    use super::ingredient::MEAN_MOISTURE;
    use super::*;

    fn l(v: f64) -> Litres {
        Litres::new(v).unwrap()
    }

    fn g(v: f64) -> Gravity {
        Gravity::new(v).unwrap()
    }

    fn kg(v: f64) -> Kilograms {
        Kilograms::computed(v)
    }

    const HONEY: Ingredient = Ingredient::honey(MEAN_MOISTURE);

    #[test]
    fn target_and_masses_are_each_others_way_back() {
        let fruit = ingredient::listed("raspberry").unwrap().ingredient;
        let given = fruit.portion(kg(3.0)).unwrap();
        let recipe = to_target(l(20.0), g(1.095), HONEY, given).unwrap();
        let must = recipe.must.liquid;
        assert!((must.volume().unwrap().get() - 20.0).abs() < 1e-9);
        assert!((must.gravity().unwrap().get() - 1.095).abs() < 1e-10);
        let put_in = recipe.sweet.get() + recipe.water.get() + 3.0;
        assert!((put_in - must.mass().get() - recipe.must.pulp.get()).abs() < 1e-9);
    }

    #[test]
    fn what_cannot_be_made_is_said() {
        let syrup = Ingredient::SUGAR.portion(kg(8.0)).unwrap();
        let error = to_target(l(10.0), g(1.060), HONEY, syrup).unwrap_err();
        assert!(error.to_string().contains("more sugar than 1.0600"));
        let apple = ingredient::listed("apple-juice").unwrap().ingredient;
        let error = to_target(l(10.0), g(1.060), apple, Portion::NOTHING).unwrap_err();
        assert!(error.to_string().contains("more water"));
        assert!(to_target(l(10.0), g(1.06), Ingredient::WATER, Portion::NOTHING).is_err());
    }

    #[test]
    fn a_must_put_right() {
        for (now, target, with) in [
            (1.110, 1.100, Ingredient::WATER),
            (1.090, 1.100, HONEY),
            (1.090, 1.100, Ingredient::SUGAR),
        ] {
            let c = correct(l(20.0), g(now), g(target), with).unwrap();
            assert!((c.after.gravity().unwrap().get() - target).abs() < 1e-10);
            let (_, kept) = Liquid::must(l(20.0), g(now))
                .unwrap()
                .take(c.take_out)
                .unwrap();
            let same = kept.with(with.portion(c.add_instead).unwrap().liquid);
            assert!((same.volume().unwrap().get() - 20.0).abs() < 1e-9);
            assert!((same.gravity().unwrap().get() - target).abs() < 1e-10);
        }
        let still = correct(l(20.0), g(1.1), g(1.1), HONEY).unwrap();
        assert_eq!((still.add.get(), still.take_out.get()), (0.0, 0.0));
        assert!(correct(l(20.0), g(1.110), g(1.100), HONEY).is_err());
        assert!(correct(l(20.0), g(1.090), g(1.100), Ingredient::WATER).is_err());
    }
}
