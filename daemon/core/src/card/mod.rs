//! The card of a mead: one page of what it is and how it came to be, made from its record and from
//! nothing else. What the record does not tell is named ([`Card::missing`]), never guessed.
//!
//! A [`Card`] is plain data. As JSON it is described by `daemon/core/card.schema.json` (JSON Schema
//! 2020-12); names in it are never changed or taken away within a [`VERSION`], more may come. Times
//! are RFC 3339 in UTC; every number has its unit in its name. [`csv`] writes its log as a file of
//! events that [`crate::files::events`] reads back.

pub mod csv;
mod made;
mod record;
mod said;
mod when;

pub use made::card;
pub use record::{Kin, Place, Record};

use serde::{Deserialize, Serialize};

use crate::deed::{Deed, Dose, Substance, What};
use crate::ids::BatchId;
use crate::time::Moment;
use crate::units::{
    AbvPercent, Celsius, Energy, GramsPerLitre, Gravity, Kilograms, Litres, MassPercent,
    MgPerLitre, Ph,
};

/// Of the shape below.
pub const VERSION: u32 = 1;

/// What describes the shape: JSON Schema 2020-12.
pub const SCHEMA: &str = include_str!("../../card.schema.json");

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Card {
    /// [`VERSION`].
    pub version: u32,
    /// When it was made.
    #[serde(with = "when")]
    pub as_of: Moment,
    pub mead: Mead,
    /// In order of time.
    pub places: Vec<PlaceLine>,
    /// It was poured from these.
    pub parents: Vec<Relative>,
    /// These were poured from it.
    pub children: Vec<Relative>,
    pub ingredients: Vec<Ingredient>,
    /// Each from its beginning to that of the next, in order of time.
    pub steps: Vec<Step>,
    pub gravity: Gravities,
    pub strength: Strength,
    pub volume: Volumes,
    /// While it fermented.
    pub temperature: Option<Temperatures>,
    pub ph: Option<PhRange>,
    pub sweetness: Option<Sweetness>,
    pub sulphites: Sulphites,
    /// What whoever drinks it has to be told, or asked about.
    pub allergens: Vec<String>,
    pub cost: Option<Cost>,
    pub tasting: Vec<Tasting>,
    /// One point a day: medians of the hours.
    pub curve: Vec<Point>,
    /// In order of time, as it stands after corrections, inherited lines first.
    pub log: Vec<Line>,
    /// What the record does not tell.
    pub missing: Vec<String>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Mead {
    pub number: BatchId,
    pub name: String,
    /// In the maker's own words.
    pub style: String,
    pub yeast: String,
    pub honey: String,
    pub note: String,
    /// Of the mead it was split off from, if it was.
    #[serde(with = "when")]
    pub pitched: Moment,
    /// When it became a mead of its own: the pitch, or the split.
    #[serde(with = "when")]
    pub began: Moment,
    /// `None` while it is still in the book.
    #[serde(with = "when::maybe")]
    pub ended: Option<Moment>,
    /// From the pitch to the end, or to now.
    pub days: f64,
}

/// A stay in a vessel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct PlaceLine {
    pub vessel: String,
    /// The mead it was then.
    pub mead: String,
    #[serde(with = "when")]
    pub from: Moment,
    /// `None` where it still is.
    #[serde(with = "when::maybe")]
    pub until: Option<Moment>,
    pub days: f64,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Relative {
    pub number: BatchId,
    pub name: String,
    #[serde(with = "when")]
    pub at: Moment,
    /// `None` where nobody measured it.
    pub volume_l: Option<Litres>,
}

/// Something that was weighed into it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Ingredient {
    pub of: Substance,
    /// May be empty.
    pub name: String,
    pub extract_percent: Option<MassPercent>,
    /// Put in since it is a mead of its own.
    pub own_kg: Kilograms,
    /// Its share of what the meads before it were given; `None` where nobody knows how much of
    /// them came along.
    pub inherited_kg: Option<Kilograms>,
    /// What of both was poured on into other meads; `None` as there.
    pub poured_kg: Option<Kilograms>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Phase {
    Fermenting,
    /// The verdict said it had come to its end.
    Settled,
    Stabilised,
    Sweetened,
    /// In bottles or a keg.
    Sealed,
}

impl Phase {
    pub fn label(self) -> &'static str {
        match self {
            Phase::Fermenting => "fermenting",
            Phase::Settled => "settled",
            Phase::Stabilised => "stabilised",
            Phase::Sweetened => "sweetened",
            Phase::Sealed => "sealed",
        }
    }
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Step {
    pub step: Phase,
    #[serde(with = "when")]
    pub from: Moment,
    /// `None` of the one it is in.
    #[serde(with = "when::maybe")]
    pub until: Option<Moment>,
    pub days: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Gravities {
    /// As measured before the pitch.
    pub original_sg: Option<Gravity>,
    /// What it would have begun at, had everything been in from the start.
    pub with_additions_sg: Option<Gravity>,
    /// The last that was read.
    pub last_sg: Option<Gravity>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Strength {
    /// Carried through the log by mass: splits, blends, additions and losses counted.
    pub by_mass_percent: Option<AbvPercent>,
    /// From original and last gravity alone; `None` where something that brings sugar or water was
    /// put in since, or several meads were poured together.
    pub by_gravities_percent: Option<AbvPercent>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Volumes {
    /// As a must, or as what was poured together.
    pub began_l: Option<Litres>,
    /// Into other meads.
    pub poured_l: Option<Litres>,
    /// With lees, hoses and samples.
    pub lost_l: Option<Litres>,
    /// What there is of it, or was at its end.
    pub made_l: Option<Litres>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Temperatures {
    pub lowest_c: Celsius,
    pub median_c: Celsius,
    pub highest_c: Celsius,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct PhRange {
    pub first: Ph,
    pub last: Ph,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Sweetness {
    /// What is left of honey and fruit, sugar or not.
    pub residual_extract_g_per_l: GramsPerLitre,
    pub energy_kcal_per_100ml: Energy,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Sulphites {
    /// Total sulphur dioxide by what was put in; `None` where it cannot be told.
    pub added_mg_per_l: Option<MgPerLitre>,
    pub says: String,
}

/// In the maker's money.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Cost {
    /// What the money is called.
    pub money: String,
    /// Of all that is in it, what came along from other meads counted by share, and of what was
    /// lost of it.
    pub in_all: f64,
    pub per_litre: Option<f64>,
    pub bottle_l: Litres,
    /// Of what is in a bottle, and of the bottle where the list has its price.
    pub per_bottle: Option<f64>,
    /// Whether the bottle itself is counted.
    pub with_bottle: bool,
    /// What the list has no price of: the cost is at least what is said.
    pub without_price: Vec<String>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Tasting {
    #[serde(with = "when")]
    pub at: Moment,
    pub note: String,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Point {
    /// Since the pitch.
    pub day: u32,
    pub gravity_sg: Option<Gravity>,
    pub temperature_c: Option<Celsius>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Line {
    #[serde(with = "when")]
    pub at: Moment,
    pub what: What,
    /// From before it was a mead of its own.
    pub inherited: bool,
    /// As read then.
    pub gravity_sg: Option<Gravity>,
    /// As last read before; `None` where something that brings sugar or water went in since.
    pub gravity_before_sg: Option<Gravity>,
    pub temperature_c: Option<Celsius>,
    pub ph: Option<Ph>,
    /// In the vessel after it.
    pub volume_l: Option<Litres>,
    pub doses: Vec<DoseLine>,
    pub note: String,
    /// Why it was done while its gate was shut.
    pub despite: String,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct DoseLine {
    pub of: Substance,
    pub name: String,
    pub mass_kg: Kilograms,
    pub extract_percent: Option<MassPercent>,
}

impl Line {
    /// As it stands in the book.
    pub fn deed(&self) -> Deed {
        let dose = |d: &DoseLine| Dose {
            of: d.of,
            mass: d.mass_kg,
            name: d.name.clone(),
            extract: d.extract_percent,
        };
        Deed {
            at: self.at,
            what: self.what,
            gravity: self.gravity_sg,
            temperature: self.temperature_c,
            note: self.note.clone(),
            ph: self.ph,
            volume: self.volume_l,
            doses: self.doses.iter().map(dose).collect(),
            despite: self.despite.clone(),
        }
    }
}

impl Ingredient {
    /// What is this mead's, where that is known: what was left behind with the lees included.
    pub fn mass(&self) -> Option<Kilograms> {
        let inherited = self.inherited_kg?.get();
        let poured = self.poured_kg?.get();
        Some(Kilograms::computed(self.own_kg.get() + inherited - poured))
    }

    /// "linden honey", "fig", "water".
    pub fn called(&self) -> String {
        called(self.of, &self.name)
    }
}

/// A good by its own name, with what it is where the name does not say.
pub fn called(of: Substance, name: &str) -> String {
    let kind = of.label();
    let name = name.trim();
    if name.is_empty() {
        return kind.to_owned();
    }
    let says =
        matches!(of, Substance::Fruit | Substance::Other) || name.to_lowercase().contains(kind);
    if says {
        name.to_owned()
    } else {
        format!("{name} {kind}")
    }
}
