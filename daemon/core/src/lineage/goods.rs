//! What is in a mead and what went into it, which all fall in proportion when some of it leaves.

use crate::deed::{Dose, Substance};
use crate::liquid::Liquid;
use crate::sulphite::Salt;
use crate::units::Kilograms;

#[derive(Clone, Debug, PartialEq, Default)]
pub struct Goods {
    pub liquid: Liquid,
    /// What was given, each thing once.
    pub doses: Vec<Dose>,
    /// Of what was put in, in the maker's money.
    pub cost: f64,
}

impl Goods {
    #[must_use]
    pub fn with(mut self, other: Goods) -> Goods {
        self.liquid = self.liquid.with(other.liquid);
        self.cost += other.cost;
        for dose in other.doses {
            let same =
                |d: &&mut Dose| (d.of, &d.name, d.extract) == (dose.of, &dose.name, dose.extract);
            match self.doses.iter_mut().find(same) {
                Some(known) => known.mass = Kilograms::computed(known.mass.get() + dose.mass.get()),
                None => self.doses.push(dose),
            }
        }
        self
    }

    /// A share of everything, from 0 to 1.
    #[must_use]
    pub fn part(&self, share: f64) -> Goods {
        let share = share.clamp(0.0, 1.0);
        let dose = |d: &Dose| Dose {
            mass: Kilograms::computed(d.mass.get() * share),
            ..d.clone()
        };
        Goods {
            liquid: self.liquid.part(share),
            doses: self.doses.iter().map(dose).collect(),
            cost: self.cost * share,
        }
    }

    /// Mass of what was given of something, by its share of each substance.
    pub fn given(&self, share: impl Fn(Substance) -> Option<f64>) -> Kilograms {
        let given = self
            .doses
            .iter()
            .filter_map(|d| Some(d.mass.get() * share(d.of)?));
        Kilograms::computed(given.sum())
    }
}

/// Share of a salt that is sulphur dioxide.
pub fn sulphur_dioxide(of: Substance) -> Option<f64> {
    match of {
        Substance::PotassiumMetabisulphite => Some(Salt::Potassium.sulphur_dioxide()),
        Substance::SodiumMetabisulphite => Some(Salt::Sodium.sulphur_dioxide()),
        _ => None,
    }
}

/// What a dose adds to the liquid: its extract and its water. Salts and acids are too little to count.
pub(crate) fn dissolved(dose: &Dose) -> Option<Liquid> {
    let extract = match dose.of {
        Substance::Water => 0.0,
        Substance::Honey
        | Substance::Sugar
        | Substance::Syrup
        | Substance::Juice
        | Substance::Fruit => dose.extract?.get() / 100.0,
        _ => return None,
    };
    let mass = dose.mass.get();
    Liquid::of(
        Kilograms::computed(mass * (1.0 - extract)),
        Kilograms::computed(mass * extract),
        Kilograms::computed(0.0),
    )
    .ok()
}
