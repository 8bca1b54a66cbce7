//! What a kitchen scale can weigh, and how a quantity stands in a sentence.

use super::Given;
use crate::units::{Kilograms, Quantity};

/// To the nearest step; to the one below where the nearest would lie above `most`.
fn stepped(value: f64, most: f64, step: f64) -> f64 {
    let nearest = (value / step).round() * step;
    if nearest <= most {
        return nearest;
    }
    // A hair of a step, so that a limit that is a whole number of steps is not missed by rounding.
    (value.min(most) / step + 1e-9).floor() * step
}

/// 0.1 g below 10 g, 1 g above; never up past `most`.
pub(super) fn weighed_within(mass: Kilograms, most: Kilograms) -> Kilograms {
    let step = if mass.get() < 0.01 { 1e-4 } else { 1e-3 };
    Kilograms::computed(stepped(mass.get(), most.get(), step))
}

/// "20.00 L", "1.4 g", as the maker likes it.
pub(super) fn shown<Q: Quantity>(given: &Given, value: Q) -> String {
    Q::MEASURE.show(value.get(), given.asker.style.units)
}
