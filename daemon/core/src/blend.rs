//! Blending meads: what they give together, and how much of one it takes to a wanted strength or
//! sweetness.
//!
//! Masses add ([`crate::liquid`]); volume, gravity and strength of the blend are read off them.
//! The part that is wanted is one root: strength and gravity of a blend move one way as more of a
//! part goes in.
//!
//! Good to the readings of the parts: ±0.5 % vol each, ±0.001 SG.

use crate::liquid::{Liquid, LiquidError};
use crate::root::root;
use crate::units::{AbvPercent, Gravity, Kilograms, Litres};

/// What the blend should come to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Wanted {
    Strength(AbvPercent),
    /// Sweetness as a hydrometer shows it.
    Gravity(Gravity),
}

#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BlendError {
    #[error(transparent)]
    Liquid(#[from] LiquidError),
    #[error("a blend of these lies between {low} and {high}")]
    OutOfReach { low: String, high: String },
    #[error("both are alike in that, so no blend of them changes it")]
    Alike,
}

impl Wanted {
    fn target(self) -> f64 {
        match self {
            Wanted::Strength(v) => v.get(),
            Wanted::Gravity(g) => g.get(),
        }
    }

    fn of(self, liquid: Liquid) -> Result<f64, LiquidError> {
        Ok(match self {
            Wanted::Strength(_) => liquid.strength()?.get(),
            Wanted::Gravity(_) => liquid.gravity()?.get(),
        })
    }

    fn say(self, v: f64) -> String {
        match self {
            Wanted::Strength(_) => format!("{v:.1} % vol"),
            Wanted::Gravity(_) => format!("{v:.4}"),
        }
    }
}

/// All of them together.
pub fn together(parts: &[Liquid]) -> Liquid {
    parts
        .iter()
        .fold(Liquid::NOTHING, |all, part| all.with(*part))
}

/// How much of `other` goes into all of `base` for what is wanted, and what that makes.
///
/// # Errors
/// It does not lie between the two.
pub fn pour_in(
    base: Liquid,
    other: Liquid,
    wanted: Wanted,
) -> Result<(Litres, Liquid), BlendError> {
    let share = share_of_other(base, other, wanted)?;
    if share > 1.0 - 1e-9 {
        return Err(between(base, other, wanted)?);
    }
    let mass = base.mass().get() * share / (1.0 - share);
    let poured = other.weighing(Kilograms::computed(mass));
    Ok((poured.volume()?, base.with(poured)))
}

/// How much of each makes so many litres of what is wanted, and what that makes.
///
/// # Errors
/// It does not lie between the two.
pub fn to_volume(
    base: Liquid,
    other: Liquid,
    wanted: Wanted,
    volume: Litres,
) -> Result<([Litres; 2], Liquid), BlendError> {
    let share = share_of_other(base, other, wanted)?;
    let one_kilogram = blended(base, other, share);
    let mass = volume.get() / one_kilogram.volume()?.get();
    let parts = [
        base.weighing(Kilograms::computed(mass * (1.0 - share))),
        other.weighing(Kilograms::computed(mass * share)),
    ];
    Ok(([parts[0].volume()?, parts[1].volume()?], together(&parts)))
}

/// A kilogram of the two, so much of it the other.
fn blended(base: Liquid, other: Liquid, share: f64) -> Liquid {
    base.weighing(Kilograms::computed(1.0 - share))
        .with(other.weighing(Kilograms::computed(share)))
}

/// By mass, 0 to 1.
fn share_of_other(base: Liquid, other: Liquid, wanted: Wanted) -> Result<f64, BlendError> {
    let (a, b) = (wanted.of(base)?, wanted.of(other)?);
    let target = wanted.target();
    if (a - target).abs() < 1e-9 {
        return Ok(0.0);
    }
    if (b - target).abs() < 1e-9 {
        return Ok(1.0);
    }
    if (a - b).abs() < 1e-9 {
        return Err(BlendError::Alike);
    }
    let off = |share: f64| {
        wanted
            .of(blended(base, other, share))
            .map_or(f64::NAN, |v| v - target)
    };
    match root(0.0, 1.0, off) {
        Some(share) => Ok(share),
        None => Err(between(base, other, wanted)?),
    }
}

fn between(base: Liquid, other: Liquid, wanted: Wanted) -> Result<BlendError, LiquidError> {
    let (a, b) = (wanted.of(base)?, wanted.of(other)?);
    Ok(BlendError::OutOfReach {
        low: wanted.say(a.min(b)),
        high: wanted.say(a.max(b)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mead(litres: f64, gravity: f64, strength: f64) -> Liquid {
        Liquid::mead(
            Litres::computed(litres),
            Gravity::new(gravity).unwrap(),
            AbvPercent::new(strength).unwrap(),
        )
        .unwrap()
    }

    fn abv(v: f64) -> Wanted {
        Wanted::Strength(AbvPercent::new(v).unwrap())
    }

    #[test]
    fn the_blend_is_what_was_wanted() {
        let (dry, sweet) = (mead(20.0, 0.998, 14.0), mead(10.0, 1.030, 9.0));
        let (volume, blend) = pour_in(dry, sweet, abv(12.5)).unwrap();
        assert!((blend.strength().unwrap().get() - 12.5).abs() < 1e-9);
        let (poured, _) = sweet.take(volume).unwrap();
        assert!((dry.with(poured).mass().get() - blend.mass().get()).abs() < 1e-9);
        let sweetness = Wanted::Gravity(Gravity::new(1.010).unwrap());
        let ([a, b], all) = to_volume(dry, sweet, sweetness, Litres::computed(5.0)).unwrap();
        assert!((all.volume().unwrap().get() - 5.0).abs() < 1e-9);
        assert!((all.gravity().unwrap().get() - 1.010).abs() < 1e-9);
        assert!((a.get() + b.get() - 5.0).abs() < 0.02);
    }

    #[test]
    fn water_is_a_part_too() {
        let water = Liquid::of_water(Kilograms::computed(1.0)).unwrap();
        let (volume, blend) = pour_in(mead(10.0, 1.0, 15.0), water, abv(12.0)).unwrap();
        assert!((blend.strength().unwrap().get() - 12.0).abs() < 1e-9);
        assert!((volume.get() - 2.5).abs() < 0.05);
    }

    #[test]
    fn what_no_blend_reaches_is_said() {
        let (a, b) = (mead(20.0, 0.998, 14.0), mead(10.0, 1.030, 9.0));
        let error = pour_in(a, b, abv(15.0)).unwrap_err().to_string();
        assert_eq!(
            error,
            "a blend of these lies between 9.0 % vol and 14.0 % vol"
        );
        assert!(pour_in(a, b, abv(9.0)).is_err());
        assert!(to_volume(a, b, abv(9.0), Litres::computed(3.0)).is_ok());
        assert_eq!(pour_in(a, a, abv(13.0)).unwrap_err(), BlendError::Alike);
        assert_eq!(pour_in(a, b, abv(14.0)).unwrap().0.get(), 0.0);
    }
}
