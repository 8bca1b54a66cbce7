//! Potassium sorbate: how much by strength and pH.
//!
//! The dose is a published table of a home winemaking book, for grape wine at 10 to 14 % vol and pH
//! 3.1 to 3.5: T. Underhill, *Making Better Wines*, in mL of a 30 g/L solution of potassium sorbate
//! for a litre. It is read between its lines. Nothing is carried on to weaker or less sour mead, where
//! more would be needed than the table knows; on the milder side, stronger or sourer, the table's
//! last line holds for more than is needed and [`Dose::Edge`] says so. No table for mead is known.
//!
//! Law counts sorbic acid, the scale weighs the potassium salt: they differ by a third.

use crate::grid::Grid;
use crate::molar;
use crate::units::{AbvPercent, Kilograms, Litres, MgPerLitre, Ph};

/// Millilitres for a litre of wine; strengths down, pH across.
static UNDERHILL: Grid<5, 5> = Grid {
    rows: [10.0, 11.0, 12.0, 13.0, 14.0],
    columns: [3.1, 3.2, 3.3, 3.4, 3.5],
    values: [
        [5.5, 6.0, 7.0, 8.0, 9.0],
        [4.5, 5.0, 6.0, 7.0, 7.5],
        [3.2, 3.5, 4.0, 4.5, 5.0],
        [2.6, 3.0, 3.2, 3.5, 4.0],
        [2.0, 2.2, 2.4, 2.7, 3.0],
    ],
};

/// Potassium sorbate in the table's solution, g/L.
const SOLUTION: f64 = 30.0;

/// Sorbic acid in a gram of potassium sorbate, g.
pub const SORBIC_SHARE: f64 = molar::SORBIC_ACID / molar::POTASSIUM_SORBATE;

/// Sorbic acid wanted, mg/L.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Dose {
    Table(MgPerLitre),
    /// The mead is stronger than 14 % vol or sourer than pH 3.1: the table's last line, which asks for
    /// more than is needed.
    Edge(MgPerLitre),
    /// Weaker than 10 % vol or above pH 3.5: sorbate alone will not be enough.
    Outside,
}

pub fn dose(strength: AbvPercent, ph: Ph) -> Dose {
    let (row, column) = (strength.get().min(14.0), ph.get().max(3.1));
    let Some(ml) = UNDERHILL.at(row, column) else {
        return Dose::Outside;
    };
    let sorbic = MgPerLitre::computed(ml * SOLUTION * SORBIC_SHARE);
    if row == strength.get() && column == ph.get() {
        Dose::Table(sorbic)
    } else {
        Dose::Edge(sorbic)
    }
}

/// Potassium sorbate that gives this much sorbic acid in this volume.
pub fn potassium_sorbate(sorbic: MgPerLitre, volume: Litres) -> Kilograms {
    Kilograms::computed(sorbic.get() * 1e-6 * volume.get() / SORBIC_SHARE)
}

/// Sorbic acid that this much potassium sorbate gives in this volume; infinite in none.
pub fn sorbic_acid(mass: Kilograms, volume: Litres) -> MgPerLitre {
    MgPerLitre::computed(mass.get() * 1e6 * SORBIC_SHARE / volume.get())
}
