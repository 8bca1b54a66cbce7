//! Sulphur dioxide: how much of it is active, and what to weigh in.
//!
//! | what | formula | unit |
//! |---|---|---|
//! | active part | `molecular / free = 1 / (1 + 10^(pH - pKa))` | of 1 |
//! | free wanted | `free = molecular · (1 + 10^(pH - pKa))` | mg/L as SO₂ |
//! | to add | `added = (free wanted - free now) / (1 - bound share)` | mg/L as SO₂ |
//! | salt | `grams = added · litres / 1000 / share of SO₂ in the salt` | g |
//!
//! The second dissociation is left out: sulphite ion is 0.012 % of the free at pH 3.0 and 0.122 % at
//! pH 4.0 (winery hand-out after University of California *Enology Briefs* I no. 1, 1982).
//! Held for pH 2.9 to 4.0, [`PH`], where that table stands.
//!
//! What binds is only known by measuring: yeast leaves acetaldehyde that takes most of a first addition.
//! Law limits the *total*, yeast is stopped by the *molecular*, meters read the *free*; each has its
//! own name here and none is ever passed for another.

use crate::grid::Grid;
use crate::molar;
use crate::units::{AbvPercent, Celsius, Kilograms, Litres, MgPerLitre, Percent, Ph};

/// First dissociation, the value that reproduces the table of University of California Cooperative
/// Extension, *Enology Briefs* I no. 1 (1982). It asks for more than the constants that count alcohol.
pub const PKA: f64 = 1.81;

/// Where that table stands, pH.
pub const PH: (f64, f64) = (2.9, 4.0);

/// Active part of the free sulphur dioxide, of 1.
pub fn molecular_share(ph: Ph, pka: f64) -> f64 {
    1.0 / (1.0 + 10f64.powf(ph.get() - pka))
}

pub fn molecular(free: MgPerLitre, ph: Ph) -> MgPerLitre {
    MgPerLitre::computed(free.get() * molecular_share(ph, PKA))
}

/// Free sulphur dioxide that has this much of it active.
pub fn free_for(molecular: MgPerLitre, ph: Ph) -> MgPerLitre {
    MgPerLitre::computed(molecular.get() / molecular_share(ph, PKA))
}

/// OIV-MA-AS323-04C *Sulfur dioxide (molecular method)*, Table I: thermodynamic pK by strength
/// (% vol) and temperature (°C). It moves 0.20 for 5 °C, four times what the heat of dissociation of
/// sulphur dioxide in water would give, so it is information only and is not carried on below 20 °C.
static OIV: Grid<4, 5> = Grid {
    rows: [0.0, 5.0, 10.0, 15.0],
    columns: [20.0, 25.0, 30.0, 35.0, 40.0],
    values: [
        [1.798, 2.000, 2.219, 2.334, 2.493],
        [1.897, 2.098, 2.299, 2.397, 2.527],
        [1.997, 2.198, 2.394, 2.488, 2.606],
        [2.099, 2.301, 2.503, 2.607, 2.728],
    ],
};

/// The OIV table's constant for this strength and temperature, before the small correction for ionic
/// strength whose coefficients that table's page does not print. `None` outside 0 to 15 % vol and
/// 20 to 40 °C.
pub fn oiv_pk(strength: AbvPercent, temperature: Celsius) -> Option<f64> {
    OIV.at(strength.get(), temperature.get())
}

/// The metabisulphite that is weighed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Salt {
    Potassium,
    Sodium,
}

impl Salt {
    /// Sulphur dioxide in a gram of fresh salt, g: two to a molecule.
    pub fn sulphur_dioxide(self) -> f64 {
        let molar = match self {
            Salt::Potassium => molar::POTASSIUM_METABISULPHITE,
            Salt::Sodium => molar::SODIUM_METABISULPHITE,
        };
        2.0 * molar::SULPHUR_DIOXIDE / molar
    }
}

/// All of what is added would be bound, so no dose reaches the free that is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("all of the sulphur dioxide would be bound; no dose leaves any of it free")]
pub struct AllBound;

/// Sulphur dioxide to add so that `wanted` is free; none where there is enough.
///
/// # Errors
/// A bound share of all of it.
pub fn to_add(now: MgPerLitre, wanted: MgPerLitre, bound: Percent) -> Result<MgPerLitre, AllBound> {
    let stays_free = 1.0 - bound.get() / 100.0;
    if stays_free <= 0.0 {
        return Err(AllBound);
    }
    let missing = (wanted.get() - now.get()).max(0.0);
    Ok(MgPerLitre::computed(missing / stays_free))
}

/// Free sulphur dioxide after an addition of which `bound` binds.
pub fn free_after(now: MgPerLitre, added: MgPerLitre, bound: Percent) -> MgPerLitre {
    MgPerLitre::computed(now.get() + added.get() * (1.0 - bound.get() / 100.0))
}

/// Fresh salt for an addition in this volume.
pub fn salt_for(added: MgPerLitre, volume: Litres, salt: Salt) -> Kilograms {
    Kilograms::computed(added.get() * 1e-6 * volume.get() / salt.sulphur_dioxide())
}

/// What this much fresh salt adds to the total in this volume; infinite in none.
pub fn added_by(mass: Kilograms, volume: Litres, salt: Salt) -> MgPerLitre {
    MgPerLitre::computed(mass.get() * 1e6 * salt.sulphur_dioxide() / volume.get())
}
