//! What is put in: the fields for it, and how it is weighed.

use super::answer::{Formula, Outcome, result};
use super::field::{Choice, Field, Need};
use super::scale::{capital, weighed};
use super::{Complaint, Given};
use crate::deed::{Dose, Substance};
use crate::must::honey;
use crate::must::ingredient::{Ingredient, LIST, Listed, Portion, Sort, listed};
use crate::units::{Brix, Celsius, Kilograms, Litres, MassPercent, Percent, RefractiveIndex};

/// Honey to the litre, for a volume beside the mass: common practice, no source. Only ever shown.
const HONEY_KG_PER_LITRE: f64 = 1.42;
/// Water a honey may have here, %: wider than the table of refractive indices, which is 13 to 25.
const DRIEST: f64 = 12.0;
const WETTEST: f64 = 27.0;
/// Of a syrup's or a juice's extract, what ferments when nothing is known of it, %: the sugar in the
/// extract of apple and grape juice is 82 and 92 % (USDA SR 27). Ours.
const SYRUP_FERMENTS: f64 = 92.0;

const HONEY: Choice = Choice {
    key: "honey",
    label: "honey",
};
const SUGAR: Choice = Choice {
    key: "sugar",
    label: "white sugar",
};
pub(super) const HONEY_OR_SUGAR: &[Choice] = &[HONEY, SUGAR];

const SWEETS: &[Choice] = &[
    HONEY,
    SUGAR,
    Choice {
        key: "syrup",
        label: "a syrup or juice, by its °Bx",
    },
    Choice {
        key: "apple-juice",
        label: "apple juice",
    },
    Choice {
        key: "grape-juice",
        label: "grape juice",
    },
];

pub(super) const WITH: Field = Field::choice("with", "Sweetened with", SWEETS);
pub(super) const MOISTURE: Field = Field::number::<MassPercent>("moisture", "Water in the honey")
    .usual("17.2 %")
    .hint("As measured; 17.2 % is the mean of 490 honeys. It matters for honey alone.");
pub(super) const HONEY_INDEX: Field =
    Field::number::<RefractiveIndex>("honey-index", "Or the honey's refractive index")
        .may_be_left()
        .hint("At 20 °C, in the place of its water: 1.4740 to 1.5044.");
pub(super) const SYRUP: Field = Field::number::<Brix>("syrup", "Extract of the syrup or juice")
    .may_be_left()
    .hint("In °Bx as a refractometer shows it; it matters for a syrup or juice of your own.");

/// What a gravity is read to, SG.
pub(super) const READING: f64 = 0.001;

pub(super) const BALANCE: Formula = Formula {
    name: "mass balance with the density of sugar solutions",
    source: "ICUMSA SPS-4 (1998), Bubník et al. 1995",
};
/// The same once there is alcohol in it.
pub(super) const TABARIE: Formula = Formula {
    name: "mass balance of water, extract and alcohol, density by Tabarié's addition",
    source: "ICUMSA SPS-4, OIML R 22; held to Cutaia, Reid, Speers, J. Inst. Brew. 115 (2009) 318",
};

/// Something that is put in.
pub(super) struct Sweet {
    pub ingredient: Ingredient,
    pub of: Substance,
    /// As it stands in a sentence.
    pub name: &'static str,
}

pub(super) static WATER: Sweet = Sweet {
    ingredient: Ingredient::WATER,
    of: Substance::Water,
    name: "water",
};

/// From [`WITH`], [`MOISTURE`] and [`SYRUP`].
pub(super) fn sweet(given: &Given) -> Result<Sweet, Complaint> {
    by_key(given, given.choice("with"))
}

/// Honey of the moisture or of the index given.
pub(super) fn honey(given: &Given) -> Result<Ingredient, Complaint> {
    let water: MassPercent = given.need("moisture")?;
    if let Some(index) = given.maybe::<RefractiveIndex>("honey-index") {
        if given.typed("moisture") {
            return Err(given.complain("honey-index", "fill this or its water, not both"));
        }
        let water = honey::water(index, Celsius::computed(20.0))
            .map_err(|e| given.complain("honey-index", &e.to_string()))?;
        return Ok(Ingredient::honey(water));
    }
    if (DRIEST..=WETTEST).contains(&water.get()) {
        Ok(Ingredient::honey(water))
    } else {
        Err(given.complain(
            "moisture",
            &format!(
                "{} % is outside {DRIEST} to {WETTEST} %, which honey has",
                water.get()
            ),
        ))
    }
}

pub(super) fn by_key(given: &Given, key: &str) -> Result<Sweet, Complaint> {
    let (ingredient, of, name) = match key {
        "sugar" => (Ingredient::SUGAR, Substance::Sugar, "sugar"),
        "syrup" => {
            let brix: Brix = given.maybe("syrup").ok_or_else(|| {
                given.complain("syrup", "needed for a syrup or juice of your own, in °Bx")
            })?;
            let extract = MassPercent::computed(brix.get());
            (
                Ingredient::syrup(extract, Percent::computed(SYRUP_FERMENTS)),
                Substance::Syrup,
                "syrup",
            )
        }
        "water" => (Ingredient::WATER, Substance::Water, "water"),
        "honey" => (self::honey(given)?, Substance::Honey, "honey"),
        other => match listed(other) {
            Some(l) => (l.ingredient, substance(l), l.label),
            None => return Err(given.complain("with", "this is not in the list")),
        },
    };
    Ok(Sweet {
        ingredient,
        of,
        name,
    })
}

pub(super) fn substance(l: &Listed) -> Substance {
    match l.kind {
        Sort::Honey => Substance::Honey,
        Sort::Sugar => Substance::Sugar,
        Sort::Juice => Substance::Juice,
        Sort::Fruit | Sort::DriedFruit => Substance::Fruit,
    }
}

const COUNT: usize = LIST.len();

/// Every line of the list of ingredients as a choice, then the maker's own, then water.
const EVERYTHING: [Choice; COUNT + 2] = {
    let mut all = [Choice {
        key: "own",
        label: "something else, by its sugar",
    }; COUNT + 2];
    all[COUNT + 1] = Choice {
        key: "water",
        label: "water",
    };
    let mut i = 0;
    while i < COUNT {
        all[i] = Choice {
            key: LIST[i].key,
            label: LIST[i].label,
        };
        i += 1;
    }
    all
};

/// A row of what goes in.
pub(super) const INGREDIENT: &[Field] = &[
    Field {
        need: Need::Needed,
        ..Field::choice("what", "What", &EVERYTHING)
    },
    Field::number::<Kilograms>("mass", "Mass").hint("Fruit without stones."),
    Field::number::<MassPercent>("sugar", "Its sugar")
        .may_be_left()
        .hint("Of something that is not in the list, or fruit you know better."),
];

/// What a row of [`INGREDIENT`] brings.
pub(super) struct Brought {
    pub what: Sweet,
    pub mass: Kilograms,
    pub portion: Portion,
}

/// The row, with [`MOISTURE`] and [`HONEY_INDEX`] of all that is given.
pub(super) fn brought(given: &Given, row: &Given) -> Result<Brought, Complaint> {
    let mass: Kilograms = row.need("mass")?;
    let key = row.choice("what");
    let what = match (key, listed(key)) {
        ("own", _) => Sweet {
            ingredient: own(row)?,
            of: Substance::Other,
            name: "of your own",
        },
        ("honey" | "water", _) => by_key(given, key)?,
        (_, Some(l)) => Sweet {
            ingredient: better_known(row, l.ingredient)?,
            of: substance(l),
            name: l.label,
        },
        (_, None) => return Err(row.complain("what", "this is needed")),
    };
    let portion = what
        .ingredient
        .portion(mass)
        .map_err(|e| row.complain("mass", &e.to_string()))?;
    Ok(Brought {
        what,
        mass,
        portion,
    })
}

/// By its sugar, the rest taken as water.
fn own(row: &Given) -> Result<Ingredient, Complaint> {
    let sugar: MassPercent = row
        .maybe("sugar")
        .ok_or_else(|| row.complain("sugar", "needed for something that is not in the list"))?;
    let water = MassPercent::computed(100.0 - sugar.get());
    Ingredient::own(water, sugar).map_err(|e| row.complain("sugar", &e.to_string()))
}

/// With the sugar the maker knows of it, where that was given.
fn better_known(row: &Given, ingredient: Ingredient) -> Result<Ingredient, Complaint> {
    match row.maybe::<MassPercent>("sugar") {
        None => Ok(ingredient),
        Some(sugar) => {
            let water = ingredient.water().get().min(100.0 - sugar.get());
            Ingredient::own(MassPercent::computed(water), sugar)
                .map_err(|e| row.complain("sugar", &e.to_string()))
        }
    }
}

impl Sweet {
    pub fn dose(&self, mass: Kilograms) -> Dose {
        // What is only called after its kind needs no name of its own.
        let named = self.name != self.of.label();
        Dose {
            extract: Some(self.ingredient.extract()),
            name: if named {
                self.name.to_owned()
            } else {
                String::new()
            },
            ..Dose::of(self.of, mass)
        }
    }

    /// Mass, and for honey the volume it takes up.
    pub fn outcomes(&self, mass: Kilograms, low: Kilograms, high: Kilograms) -> Vec<Outcome> {
        let mut weigh = result("mass", capital(self.name), mass);
        if low < high {
            weigh = weigh.between(low, high);
        }
        let mut out = vec![weigh];
        if self.of == Substance::Honey {
            out.push(honey_volume(mass));
        }
        out
    }
}

pub(super) fn honey_volume(mass: Kilograms) -> Outcome {
    result(
        "honey-volume",
        "About so much honey by volume",
        Litres::computed(mass.get() / HONEY_KG_PER_LITRE),
    )
    .note("At 1.42 kg to the litre (common practice, no source). Weigh it: the volume of honey is a poor measure.")
}

/// 10 g from a kilogram up, else as fine as a kitchen scale.
pub(super) fn to_scale(mass: Kilograms) -> Kilograms {
    if mass.get() >= 1.0 {
        Kilograms::computed((mass.get() * 100.0).round() / 100.0)
    } else {
        weighed(mass)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weighed_as_a_kitchen_can() {
        let near = |kg: f64, grams: f64| {
            (to_scale(Kilograms::computed(kg)).get() * 1000.0 - grams).abs() < 1e-9
        };
        assert!(near(4.3146, 4310.0));
        assert!(near(0.5523, 552.0));
        assert!(near(0.00456, 4.6));
    }
}
