//! What stabilising and topping up share: how much sulphite, within the law.

use super::answer::{Answer, Formula, result};
use super::scale::{capital, measured_within, shown, weighed_within};
use super::{Choice, Complaints, Fact, Field, Given, rules};
use crate::deed::{Dose, Substance};
use crate::stock;
use crate::sulphite::{self, Salt};
use crate::time::Span;
use crate::units::{
    GramsPerLitre, Kilograms, Litres, MgPerLitre, Millilitres, Percent, Ph, Quantity,
};

/// What binds has bound in a day (common practice, no source).
pub(super) const UNTIL_MEASURED: (Span, &str) = (Span::hours(24), "measuring free sulphur dioxide");

pub(super) const VOLUME: Field = Field::number::<Litres>("volume", "Volume").fill(Fact::Volume);
pub(super) const PH: Field = Field::number::<Ph>("ph", "pH")
    .fill(Fact::Ph)
    .hint("By a meter set at pH 4 and 7: 0.1 off is a quarter more or less sulphite.");
pub(super) const FREE_NOW: Field =
    Field::number::<MgPerLitre>("free-now", "Free sulphur dioxide now")
        .usual("0 mg/L")
        .hint("As measured; none in a mead that never had any.");
pub(super) const TOTAL_NOW: Field =
    Field::number::<MgPerLitre>("total-now", "Total sulphur dioxide so far")
        .usual("0 mg/L")
        .fill(Fact::SulphiteSoFar)
        .hint("Measured, or all that was added. The yeast's own is not in what was added: mostly below 30 mg/L.");
pub(super) const MOLECULAR: Field =
    Field::number::<MgPerLitre>("molecular", "Molecular sulphur dioxide wanted")
        .usual("0.8 mg/L")
        .hint("0.8 for pale and sweet mead, 0.5 for dark and dry.");
pub(super) const BOUND: Field = Field::number::<Percent>("bound", "Share that will bind")
    .usual("33 %")
    .hint("About a third once some is free (common practice); of a first addition most of it may.");
pub(super) const SALT: Field = Field::choice(
    "salt",
    "Metabisulphite",
    &[
        Choice {
            key: "potassium",
            label: "potassium metabisulphite",
        },
        Choice {
            key: "sodium",
            label: "sodium metabisulphite",
        },
    ],
);
pub(super) const SOLUTION: Field =
    Field::number::<GramsPerLitre>("solution", "Metabisulphite in your solution")
        .usual("100 g/L")
        .hint("Grams in a litre of finished solution; made fresh.");
pub(super) const OWN_LIMIT: Field =
    Field::number::<MgPerLitre>("own-limit", "Your own limit for total sulphur dioxide")
        .may_be_left()
        .hint("Kept where it is lower than the law's.");

/// Above this much molecular sulphur dioxide it stings the nose (wine-chemistry textbook, ch. 17:
/// threshold about 2 mg/L).
const STINGS: f64 = 2.0;
/// Above this share bound the dose is a guess.
const MOST_BOUND: f64 = 90.0;
/// Below this a kitchen scale is off by a fifth and the solution is measured instead.
const TOO_LITTLE: Kilograms = Kilograms::computed(0.0005);
/// Sulphur dioxide that yeast usually leaves at most, mg/L.
const YEASTS_OWN: f64 = 30.0;
/// How far off a pH is taken to be.
const PH_DOUBT: f64 = 0.05;

/// A dose as it is put in: weighed, or measured out of the maker's solution where it is too little
/// for the scale.
#[derive(Clone, Copy, Debug)]
pub(super) struct Portion {
    pub mass: Kilograms,
    pub solution: Millilitres,
    by_solution: bool,
}

impl Portion {
    /// Rounded to what can be weighed or measured, never up past `most`.
    pub(super) fn of(exact: Kilograms, most: Kilograms, strength: GramsPerLitre) -> Portion {
        let solution_for =
            |mass: Kilograms| Millilitres::computed(stock::volume(mass, strength).get() * 1000.0);
        if exact.get() > 0.0 && exact < TOO_LITTLE {
            let solution = measured_within(solution_for(exact), solution_for(most));
            return Portion {
                mass: Kilograms::computed(solution.get() * 1e-6 * strength.get()),
                solution,
                by_solution: true,
            };
        }
        let mass = weighed_within(exact, most);
        Portion {
            mass,
            solution: measured_within(solution_for(mass), solution_for(most)),
            by_solution: false,
        }
    }

    /// "1.4 g potassium metabisulphite", or the volume of solution that is measured instead.
    pub(super) fn told(&self, given: &Given, of: Substance) -> String {
        let name = of.label();
        if self.by_solution {
            format!("{} of your {name} solution", shown(given, self.solution))
        } else {
            format!("{} {name}", shown(given, self.mass))
        }
    }

    pub(super) fn dose(&self, of: Substance) -> Dose {
        Dose::of(of, self.mass)
    }

    /// Its two results, under `keys`.
    pub(super) fn tell(
        &self,
        given: &Given,
        answer: Answer,
        keys: [&'static str; 2],
        of: Substance,
        strength: GramsPerLitre,
    ) -> Answer {
        let note = if self.by_solution {
            "Too little for a kitchen scale: measure the solution. A weaker one is measured more \
             surely."
        } else {
            ""
        };
        answer
            .result(result(keys[0], capital(of.label()), self.mass).note(note))
            .result(
                result(keys[1], "or of your solution", self.solution)
                    .note(format!("Of {}.", shown(given, strength))),
            )
    }
}

/// What to add and what comes of it.
#[derive(Debug)]
pub(super) struct Sulphite {
    pub volume: Litres,
    pub ph: Ph,
    target: MgPerLitre,
    free_wanted: MgPerLitre,
    /// What the target asks for, limit or not.
    asked: MgPerLitre,
    /// Law, or the maker's own.
    most: MgPerLitre,
    rule: String,
    total_now: MgPerLitre,
    free_now: MgPerLitre,
    salt: Salt,
    pub portion: Portion,
    /// Of the maker's solution.
    strength: GramsPerLitre,
    added: MgPerLitre,
    pub free_after: MgPerLitre,
    total_after: MgPerLitre,
}

/// A volume there is something in.
///
/// # Errors
/// Nothing in it.
pub(super) fn volume(given: &Given) -> Result<Litres, Complaints> {
    let volume: Litres = given.need("volume")?;
    if volume.get() > 0.0 {
        Ok(volume)
    } else {
        Err(given.complain("volume", "there is nothing in it").into())
    }
}

/// A quantity between closer limits than its own.
///
/// # Errors
/// Outside them.
pub(super) fn within<Q: Quantity>(
    given: &Given,
    key: &str,
    low: f64,
    high: f64,
) -> Result<Q, Complaints> {
    let value: Q = given.need(key)?;
    if (low..=high).contains(&value.get()) {
        return Ok(value);
    }
    let [value, low, high] =
        [value.get(), low, high].map(|v| Q::MEASURE.show(v, given.asker.style.units));
    Err(given
        .complain(key, &format!("{value} is outside {low} to {high}"))
        .into())
}

impl Sulphite {
    /// # Errors
    /// A field that cannot be.
    pub(super) fn plan(given: &Given) -> Result<Sulphite, Complaints> {
        let volume = volume(given)?;
        let ph: Ph = given.need("ph")?;
        let target: MgPerLitre = within(given, "molecular", 0.1, STINGS)?;
        let bound: Percent = within(given, "bound", 0.0, MOST_BOUND)?;
        let strength: GramsPerLitre = within(given, "solution", 1.0, 400.0)?;
        let free_now: MgPerLitre = given.need("free-now")?;
        let total_so_far: MgPerLitre = given.need("total-now")?;
        // What is free is there, whatever was counted.
        let total_now = if free_now > total_so_far {
            free_now
        } else {
            total_so_far
        };
        let law = rules::chosen(given).sulphur_dioxide;
        let (most, rule) = match given.maybe::<MgPerLitre>("own-limit") {
            Some(own) if own < law.most => (own, format!("{}, your own limit", shown(given, own))),
            _ => (law.most, law.told()),
        };
        let salt = match given.choice("salt") {
            "sodium" => Salt::Sodium,
            _ => Salt::Potassium,
        };
        let free_wanted = sulphite::free_for(target, ph);
        let asked = sulphite::to_add(free_now, free_wanted, bound)
            .map_err(|e| Complaints::from(given.complain("bound", &e.to_string())))?;
        let room = MgPerLitre::computed((most.get() - total_now.get()).max(0.0));
        let portion = Portion::of(
            sulphite::salt_for(asked, volume, salt),
            sulphite::salt_for(room, volume, salt),
            strength,
        );
        let added = sulphite::added_by(portion.mass, volume, salt);
        Ok(Sulphite {
            volume,
            ph,
            target,
            free_wanted,
            asked,
            most,
            rule,
            total_now,
            free_now,
            salt,
            portion,
            strength,
            added,
            free_after: sulphite::free_after(free_now, added, bound),
            total_after: MgPerLitre::computed(total_now.get() + added.get()),
        })
    }

    fn substance(&self) -> Substance {
        match self.salt {
            Salt::Potassium => Substance::PotassiumMetabisulphite,
            Salt::Sodium => Substance::SodiumMetabisulphite,
        }
    }

    pub(super) fn dose(&self) -> Dose {
        self.portion.dose(self.substance())
    }

    pub(super) fn dose_told(&self, given: &Given) -> String {
        self.portion.told(given, self.substance())
    }

    /// The law lets less in than the target asks for.
    fn limited(&self) -> bool {
        self.total_now.get() + self.asked.get() > self.most.get()
    }

    pub(super) fn molecular_after(&self) -> MgPerLitre {
        sulphite::molecular(self.free_after, self.ph)
    }

    /// What it comes to.
    pub(super) fn sentence(&self, given: &Given) -> String {
        let free = shown(given, self.free_after);
        let active = format!("{:.2} mg/L", self.molecular_after().get());
        let target = shown(given, self.target);
        let ph = self.ph.get();
        if self.asked.get() <= 0.0 {
            return format!(
                "No sulphite is needed: {free} is free, {active} of it active at pH {ph:.2}, and \
                 {target} was wanted."
            );
        }
        let whole = shown(given, self.volume);
        let dose = self.dose_told(given);
        if !self.limited() {
            return format!(
                "{dose} for {whole}: about {free} will be free, {active} of it active at pH {ph:.2}."
            );
        }
        let would = MgPerLitre::computed(self.total_now.get() + self.asked.get());
        let what_is_left = if self.portion.mass.get() > 0.0 {
            format!(
                "The most that may go into {whole} is {dose}: it leaves about {free} free, {active} \
                 of it active."
            )
        } else {
            format!("There is no room for any: {free} is free, {active} of it active.")
        };
        format!(
            "{target} active at pH {ph:.2} would take {} of sulphur dioxide in all, above the limit \
             ({}). {what_is_left}",
            shown(given, would),
            self.rule,
        )
    }

    pub(super) fn tell(&self, given: &Given, answer: Answer) -> Answer {
        let at = |by: f64| Ph::computed(self.ph.get() + by);
        let wanted = |by: f64| sulphite::free_for(self.target, at(by));
        let active = |by: f64| sulphite::molecular(self.free_after, at(by));
        let none_bound = MgPerLitre::computed(self.free_now.get() + self.added.get());
        let answer = answer
            .result(
                result(
                    "free-wanted",
                    "Free sulphur dioxide wanted",
                    self.free_wanted,
                )
                .between(wanted(-PH_DOUBT), wanted(PH_DOUBT))
                .note("For a pH that is 0.05 off either way."),
            )
            .result(result("to-add", "Sulphur dioxide to add", self.asked));
        self.portion
            .tell(
                given,
                answer,
                ["metabisulphite", "metabisulphite-solution"],
                self.substance(),
                self.strength,
            )
            .result(
                result("free-after", "Free after it", self.free_after)
                    .between(self.free_now, none_bound)
                    .note("If all of it binds, and if none does. Measure after a day."),
            )
            .result(
                result("molecular-after", "Active after it", self.molecular_after())
                    .between(active(PH_DOUBT), active(-PH_DOUBT)),
            )
            .result(
                result("total-after", "Total after it", self.total_after)
                    .note(format!("Limit: {}.{}", self.rule, self.yeasts_own(given))),
            )
            .formula(Formula {
                name: "molecular sulphur dioxide, pKa 1.81",
                source: "dissociation; University of California Cooperative Extension, Enology Briefs I no. 1 (1982), as reproduced in a winery hand-out",
            })
            .formula(Formula {
                name: "sulphur dioxide in metabisulphite",
                source: "stoichiometry, IUPAC atomic weights: 57.6 % of the potassium salt, 67.4 % of the sodium salt",
            })
    }

    /// Said near the limit, where the total was counted and not measured. Rotter's review, citing
    /// Heinzel et al. 1976: usually below 30 mg/L, 6 to 296 reported.
    fn yeasts_own(&self, given: &Given) -> &'static str {
        let near = self.total_after.get() + YEASTS_OWN > self.most.get();
        if near && !given.typed("total-now") {
            " The yeast's own sulphur dioxide, mostly below 30 mg/L and at times far more, is not \
             counted: have the total measured."
        } else {
            ""
        }
    }

    /// How sure it is.
    pub(super) fn how_sure(&self) -> String {
        let mut words = String::from(
            "An estimate: what binds is only known by measuring. Dose, wait a day, measure free \
             sulphur dioxide, dose again. Salt from an old packet has lost a part of its strength.",
        );
        let (low, high) = sulphite::PH;
        if !(low..=high).contains(&self.ph.get()) {
            words.push_str(&format!(
                " pH {:.2} lies outside the published table, pH {low} to {high}: the formula is \
                 carried on beyond what was checked.",
                self.ph.get(),
            ));
        }
        if self.total_now.get() <= 0.0 {
            words.push_str(
                " This is a first addition: yeast leaves what binds most of it, so more may be \
                 needed after the measurement.",
            );
        }
        words
    }
}

pub(super) const CAUTION_FUMES: &str = "Sulphite and the gas it gives off can set off severe \
    reactions, above all in asthma. Weigh it in moving air, with eyes and hands covered; nobody with \
    asthma should handle it unprotected.";
/// United States, wine: 27 CFR 4.32(e) as summarised in OMB ICR 201908-1513-001; the same threshold
/// stands in 21 CFR 101.100(a)(4).
pub(super) const CAUTION_LABEL: &str = "From 10 mg/L of total sulphur dioxide on, sulphites have to be \
    named on the label in many places; yeast alone can bring more than that.";
pub(super) const CAUTION_LAW: &str = "Limits, records and permits differ by place, and mead may fall \
    under other rules than wine of grapes: check the rules where you make and sell, and ask whoever is \
    licensed to say.";
