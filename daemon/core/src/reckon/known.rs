//! What is on record of a vessel that a reckoning may be filled with.

use std::collections::BTreeMap;

use crate::time::Moment;
use crate::units::{Celsius, Quantity};
use crate::verdict::outcome::Gates;

/// A fact of a vessel or of the cellar.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fact {
    /// Now, smoothed.
    Gravity,
    /// Before fermentation, with what additions brought.
    OriginalGravity,
    /// Where it should end.
    ExpectedEnd,
    Strength,
    Volume,
    Temperature,
    /// The warmest since it stopped falling: what carbon dioxide is left in it went by that.
    WarmestSinceEnd,
    Ph,
    /// What it is to have in the glass.
    PlannedGravity,
    /// What the yeast bears.
    Tolerance,
    /// SG a day.
    FallPerDay,
    /// The most that may still ferment, SG: the upper end of what the verdict leaves.
    MostLeft,
    /// When it was pitched.
    Pitched,
    /// How long ago that was.
    SincePitch,
    /// How many nutrient steps are planned, what they go by, and how many were given.
    NutrientSteps,
    NutrientBy,
    StepsGiven,
    /// Total sulphur dioxide that was added so far, mg/L in what is there now.
    SulphiteSoFar,
    /// Sorbic acid that was added so far, mg/L in what is there now.
    SorbicSoFar,
    /// Diammonium phosphate since the pitch, kg.
    PhosphateSoFar,
    /// Any other nutrient since the pitch, kg.
    NutrientSoFar,
    /// Yes when sorbate or heat has stopped its yeast.
    Stabilised,
    /// Rows: every vessel that ferments, with volume and fall.
    Fermenting,
}

/// The value of a fact, as plain as it goes.
#[derive(Clone, Debug, PartialEq)]
pub enum Filling {
    /// In the unit of the field's measure.
    Number(f64),
    /// A choice's key, or words.
    Words(String),
    When(Moment),
    Rows(Vec<Row>),
}

/// Field and filling, for one row.
pub type Row = Vec<(&'static str, Filling)>;

/// All that is known of a vessel; nothing without one.
#[derive(Clone, Debug, Default)]
pub struct Known {
    /// With where each came from, in words that follow "from": "the float, 2 hours ago".
    facts: BTreeMap<Fact, (Filling, String)>,
    pub gates: Option<Gates>,
    /// Single temperature readings in order of time, as far as the edge was asked for them.
    pub trace: Vec<(Moment, Celsius)>,
}

impl Known {
    pub fn set<Q: Quantity>(&mut self, fact: Fact, value: Q, from: impl Into<String>) {
        self.fill(fact, Filling::Number(value.get()), from);
    }

    pub fn fill(&mut self, fact: Fact, filling: Filling, from: impl Into<String>) {
        self.facts.insert(fact, (filling, from.into()));
    }

    pub fn get(&self, fact: Fact) -> Option<(&Filling, &str)> {
        self.facts
            .get(&fact)
            .map(|(filling, from)| (filling, from.as_str()))
    }
}
