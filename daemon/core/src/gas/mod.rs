//! Carbon dioxide: in mead, in closed vessels, in the room.
//!
//! | what | formula | valid |
//! |---|---|---|
//! | [`solubility`] | Henry's law: Carroll, Slupsky & Mather (1991); alcohol and sugar by the Community method for wine | 0 to 80 °C, to 10 bar |
//! | [`water`] | vapour pressure (IAPWS), density (Kell) | 0 to 100 °C |
//! | [`expansion`] | how far mead swells with heat | 0 to 80 °C |
//! | [`closed`] | mass balance of carbon dioxide and air in a closed vessel | as above |
//! | [`keg`] | pressure for a content, content after open fermentation | as above |
//! | [`priming`] | sugar for bottles, from the stoichiometry of fermentation | |
//! | [`room`] | a room whose air is mixed, fed and changed | |
//! | [`atmosphere`] | ISO 2533 standard atmosphere | to 5,000 m |
//!
//! Contents are grams of carbon dioxide in a litre of liquid measured at 20 °C.

pub mod atmosphere;
pub mod closed;
pub mod expansion;
pub mod keg;
pub mod priming;
pub mod room;
pub mod solubility;
pub mod water;

use crate::units::{AbvPercent, GramsPerLitre, Volumes};

/// Gas constant, J/(mol·K) (CODATA 2018, exact).
pub(crate) const R: f64 = 8.314_462_618;
pub(crate) const KELVIN: f64 = 273.15;

/// One volume: the carbon dioxide that fills the liquid's own volume at 0 °C and 1 atm, as a real
/// gas (molar volume 22.26 L). As an ideal gas it would be 1.963.
pub const GRAMS_PER_VOLUME: f64 = 1.977;

/// How far a pressure or content worked out here may be off, as a share: what published charts and
/// single measurements differ by from the formula (see `tests/published/carbonation.rs`).
pub const MODEL_ERROR: f64 = 0.07;

pub fn grams(v: Volumes) -> GramsPerLitre {
    GramsPerLitre::computed(v.get() * GRAMS_PER_VOLUME)
}

pub fn volumes(c: GramsPerLitre) -> Volumes {
    Volumes::computed(c.get() / GRAMS_PER_VOLUME)
}

/// What the gas is dissolved in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Solvent {
    strength: AbvPercent,
    sugar: GramsPerLitre,
}

impl Solvent {
    pub const WATER: Solvent = Solvent {
        strength: AbvPercent::computed(0.0),
        sugar: GramsPerLitre::computed(0.0),
    };

    /// # Errors
    /// Stronger than 20 % vol or more than 250 g/L of sugar: the correction is made for wine and
    /// nobody has checked it further.
    pub fn new(strength: AbvPercent, sugar: GramsPerLitre) -> Result<Solvent, Beyond> {
        if !(0.0..=20.0).contains(&strength.get()) {
            return Err(Beyond::Strength(strength.get()));
        }
        if !(0.0..=250.0).contains(&sugar.get()) {
            return Err(Beyond::Sugar(sugar.get()));
        }
        Ok(Solvent { strength, sugar })
    }

    pub fn strength(self) -> AbvPercent {
        self.strength
    }

    pub fn sugar(self) -> GramsPerLitre {
        self.sugar
    }
}

/// Outside what the formulas were made for: refused, never continued.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum Beyond {
    #[error(
        "at {0:.1} °C carbon dioxide in mead is not known here; the formula holds from 0 to 80 °C"
    )]
    Temperature(f64),
    #[error("{0:.1} % vol is more than the 20 % vol the formula for wine was tried with")]
    Strength(f64),
    #[error("{0:.0} g/L of sugar is more than the 250 g/L the formula for wine was tried with")]
    Sugar(f64),
    #[error(
        "that comes to more than 10 bar of carbon dioxide, beyond what the formula covers and far \
         beyond what a bottle is for"
    )]
    Pressure,
    #[error(
        "warmed to {to:.0} °C the liquid would leave {left:.1} % of the vessel empty: there is no \
         room for it to swell, and pressure rises without limit"
    )]
    Full { to: f64, left: f64 },
}
