//! One vessel's truth by either generator.

use ebbmark_demo_feeds::plant::{self, Event, Plant, Temperatures, Truth};

use crate::second::{self, Second};

#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Generator {
    /// Balances of matter with nitrogen-limited growth.
    Balances,
    /// Two sugars, logistic growth, alcohol after Luong.
    TwoSugars,
}

impl Generator {
    pub const ALL: [Generator; 2] = [Generator::Balances, Generator::TwoSugars];

    pub fn name(self) -> &'static str {
        match self {
            Generator::Balances => "balances",
            Generator::TwoSugars => "two-sugars",
        }
    }
}

/// What was pitched, in terms both generators understand.
#[derive(Clone, Debug)]
pub struct Recipe {
    pub sugar: f64,
    pub nitrogen: f64,
    pub pitch: f64,
    pub body: f64,
    pub lag_hours: f64,
    pub tolerance: f64,
    pub cold_stop: f64,
    pub temperatures: Temperatures,
    /// Of the second generator only.
    pub glucose: f64,
    pub bend: f64,
    pub fading: f64,
}

#[derive(Clone, Debug)]
pub enum World {
    Balances(Box<Plant>),
    TwoSugars(Box<Second>),
}

impl World {
    pub fn new(generator: Generator, recipe: &Recipe) -> World {
        let temperatures = recipe.temperatures.clone();
        match generator {
            Generator::Balances => {
                let must = plant::Must {
                    sugar: recipe.sugar,
                    nitrogen: recipe.nitrogen,
                    pitch: recipe.pitch,
                    body: recipe.body,
                    lag_hours: recipe.lag_hours,
                    tolerance: Some(recipe.tolerance),
                    cold_stop: Some(recipe.cold_stop),
                };
                World::Balances(Box::new(Plant::new(must, temperatures, &[])))
            }
            Generator::TwoSugars => {
                let must = second::Must {
                    sugar: recipe.sugar,
                    glucose: recipe.glucose,
                    nitrogen: recipe.nitrogen,
                    pitch: recipe.pitch,
                    body: recipe.body,
                    lag_hours: recipe.lag_hours,
                    tolerance: recipe.tolerance,
                    bend: recipe.bend,
                    fading: recipe.fading,
                    coldest: recipe.cold_stop,
                };
                World::TwoSugars(Box::new(Second::new(must, temperatures)))
            }
        }
    }

    pub fn truth(&self) -> Truth {
        match self {
            World::Balances(w) => w.truth(),
            World::TwoSugars(w) => w.truth(),
        }
    }

    pub fn advance(&mut self, hours: f64) -> Truth {
        match self {
            World::Balances(w) => w.advance(hours),
            World::TwoSugars(w) => w.advance(hours),
        }
    }

    pub fn happens(&mut self, event: Event) {
        match self {
            World::Balances(w) => w.happens(event),
            World::TwoSugars(w) => w.happens(event),
        }
    }

    /// From here on at one temperature, °C.
    pub fn keep_at(&mut self, celsius: f64) {
        match self {
            World::Balances(w) => w.keep_at(celsius),
            World::TwoSugars(w) => w.keep_at(celsius),
        }
    }

    /// SG it would still fall if nothing stopped it but its tolerance or the end of the sugar.
    pub fn could_fall(&self) -> f64 {
        match self {
            World::Balances(w) => w.could_fall(),
            World::TwoSugars(w) => w.could_fall(),
        }
    }
}
