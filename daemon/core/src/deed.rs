//! What the maker did to a vessel, and the readings taken by hand: the lines of the log.

use serde::{Deserialize, Serialize};

use crate::time::{Moment, Span};
use crate::units::{Celsius, Gravity, Kilograms, Litres, MassPercent, Ph};

/// Nobody logs a mead older than this; a year typed wrong is.
pub const EARLIEST: Moment = Moment(946_684_800_000);
/// A phone's clock, or another sender's, may run ahead of the board's.
const AHEAD: Span = Span::minutes(10);

/// Whether something can have been done then.
///
/// # Errors
/// Why not, to follow the time.
pub fn dated(at: Moment, now: Moment) -> Result<(), &'static str> {
    if at < EARLIEST {
        return Err("is before the year 2000");
    }
    if at > now + AHEAD {
        return Err("is still to come");
    }
    Ok(())
}

/// One line of the log. Never changed once written; a correction is a later line that
/// replaces it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Deed {
    pub at: Moment,
    pub what: What,
    /// For a hand reading the gravity corrected to 20 °C; for a test ferment that of its jar; for
    /// others the gravity measured after the deed, when it was. [`Deed::read`] leaves jars out.
    pub gravity: Option<Gravity>,
    pub temperature: Option<Celsius>,
    /// What and how much, in the maker's words ("1.2 kg dried fig").
    pub note: String,
    /// As measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ph: Option<Ph>,
    /// In the vessel after it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub volume: Option<Litres>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub doses: Vec<Dose>,
    /// Why it was done while the gate was shut; empty when it was open or there is none.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub despite: String,
}

impl Deed {
    /// Nothing but what was done and when.
    pub fn new(at: Moment, what: What) -> Deed {
        Deed {
            at,
            what,
            gravity: None,
            temperature: None,
            note: String::new(),
            ph: None,
            volume: None,
            doses: Vec::new(),
            despite: String::new(),
        }
    }

    /// The gravity that was read of what is in the vessel.
    pub fn read(&self) -> Option<Gravity> {
        self.gravity.filter(|_| self.what != What::TestFerment)
    }

    /// Whether its fields go together: a test ferment is a gravity, and nothing of it is the mead's.
    ///
    /// # Errors
    /// The field that is missing or does not belong there.
    pub fn check(&self) -> Result<(), Unfit> {
        if self.what != What::TestFerment {
            return Ok(());
        }
        let strays = [
            ("ph", self.ph.is_some()),
            ("volume", self.volume.is_some()),
            ("doses", !self.doses.is_empty()),
            ("despite", !self.despite.is_empty()),
        ];
        match strays.into_iter().find(|(_, there)| *there) {
            _ if self.gravity.is_none() => Err(Unfit::NoGravity),
            Some((field, _)) => Err(Unfit::Stray { field }),
            None => Ok(()),
        }
    }
}

/// Why a line is not taken: with `field`, as in JSON, something is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unfit {
    #[error("a test ferment is noted with the gravity of its jar, at 20 °C")]
    NoGravity,
    #[error("this does not go with a test ferment, which tells of a jar and not of the vessel")]
    Stray { field: &'static str },
}

impl Unfit {
    pub fn field(self) -> &'static str {
        match self {
            Unfit::NoGravity => "gravity",
            Unfit::Stray { field } => field,
        }
    }
}

/// Something that was put in, weighed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Dose {
    pub of: Substance,
    pub mass: Kilograms,
    /// What it is called: the honey's or fruit's name. May be empty.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub name: String,
    /// Its extract by mass, where it brings any.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub extract: Option<MassPercent>,
}

impl Dose {
    /// Of something without a name of its own that brings no extract.
    pub fn of(of: Substance, mass: Kilograms) -> Dose {
        Dose {
            of,
            mass,
            name: String::new(),
            extract: None,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Substance {
    Honey,
    Sugar,
    Syrup,
    Juice,
    Fruit,
    Water,
    DiammoniumPhosphate,
    /// Any other nutrient for the yeast.
    Nutrient,
    PotassiumMetabisulphite,
    SodiumMetabisulphite,
    PotassiumSorbate,
    TartaricAcid,
    MalicAcid,
    CitricAcid,
    LacticAcid,
    PotassiumBicarbonate,
    PotassiumCarbonate,
    CalciumCarbonate,
    Other,
}

impl Substance {
    pub const ALL: [Substance; 19] = [
        Substance::Honey,
        Substance::Sugar,
        Substance::Syrup,
        Substance::Juice,
        Substance::Fruit,
        Substance::Water,
        Substance::DiammoniumPhosphate,
        Substance::Nutrient,
        Substance::PotassiumMetabisulphite,
        Substance::SodiumMetabisulphite,
        Substance::PotassiumSorbate,
        Substance::TartaricAcid,
        Substance::MalicAcid,
        Substance::CitricAcid,
        Substance::LacticAcid,
        Substance::PotassiumBicarbonate,
        Substance::PotassiumCarbonate,
        Substance::CalciumCarbonate,
        Substance::Other,
    ];

    /// The name used in JSON, forms and the database.
    pub fn key(self) -> &'static str {
        match self {
            Substance::Honey => "honey",
            Substance::Sugar => "sugar",
            Substance::Syrup => "syrup",
            Substance::Juice => "juice",
            Substance::Fruit => "fruit",
            Substance::Water => "water",
            Substance::DiammoniumPhosphate => "diammonium-phosphate",
            Substance::Nutrient => "nutrient",
            Substance::PotassiumMetabisulphite => "potassium-metabisulphite",
            Substance::SodiumMetabisulphite => "sodium-metabisulphite",
            Substance::PotassiumSorbate => "potassium-sorbate",
            Substance::TartaricAcid => "tartaric-acid",
            Substance::MalicAcid => "malic-acid",
            Substance::CitricAcid => "citric-acid",
            Substance::LacticAcid => "lactic-acid",
            Substance::PotassiumBicarbonate => "potassium-bicarbonate",
            Substance::PotassiumCarbonate => "potassium-carbonate",
            Substance::CalciumCarbonate => "calcium-carbonate",
            Substance::Other => "other",
        }
    }

    pub fn from_key(key: &str) -> Option<Substance> {
        Substance::ALL.into_iter().find(|s| s.key() == key)
    }

    /// As it stands in a sentence.
    pub fn label(self) -> &'static str {
        match self {
            Substance::Honey => "honey",
            Substance::Sugar => "sugar",
            Substance::Syrup => "syrup",
            Substance::Juice => "juice",
            Substance::Fruit => "fruit",
            Substance::Water => "water",
            Substance::DiammoniumPhosphate => "diammonium phosphate",
            Substance::Nutrient => "nutrient",
            Substance::PotassiumMetabisulphite => "potassium metabisulphite",
            Substance::SodiumMetabisulphite => "sodium metabisulphite",
            Substance::PotassiumSorbate => "potassium sorbate",
            Substance::TartaricAcid => "tartaric acid",
            Substance::MalicAcid => "malic acid",
            Substance::CitricAcid => "citric acid",
            Substance::LacticAcid => "lactic acid",
            Substance::PotassiumBicarbonate => "potassium bicarbonate",
            Substance::PotassiumCarbonate => "potassium carbonate",
            Substance::CalciumCarbonate => "calcium carbonate",
            Substance::Other => "other",
        }
    }
}

/// How a hand reading was taken, kept beside its corrected value.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct HandFacts {
    /// As read off the stem.
    pub read: Gravity,
    pub sample: Celsius,
    /// The temperature the hydrometer is marked for.
    pub reference: Celsius,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum What {
    Pitch,
    Nutrient,
    /// Honey, fruit or anything else that brings sugar or volume.
    Addition,
    /// Stirring the yeast back up, or driving gas out.
    Rouse,
    /// What floats, pushed back under.
    PushDown,
    /// Fruit or spice taken out again; the mead stays.
    TakeOut,
    Rack,
    /// Split off into, or out of, another vessel.
    Split,
    /// Another mead was poured in: its sugar and strength move the gravity as an addition does.
    Blend,
    Stabilise,
    /// Treated with heat: stops the yeast as stabilising does.
    Pasteurise,
    Sweeten,
    /// Something stirred in that makes it clear.
    Fine,
    /// Kegged or bottled.
    Seal,
    Carbonate,
    HandReading,
    /// A reading of a jar of it that ferments out warm, with plenty of fresh yeast. Its gravity is the
    /// jar's, not the vessel's.
    TestFerment,
    /// Nothing but a taste of it; never changes the verdict.
    Taste,
    /// The vessel, while nothing is in it.
    Clean,
    /// Anything else worth remembering; never changes the verdict.
    Remark,
}

impl What {
    pub const ALL: [What; 20] = [
        What::Pitch,
        What::Nutrient,
        What::Addition,
        What::Rouse,
        What::PushDown,
        What::TakeOut,
        What::Rack,
        What::Split,
        What::Blend,
        What::Stabilise,
        What::Pasteurise,
        What::Sweeten,
        What::Fine,
        What::Seal,
        What::Carbonate,
        What::HandReading,
        What::TestFerment,
        What::Taste,
        What::Clean,
        What::Remark,
    ];

    /// The name used in event files, JSON, forms and the database.
    pub fn key(self) -> &'static str {
        match self {
            What::Pitch => "pitch",
            What::Nutrient => "nutrient",
            What::Addition => "addition",
            What::Rouse => "rouse",
            What::PushDown => "push-down",
            What::TakeOut => "take-out",
            What::Rack => "rack",
            What::Split => "split",
            What::Blend => "blend",
            What::Stabilise => "stabilise",
            What::Pasteurise => "pasteurise",
            What::Sweeten => "sweeten",
            What::Fine => "fine",
            What::Seal => "seal",
            What::Carbonate => "carbonate",
            What::HandReading => "hand-reading",
            What::TestFerment => "test-ferment",
            What::Taste => "taste",
            What::Clean => "clean",
            What::Remark => "remark",
        }
    }

    /// As it stands in the log on the page.
    pub fn label(self) -> &'static str {
        match self {
            What::Pitch => "pitched",
            What::Nutrient => "fed nutrient",
            What::Addition => "added",
            What::Rouse => "roused",
            What::PushDown => "pushed down",
            What::TakeOut => "taken out",
            What::Rack => "racked",
            What::Split => "split",
            What::Blend => "blended",
            What::Stabilise => "stabilised",
            What::Pasteurise => "pasteurised",
            What::Sweeten => "sweetened",
            What::Fine => "fined",
            What::Seal => "sealed",
            What::Carbonate => "carbonated",
            What::HandReading => "hand reading",
            What::TestFerment => "test ferment",
            What::Taste => "tasted",
            What::Clean => "cleaned",
            What::Remark => "remark",
        }
    }

    pub fn from_key(key: &str) -> Option<What> {
        What::ALL.into_iter().find(|w| w.key() == key)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_match_the_json_names() {
        for w in What::ALL {
            assert_eq!(serde_json::to_value(w).unwrap(), w.key());
            assert_eq!(What::from_key(w.key()), Some(w));
        }
        for s in Substance::ALL {
            assert_eq!(serde_json::to_value(s).unwrap(), s.key());
            assert_eq!(Substance::from_key(s.key()), Some(s));
        }
    }

    #[test]
    fn a_test_ferment_is_a_gravity_of_its_own() {
        let jar = Deed {
            gravity: Some(Gravity::computed(0.996)),
            temperature: Some(Celsius::computed(25.0)),
            note: "smells of bread".into(),
            ..Deed::new(Moment(0), What::TestFerment)
        };
        assert_eq!((jar.check(), jar.read()), (Ok(()), None));
        let wrong = |change: &dyn Fn(&mut Deed)| {
            let mut jar = jar.clone();
            change(&mut jar);
            jar.check().map_err(Unfit::field)
        };
        assert_eq!(wrong(&|d| d.gravity = None), Err("gravity"));
        assert_eq!(wrong(&|d| d.ph = Some(Ph::computed(3.4))), Err("ph"));
        assert_eq!(
            wrong(&|d| d.volume = Some(Litres::computed(0.5))),
            Err("volume")
        );
        assert_eq!(wrong(&|d| d.despite = "late".into()), Err("despite"));
        let yeast = Dose::of(Substance::Other, Kilograms::computed(0.001));
        assert_eq!(wrong(&|d| d.doses = vec![yeast.clone()]), Err("doses"));
        for what in What::ALL.into_iter().filter(|w| *w != What::TestFerment) {
            let deed = Deed {
                what,
                gravity: jar.gravity,
                doses: vec![yeast.clone()],
                ..Deed::new(Moment(0), what)
            };
            assert_eq!(
                (deed.check(), deed.read()),
                (Ok(()), jar.gravity),
                "{what:?}"
            );
        }
    }
}
