//! A dose as a measured volume of a stock solution: what a kitchen scale cannot weigh, a cylinder can.
//!
//! 27 CFR 24.246(a)(2): water that carries treating materials in, of all of them together, may not
//! come to more than 1 % of the wine. The whole solution is counted as water here, which errs to the
//! lawful side.

use crate::units::{GramsPerLitre, Kilograms, Litres};

/// Of 1.
pub const WATER_LIMIT: f64 = 0.01;

/// The volume of solution that carries this mass; infinite for a solution of nothing.
pub fn volume(mass: Kilograms, strength: GramsPerLitre) -> Litres {
    Litres::computed(mass.get() * 1000.0 / strength.get())
}

/// Whether this much solution altogether stays within the limit for water.
pub fn lawful(solution: Litres, wine: Litres) -> bool {
    solution.get() <= WATER_LIMIT * wine.get()
}
