//! What a kitchen scale can weigh, and how a quantity stands in a sentence.

use super::Given;
use crate::units::{Kilograms, Millilitres, Quantity};

/// To the nearest of so many steps to the unit; to the one below where the nearest would lie above
/// `most`.
fn stepped(value: f64, most: f64, steps: f64) -> f64 {
    let nearest = (value * steps).round() / steps;
    if nearest <= most {
        return nearest;
    }
    // A hair of a step, so that a limit that is a whole number of steps is not missed by rounding.
    (value.min(most) * steps + 1e-9).floor() / steps
}

/// 0.1 g below 10 g, 1 g above; never up past `most`.
pub(super) fn weighed_within(mass: Kilograms, most: Kilograms) -> Kilograms {
    let steps = if mass.get() < 0.01 { 10_000.0 } else { 1000.0 };
    Kilograms::computed(stepped(mass.get(), most.get(), steps))
}

pub(super) fn weighed(mass: Kilograms) -> Kilograms {
    weighed_within(mass, Kilograms::computed(f64::INFINITY))
}

/// In a syringe or cylinder: 0.1 mL below 10 mL, 1 mL above; never up past `most`.
pub(super) fn measured_within(volume: Millilitres, most: Millilitres) -> Millilitres {
    let steps = if volume.get() < 10.0 { 10.0 } else { 1.0 };
    Millilitres::computed(stepped(volume.get(), most.get(), steps))
}

/// "20.00 L", "1.4 g", as the maker likes it.
pub(super) fn shown<Q: Quantity>(given: &Given, value: Q) -> String {
    Q::MEASURE.show(value.get(), given.asker.style.units)
}

/// With a capital letter.
pub(super) fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grams(v: f64) -> Kilograms {
        Kilograms::computed(v / 1000.0)
    }

    fn near(kg: Kilograms, g: f64) -> bool {
        (kg.get() * 1000.0 - g).abs() < 1e-9
    }

    #[test]
    fn as_fine_as_a_kitchen_scale() {
        assert!(near(weighed(grams(1.36)), 1.4));
        assert!(near(weighed(grams(12.6)), 13.0));
        assert!(near(weighed(grams(0.04)), 0.0));
    }

    #[test]
    fn never_up_past_a_limit() {
        assert!(near(weighed_within(grams(1.36), grams(1.38)), 1.3));
        assert!(near(weighed_within(grams(1.36), grams(2.0)), 1.4));
        assert!(near(weighed_within(grams(40.0), grams(40.0)), 40.0));
        assert!(near(weighed_within(grams(12.7), grams(12.7)), 12.0));
    }
}
