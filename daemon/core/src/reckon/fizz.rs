//! What the reckonings about carbon dioxide ask alike.

use super::answer::{Amount, Formula, Outcome, result};
use super::field::NO_OR_YES;
use super::given::Complaint;
use super::scale::shown;
use super::{Fact, Field, Given};
use crate::gas::closed::{Above, Closed, Inside};
use crate::gas::{self, Beyond, MODEL_ERROR, Solvent, atmosphere, keg};
use crate::liquid::Liquid;
use crate::units::{
    AbvPercent, BarAbsolute, BarGauge, Celsius, Fall, GramsPerLitre, Gravity, Litres, Metres,
    Percent, Volumes,
};

pub(super) const STRENGTH: Field =
    Field::number::<AbvPercent>("strength", "Strength").fill(Fact::Strength);

pub(super) const GRAVITY: Field = Field::number::<Gravity>("gravity", "Gravity now")
    .may_be_left()
    .hint("For the sugar in it; left empty, it is taken as dry.")
    .fill(Fact::Gravity);

pub(super) const WARMEST: Field =
    Field::number::<Celsius>("warmest", "Warmest since it stopped fermenting")
        .hint("What gas is left in it went by that.")
        .fill(Fact::WarmestSinceEnd);

pub(super) const HEIGHT: Field = Field::number::<Metres>("height", "Height above the sea")
    .usual("0 m")
    .hint("Thin air shows on the gauge.");

pub(super) const CARBONATION: Field =
    Field::number::<Volumes>("carbonation", "Carbonation it has already")
        .may_be_left()
        .hint("Left empty, it is the most that fermentation left at the warmest.");

pub(super) const CLOSED_AT: Field =
    Field::number::<Celsius>("closed-at", "Temperature when it is closed").usual("20 °C");

pub(super) const LEFT: Field =
    Field::number::<Fall>("left", "Gravity that may still fall, at the most").fill(Fact::MostLeft);

pub(super) const HEADSPACE: Field = Field::number::<Percent>("headspace", "Room above the liquid")
    .hint("Share of the whole bottle.");

pub(super) const RATING: Field = Field::number::<BarGauge>("rating", "Pressure it is rated for")
    .may_be_left()
    .hint(
        "As its supplier states it in writing, above the air's. Bottles for still wine, jugs and \
         demijohns have none: leave it empty.",
    );

pub(super) const MARGIN: Field =
    Field::number::<Percent>("margin", "Kept in hand below the rating")
        .usual("25 %")
        .hint("Scratches, age and sudden heat take strength from glass.");

pub(super) const STOPPED: Field = Field::choice(
    "stopped",
    "Its yeast was stopped by sorbate or heat",
    NO_OR_YES,
)
.fill(Fact::Stabilised);

pub(super) const HENRY: Formula = Formula {
    name: "carbon dioxide in water",
    source: "Carroll, Slupsky & Mather, J. Phys. Chem. Ref. Data 20 (1991) 1201",
};
pub(super) const WINE: Formula = Formula {
    name: "what alcohol and sugar take from it",
    source: "Community method for wine, Regulation (EEC) 2676/90, chapter 37",
};
pub(super) const CLOSED: Formula = Formula {
    name: "pressure in a closed vessel",
    source: "mass balance of gas in liquid and headspace, trapped air by the ideal gas law, swelling \
             by Kell, ICUMSA and OIML R 22",
};

pub(super) const BURST: &str = "Glass that its maker did not rate for this pressure can burst and injure. Wear eye protection \
     and gloves, cover bottles, store them cool. Bottles for still wine, jugs and demijohns have no \
     rating for any pressure. The estimate does not replace a rating, a gauge or a qualified person.";
const NOT_RATED: &str = "No rating was given, so nothing says that the vessel bears any of it.";
pub(super) const KEG: &str = "Use only a vessel stamped for the pressure shown, with a relief valve that works, and stay \
     below what regulator and hose are rated for. Secure gas cylinders upright; carbon dioxide can \
     suffocate in a closed room. Local codes for pressure vessels hold.";
pub(super) const LAW: &str = "Fermenting in a closed vessel, injecting gas and the content reached can each change how a \
     drink is classed and taxed: check the rules where you make and sell.";

/// What a mead holds besides sugar (glycerol, acids, what yeast cannot take), g/L for each % vol:
/// about 20 g/L in a dry wine of 12 % vol (common practice, no source).
const SUGARLESS: f64 = 1.6;
/// From how much sugar on a mead is worth a warning, g/L (common practice, no source).
const SWEET: f64 = 15.0;

/// Sugar that awake yeast could go on with, when there is much.
pub(super) fn sweetness(mead: Solvent) -> Option<GramsPerLitre> {
    Some(mead.sugar()).filter(|sugar| sugar.get() > SWEET)
}

/// The mead from its strength and gravity.
pub(super) fn solvent(given: &Given) -> Result<Solvent, Complaint> {
    let strength: AbvPercent = given.need("strength")?;
    let sugar = match given.maybe::<Gravity>("gravity") {
        Some(gravity) => sugar(gravity, strength).map_err(|why| given.complain("gravity", &why))?,
        None => GramsPerLitre::computed(0.0),
    };
    Solvent::new(strength, sugar).map_err(|e| beyond(given, e, "", ""))
}

fn sugar(gravity: Gravity, strength: AbvPercent) -> Result<GramsPerLitre, String> {
    let extract = Liquid::mead(Litres::computed(1.0), gravity, strength)
        .and_then(Liquid::extract_per_litre)
        .map_err(|e| e.to_string())?;
    let sugar = extract.get() - SUGARLESS * strength.get();
    Ok(GramsPerLitre::computed(sugar.max(0.0)))
}

pub(super) fn stopped(given: &Given) -> bool {
    given.choice("stopped") == "yes"
}

pub(super) fn air(given: &Given) -> BarAbsolute {
    let height = given.maybe("height").unwrap_or(Metres::computed(0.0));
    atmosphere::at_height(height)
}

/// What is in it already: as given, or the most that fermentation left.
pub(super) fn content(given: &Given, mead: Solvent) -> Result<GramsPerLitre, Complaint> {
    match given.maybe::<Volumes>("carbonation") {
        Some(volumes) => Ok(gas::grams(volumes)),
        None => {
            let warmest: Celsius = given.need("warmest")?;
            keg::left_at_most(warmest, mead, air(given))
                .map_err(|e| beyond(given, e, "warmest", "warmest"))
        }
    }
}

/// Share of the vessel above the liquid.
pub(super) fn headspace(given: &Given) -> Result<Percent, Complaint> {
    let headspace: Percent = given.need("headspace")?;
    if headspace.get() > 50.0 {
        let why = "more than half the vessel is outside what is reckoned here";
        return Err(given.complain("headspace", why));
    }
    Ok(headspace)
}

/// The vessel once it is closed, at 20 °C where that is not asked.
pub(super) fn closed(
    given: &Given,
    liquid: Solvent,
    content: GramsPerLitre,
    above: Above,
) -> Result<Closed, Complaint> {
    let closed_at = given.maybe("closed-at").unwrap_or(Celsius::computed(20.0));
    if !(0.0..=60.0).contains(&closed_at.get()) {
        let why = "vessels closed from 0 to 60 °C are reckoned here";
        return Err(given.complain("closed-at", why));
    }
    Ok(Closed {
        liquid,
        content,
        headspace: headspace(given)?,
        closed_at,
        above,
        atmosphere: air(given),
    })
}

/// A refusal at the field it comes from: the temperature's, the amount's, or those of the mead.
pub(super) fn beyond(given: &Given, e: Beyond, temperature: &str, amount: &str) -> Complaint {
    let key = match e {
        Beyond::Temperature(_) => temperature,
        Beyond::Strength(_) => "strength",
        Beyond::Sugar(_) => "gravity",
        Beyond::Pressure => amount,
        Beyond::Full { .. } => "headspace",
    };
    given.complain(key, &e.to_string())
}

/// The pressure with the model's own error, below and above.
pub(super) fn spread(inside: &Inside) -> (BarGauge, BarGauge) {
    let off = MODEL_ERROR * inside.carbon_dioxide.get();
    (
        BarGauge::computed((inside.gauge.get() - off).max(0.0)),
        BarGauge::computed(inside.gauge.get() + off),
    )
}

pub(super) fn pressure_result(
    key: &'static str,
    label: impl Into<String>,
    inside: &Inside,
) -> Outcome {
    let (low, high) = spread(inside);
    let shown = BarGauge::computed(inside.gauge.get().max(0.0));
    result(key, label, shown).between(low, high)
}

/// Where the formula ends, in place of a number.
pub(super) const TOO_MUCH: &str = "more than 10 bar";

/// Where a bottle may stand, °C: a cold room, a cellar, a kitchen, a summer's day, an attic or a car.
pub(super) const TEMPERATURES: [f64; 5] = [5.0, 12.0, 20.0, 30.0, 40.0];

/// No store is taken as cooler than this at its hottest, °C.
pub(super) const HOTTEST_AT_LEAST: f64 = 30.0;

/// `None` beyond what the formula covers: more than any bottle is for.
pub(super) fn at(given: &Given, vessel: &Closed, t: Celsius) -> Result<Option<Inside>, Complaint> {
    match vessel.at(t) {
        Ok(inside) => Ok(Some(inside)),
        Err(Beyond::Pressure) => Ok(None),
        Err(e) => Err(beyond(given, e, "own", "")),
    }
}

/// A cell of a table of pressures.
pub(super) fn bar(pressure: Option<BarGauge>) -> Amount {
    match pressure {
        Some(p) => Amount::of(BarGauge::computed(p.get().max(0.0))),
        None => Amount::Words(TOO_MUCH.to_owned()),
    }
}

/// What the rating says to a pressure. Never that it is safe.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Against {
    NoRating,
    Over,
    WithinMargin,
    Below,
}

impl Against {
    pub fn words(self) -> &'static str {
        match self {
            Against::NoRating => "no rating given",
            Against::Over => "over the rating",
            Against::WithinMargin => "within the margin below the rating",
            Against::Below => "below rating and margin",
        }
    }

    /// A cell of a table of pressures.
    pub fn cell(self) -> Amount {
        Amount::Words(self.words().to_owned())
    }

    /// The rating, less what is kept in hand, is not enough.
    pub fn forbids(self) -> bool {
        matches!(self, Against::Over | Against::WithinMargin)
    }
}

/// `None` is more than 10 bar.
pub(super) fn against(given: &Given, most: Option<BarGauge>) -> Result<Against, Complaint> {
    let Some(rating) = given.maybe::<BarGauge>("rating") else {
        return Ok(Against::NoRating);
    };
    let margin: Percent = given.need("margin")?;
    let most = most.map_or(f64::INFINITY, BarGauge::get);
    Ok(if most > rating.get() {
        Against::Over
    } else if most > rating.get() * (1.0 - margin.get() / 100.0) {
        Against::WithinMargin
    } else {
        Against::Below
    })
}

/// "as much as 4.90 bar", with the model's own error.
pub(super) fn most_said(given: &Given, inside: Option<&Inside>) -> String {
    match inside {
        Some(inside) => format!("as much as {}", shown(given, spread(inside).1)),
        None => TOO_MUCH.to_owned(),
    }
}

/// What the rating says to the most it is at this temperature, and that as a sentence.
pub(super) fn rated(
    given: &Given,
    inside: Option<&Inside>,
    t: Celsius,
) -> Result<(Against, String), Complaint> {
    let against = against(given, inside.map(|i| spread(i).1))?;
    let words = match given.maybe::<BarGauge>("rating") {
        None => NOT_RATED.to_owned(),
        Some(rating) => format!(
            "At {} that is {}, {}.",
            shown(given, t),
            against.words(),
            shown(given, rating)
        ),
    };
    Ok((against, words))
}
