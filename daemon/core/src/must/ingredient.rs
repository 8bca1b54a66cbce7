//! What goes into a must, and what of it dissolves.
//!
//! Honey, sugar, syrup and juice dissolve whole: all that is not water is extract. Of fruit the
//! water and the sugars come out and the rest stays behind as pulp; that much of its sugar does,
//! and how soon, is uncertain, and fruit of one kind differs by a fifth and more.
//!
//! Composition by mass from the USDA National Nutrient Database, SR 27 (2014), abbreviated file
//! (as typed out in a public copy); the item's number stands beside each. Honey's water is the
//! mean of 490 American honeys in USDA Technical Bulletin 1261 (White, Riethof, Subers, Kushnir
//! 1962; rounded, as quoted by Crane 1980). Not in the list because SR 27 leaves their sugars
//! blank: blackcurrants, elderberries, gooseberries.

use crate::liquid::Liquid;
use crate::units::{Kilograms, MassPercent, OutOfRange, Percent};

/// What share of honey's solids a yeast takes in the end, %. Our choice between what White et al.
/// 1962 find of simple sugars (85 % of the solids) and of all sugars with higher ones (97 %).
pub const HONEY_FERMENTS: Percent = Percent::computed(94.0);
/// The ends of that range, %.
pub const HONEY_FERMENTS_LEAST: Percent = Percent::computed(85.0);
pub const HONEY_FERMENTS_MOST: Percent = Percent::computed(97.0);

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ingredient {
    /// % by mass.
    water: f64,
    /// What dissolves, % by mass; with `water` at most 100.
    extract: f64,
    /// Of the extract, %.
    ferments: f64,
}

/// What some mass of an ingredient brings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Portion {
    pub liquid: Liquid,
    /// What does not dissolve: skins, fibre.
    pub pulp: Kilograms,
    /// Of the extract, what a yeast can take.
    pub fermentable: Kilograms,
}

/// Why an ingredient cannot be.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{water} % water and {extract} % sugar are more than the whole")]
pub struct MoreThanWhole {
    pub water: f64,
    pub extract: f64,
}

impl Ingredient {
    pub const WATER: Ingredient = Ingredient {
        water: 100.0,
        extract: 0.0,
        ferments: 0.0,
    };
    /// White, granulated (19335).
    pub const SUGAR: Ingredient = Ingredient::dissolving(0.02, 100.0);

    /// Honey of this moisture.
    pub const fn honey(water: MassPercent) -> Ingredient {
        Ingredient::dissolving(water.get(), HONEY_FERMENTS.get())
    }

    /// All that is not water is extract.
    const fn dissolving(water: f64, ferments: f64) -> Ingredient {
        Ingredient {
            water,
            extract: 100.0 - water,
            ferments,
        }
    }

    /// A juice or syrup by its °Brix: extract, the rest water. `ferments` is its sugars' share of
    /// that.
    pub const fn syrup(extract: MassPercent, ferments: Percent) -> Ingredient {
        Ingredient::dissolving(100.0 - extract.get(), ferments.get())
    }

    /// One of the maker's own, with pulp for what is neither.
    ///
    /// # Errors
    /// More than the whole.
    pub fn own(water: MassPercent, sugar: MassPercent) -> Result<Ingredient, MoreThanWhole> {
        let (water, extract) = (water.get(), sugar.get());
        if water + extract > 100.0 {
            return Err(MoreThanWhole { water, extract });
        }
        Ok(Ingredient {
            water,
            extract,
            ferments: 100.0,
        })
    }

    pub const fn extract(self) -> MassPercent {
        MassPercent::computed(self.extract)
    }

    pub const fn water(self) -> MassPercent {
        MassPercent::computed(self.water)
    }

    pub const fn ferments(self) -> Percent {
        Percent::computed(self.ferments)
    }

    /// # Errors
    /// A mass below zero.
    pub fn portion(self, mass: Kilograms) -> Result<Portion, OutOfRange> {
        let kg = Kilograms::new(mass.get())?.get();
        let extract = kg * self.extract / 100.0;
        let water = kg * self.water / 100.0;
        Ok(Portion {
            liquid: Liquid::of(
                Kilograms::computed(water),
                Kilograms::computed(extract),
                Kilograms::computed(0.0),
            )?,
            pulp: Kilograms::computed((kg - water - extract).max(0.0)),
            fermentable: Kilograms::computed(extract * self.ferments / 100.0),
        })
    }
}

impl Portion {
    pub const NOTHING: Portion = Portion {
        liquid: Liquid::NOTHING,
        pulp: Kilograms::computed(0.0),
        fermentable: Kilograms::computed(0.0),
    };

    #[must_use]
    pub fn with(self, other: Portion) -> Portion {
        let sum = |a: Kilograms, b: Kilograms| Kilograms::computed(a.get() + b.get());
        Portion {
            liquid: self.liquid.with(other.liquid),
            pulp: sum(self.pulp, other.pulp),
            fermentable: sum(self.fermentable, other.fermentable),
        }
    }
}

/// A line of the table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Listed {
    /// Small letters and hyphens, never changed.
    pub key: &'static str,
    pub label: &'static str,
    pub kind: Sort,
    pub ingredient: Ingredient,
    /// Number of the item in SR 27; empty where another source is named.
    pub item: &'static str,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sort {
    Honey,
    Sugar,
    Juice,
    Fruit,
    DriedFruit,
}

/// Mean water of 490 honeys, % (TB 1261, as quoted by Crane 1980).
pub const MEAN_MOISTURE: MassPercent = MassPercent::computed(17.2);

const fn fruit(
    key: &'static str,
    label: &'static str,
    kind: Sort,
    item: &'static str,
    water: f64,
    sugars: f64,
) -> Listed {
    Listed {
        key,
        label,
        kind,
        ingredient: Ingredient {
            water,
            extract: sugars,
            ferments: 100.0,
        },
        item,
    }
}

const fn juice(
    key: &'static str,
    label: &'static str,
    item: &'static str,
    water: f64,
    sugars: f64,
) -> Listed {
    Listed {
        key,
        label,
        kind: Sort::Juice,
        ingredient: Ingredient::dissolving(water, 100.0 * sugars / (100.0 - water)),
        item,
    }
}

pub const LIST: &[Listed] = &[
    Listed {
        key: "honey",
        label: "honey",
        kind: Sort::Honey,
        ingredient: Ingredient::honey(MEAN_MOISTURE),
        item: "",
    },
    Listed {
        key: "sugar",
        label: "white sugar",
        kind: Sort::Sugar,
        ingredient: Ingredient::SUGAR,
        item: "19335",
    },
    juice("apple-juice", "apple juice", "09016", 88.24, 9.62),
    juice("grape-juice", "grape juice", "09135", 84.51, 14.20),
    fruit("apple", "apples", Sort::Fruit, "09003", 85.56, 10.39),
    fruit(
        "blackberry",
        "blackberries",
        Sort::Fruit,
        "09042",
        88.15,
        4.88,
    ),
    fruit(
        "blueberry",
        "blueberries",
        Sort::Fruit,
        "09050",
        84.21,
        9.96,
    ),
    fruit(
        "cherry-sour",
        "sour cherries, stoned",
        Sort::Fruit,
        "09063",
        86.13,
        8.49,
    ),
    fruit(
        "cherry-sweet",
        "sweet cherries, stoned",
        Sort::Fruit,
        "09070",
        82.25,
        12.82,
    ),
    fruit(
        "cranberry",
        "cranberries",
        Sort::Fruit,
        "09078",
        87.13,
        4.04,
    ),
    fruit(
        "currant",
        "red or white currants",
        Sort::Fruit,
        "09084",
        83.95,
        7.37,
    ),
    fruit("grape", "grapes", Sort::Fruit, "09132", 80.54, 15.48),
    fruit(
        "peach",
        "peaches, stoned",
        Sort::Fruit,
        "09236",
        88.87,
        8.39,
    ),
    fruit("pear", "pears", Sort::Fruit, "09252", 83.96, 9.75),
    fruit("plum", "plums, stoned", Sort::Fruit, "09279", 87.23, 9.92),
    fruit(
        "raspberry",
        "raspberries",
        Sort::Fruit,
        "09302",
        85.75,
        4.42,
    ),
    fruit(
        "strawberry",
        "strawberries",
        Sort::Fruit,
        "09316",
        90.95,
        4.89,
    ),
    fruit(
        "apple-dried",
        "dried apples",
        Sort::DriedFruit,
        "09011",
        31.76,
        57.19,
    ),
    fruit(
        "apricot-dried",
        "dried apricots",
        Sort::DriedFruit,
        "09032",
        30.89,
        53.44,
    ),
    fruit(
        "cranberry-dried",
        "dried cranberries, sweetened",
        Sort::DriedFruit,
        "09079",
        16.00,
        65.00,
    ),
    fruit(
        "currant-dried",
        "dried Zante currants",
        Sort::DriedFruit,
        "09085",
        19.21,
        67.28,
    ),
    fruit(
        "date",
        "dates (Deglet Noor), stoned",
        Sort::DriedFruit,
        "09087",
        20.53,
        63.35,
    ),
    fruit(
        "fig-dried",
        "dried figs",
        Sort::DriedFruit,
        "09094",
        30.05,
        47.92,
    ),
    fruit(
        "prune",
        "prunes, stoned",
        Sort::DriedFruit,
        "09291",
        30.92,
        38.13,
    ),
    fruit("raisin", "raisins", Sort::DriedFruit, "09298", 15.43, 59.19),
];

pub fn listed(key: &str) -> Option<&'static Listed> {
    LIST.iter().find(|l| l.key == key)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_list_is_sound() {
        let mut keys: Vec<&str> = LIST.iter().map(|l| l.key).collect();
        keys.sort_unstable();
        keys.dedup();
        assert_eq!(keys.len(), LIST.len());
        for l in LIST {
            let i = l.ingredient;
            assert!(i.water + i.extract <= 100.0 + 1e-9, "{}", l.key);
            assert!(i.ferments > 0.0 && i.ferments <= 100.0, "{}", l.key);
            let whole = matches!(l.kind, Sort::Honey | Sort::Sugar | Sort::Juice);
            assert_eq!(
                whole,
                (i.water + i.extract - 100.0).abs() < 1e-9,
                "{}",
                l.key
            );
        }
    }

    #[test]
    fn nothing_is_lost() {
        for l in LIST {
            let p = l.ingredient.portion(Kilograms::computed(2.5)).unwrap();
            let sum = p.liquid.mass().get() + p.pulp.get();
            assert!((sum - 2.5).abs() < 1e-12, "{}", l.key);
            assert!(p.fermentable.get() <= p.liquid.extract().get() + 1e-12);
        }
        assert!(
            Ingredient::SUGAR
                .portion(Kilograms::computed(-1.0))
                .is_err()
        );
    }

    #[test]
    fn own_entries_must_add_up() {
        let m = |v| MassPercent::new(v).unwrap();
        assert!(Ingredient::own(m(80.0), m(12.0)).is_ok());
        let error = Ingredient::own(m(80.0), m(30.0)).unwrap_err();
        assert_eq!(
            error.to_string(),
            "80 % water and 30 % sugar are more than the whole"
        );
    }
}
