//! Stabilising before sweetening: sulphite, then sorbate, within the law.

use super::answer::Amount;
use super::answer::{Answer, Formula, Outcome, Step, result, table};
use super::scale::shown;
use super::sulphur::{self, Portion, Sulphite, within};
use super::{Choice, Complaints, Fact, Field, Given, Reckoning, Which, rules};
use crate::deed::{Substance, What};
use crate::sorbate::{self, Dose};
use crate::stock;
use crate::sulphite;
use crate::tasks::BEFORE_SWEETENING;
use crate::units::{AbvPercent, Celsius, GramsPerLitre, Litres, MgPerLitre, Millilitres, Percent};

const WITH_SORBATE: &str = "yes";

pub static STABILISE: Reckoning = Reckoning {
    key: "stabilise",
    title: "Stabilising",
    says: "How much sulphite and sorbate keep a finished mead from fermenting again when it is sweetened.",
    gate: Some(Which::Stabilise),
    fields: &[
        sulphur::VOLUME,
        sulphur::PH,
        Field::number::<AbvPercent>("strength", "Strength").fill(Fact::Strength),
        Field::number::<Celsius>("temperature", "Temperature")
            .may_be_left()
            .fill(Fact::Temperature),
        sulphur::FREE_NOW,
        sulphur::TOTAL_NOW,
        sulphur::MOLECULAR,
        sulphur::BOUND,
        sulphur::SALT,
        sulphur::SOLUTION,
        Field::choice(
            "sorbate",
            "Sorbate",
            &[
                Choice {
                    key: WITH_SORBATE,
                    label: "with sorbate",
                },
                Choice {
                    key: "no",
                    label: "sulphite only",
                },
            ],
        ),
        Field::number::<MgPerLitre>("sorbic-now", "Sorbic acid so far")
            .usual("0 mg/L")
            .fill(Fact::SorbicSoFar)
            .hint("From sorbate added before: three quarters of its mass."),
        Field::number::<GramsPerLitre>("sorbate-solution", "Potassium sorbate in your solution")
            .usual("100 g/L"),
        rules::field(),
        sulphur::OWN_LIMIT,
    ],
    run,
};

/// Least active sulphur dioxide that hand-outs call enough, mg/L.
const LEAST_ACTIVE: f64 = 0.5;

/// What the sorbate comes to.
enum Sorbate {
    /// Not asked for.
    Without,
    /// Why there is none.
    None(String),
    Some {
        wanted: MgPerLitre,
        portion: Portion,
        strength: GramsPerLitre,
        /// What there is to say about it; may be empty.
        note: String,
        after: MgPerLitre,
    },
}

fn run(given: &Given) -> Result<Answer, Complaints> {
    let plan = Sulphite::plan(given)?;
    let sorbate = plan_sorbate(given, &plan)?;
    let mut sentence = plan.sentence(given);
    let mut doses = vec![plan.dose()];
    let mut solutions = plan.portion.solution;
    match &sorbate {
        Sorbate::Without => {}
        Sorbate::None(why) => {
            sentence.push(' ');
            sentence.push_str(why);
        }
        Sorbate::Some { portion, .. } => {
            sentence.push_str(&format!(
                " Then {}, and a day's wait before sweetening.",
                portion.told(given, Substance::PotassiumSorbate),
            ));
            doses.push(portion.dose(Substance::PotassiumSorbate));
            solutions = Millilitres::computed(solutions.get() + portion.solution.get());
        }
    }
    let stops_yeast = matches!(sorbate, Sorbate::Some { .. });
    let mut answer = plan.tell(given, Answer::new(sentence));
    answer = tell_sorbate(given, answer, &sorbate);
    answer = tell_water(answer, solutions, plan.volume);
    answer = tell_oiv(given, answer, &plan);
    let rules = rules::chosen(given);
    let mut how_sure = plan.how_sure();
    let asked = !matches!(sorbate, Sorbate::Without);
    if asked {
        how_sure.push_str(
            " The sorbate table is one of a home winemaking book, for grape wine; none for mead is known.",
        );
    }
    how_sure.push_str(&format!(" Limits used: {}", rules.name));
    if asked {
        how_sure.push_str(&format!("; sorbic acid {}", rules.sorbic_acid.told()));
    }
    how_sure.push_str(". That the gravity holds for days after sweetening is the real test.");
    answer = answer.how_sure(how_sure).caution(sulphur::CAUTION_FUMES);
    if asked {
        answer = answer.caution(CAUTION_SORBATE);
    }
    answer = answer
        .caution(CAUTION_BOTTLES)
        .caution(sulphur::CAUTION_LABEL)
        .caution(sulphur::CAUTION_LAW);
    if stops_yeast {
        answer = answer.table(order());
    }
    if doses.iter().all(|d| d.mass.get() <= 0.0) {
        return Ok(answer);
    }
    let note = doses
        .iter()
        .filter(|d| d.mass.get() > 0.0)
        .map(|d| format!("{} {}", shown(given, d.mass), d.of.label()))
        .collect::<Vec<_>>()
        .join(", ");
    Ok(answer.step(Step {
        doses,
        wait: Some(if stops_yeast {
            (BEFORE_SWEETENING, "sweetening")
        } else {
            sulphur::UNTIL_MEASURED
        }),
        // Sulphite alone does not stop the yeast, and the verdict must not believe it does.
        ..Step::new(
            if stops_yeast {
                What::Stabilise
            } else {
                What::Remark
            },
            if stops_yeast {
                note
            } else {
                format!("sulphite only, not stabilised: {note}")
            },
        )
    }))
}

fn plan_sorbate(given: &Given, plan: &Sulphite) -> Result<Sorbate, Complaints> {
    let strength: AbvPercent = given.need("strength")?;
    let so_far: MgPerLitre = given.need("sorbic-now")?;
    let solution: GramsPerLitre = within(given, "sorbate-solution", 1.0, 500.0)?;
    if given.choice("sorbate") != WITH_SORBATE {
        return Ok(Sorbate::Without);
    }
    let (wanted, mut notes) = match sorbate::dose(strength, plan.ph) {
        Dose::Table(wanted) => (wanted, Vec::new()),
        Dose::Edge(wanted) => (
            wanted,
            vec![
                "Stronger than 14 % vol or below pH 3.1 the table ends: this is its last line, more \
                 than is needed."
                    .to_owned(),
            ],
        ),
        Dose::Outside => {
            return Ok(Sorbate::None(format!(
                "{} at pH {:.2} lies outside the sorbate table (10 to 14 % vol, pH 3.1 to 3.5); \
                 sorbate alone will not be enough, and none is reckoned: heat, a sterile filter or \
                 leaving it dry would do.",
                shown(given, strength),
                plan.ph.get(),
            )));
        }
    };
    if plan.free_after.get() <= 0.0 {
        return Ok(Sorbate::None(
            "Without free sulphur dioxide no sorbate goes in: lactic bacteria would turn it into a \
             smell of geraniums."
                .to_owned(),
        ));
    }
    let limit = rules::chosen(given).sorbic_acid;
    let room = MgPerLitre::computed((limit.most.get() - so_far.get()).max(0.0));
    let missing = MgPerLitre::computed((wanted.get() - so_far.get()).max(0.0));
    if missing.get() <= 0.0 {
        return Ok(Sorbate::None(format!(
            "There is sorbate enough: {} of sorbic acid, and the table asks for {}.",
            shown(given, so_far),
            shown(given, wanted),
        )));
    }
    let lawful = sorbate::potassium_sorbate(room, plan.volume);
    let exact = sorbate::potassium_sorbate(missing, plan.volume);
    let portion = Portion::of(exact, lawful, solution);
    if missing > room {
        notes.push(format!(
            "The table asks for more than is lawful ({}): sorbate alone will not be enough.",
            limit.told(),
        ));
    }
    if plan.molecular_after().get() < LEAST_ACTIVE {
        notes.push(format!(
            "With less than {LEAST_ACTIVE} mg/L of active sulphur dioxide it is not held safe from \
             lactic bacteria."
        ));
    }
    Ok(Sorbate::Some {
        wanted,
        portion,
        strength: solution,
        note: notes.join(" "),
        after: MgPerLitre::computed(
            so_far.get() + sorbate::sorbic_acid(portion.mass, plan.volume).get(),
        ),
    })
}

fn tell_sorbate(given: &Given, answer: Answer, sorbate: &Sorbate) -> Answer {
    match sorbate {
        Sorbate::Without => return answer,
        Sorbate::None(why) => answer.result(
            Outcome::words("potassium-sorbate", "Potassium sorbate", "none").note(why.clone()),
        ),
        Sorbate::Some {
            wanted,
            portion,
            strength,
            note,
            after,
        } => portion
            .tell(
                given,
                answer.result(
                    result("sorbic-wanted", "Sorbic acid wanted", *wanted).note(note.clone()),
                ),
                ["potassium-sorbate", "sorbate-solution"],
                Substance::PotassiumSorbate,
                *strength,
            )
            .result(result("sorbic-after", "Sorbic acid after it", *after)),
    }
    .formula(Formula {
        name: "potassium sorbate by strength and pH, read between the lines of a table",
        source: "T. Underhill, Making Better Wines (table at vawa.net/articles/sorbatetable.html)",
    })
}

/// 27 CFR 24.246(a)(2).
fn tell_water(answer: Answer, solutions: Millilitres, wine: Litres) -> Answer {
    let all = Litres::computed(solutions.get() / 1000.0);
    let share = Percent::computed(100.0 * all.get() / wine.get());
    answer.result(result("water", "The solutions, of the mead", share).note(
        if stock::lawful(all, wine) {
            "Treating water may be 1 % of a wine at most (27 CFR 24.246(a)(2))."
        } else {
            "More than the 1 % that treating water may be (27 CFR 24.246(a)(2)): make stronger \
             solutions, or stir the powders into some of the mead."
        },
    ))
}

/// Information only: it asks for less.
fn tell_oiv(given: &Given, answer: Answer, plan: &Sulphite) -> Answer {
    let (Some(strength), Some(temperature), Some(target)) = (
        given.maybe::<AbvPercent>("strength"),
        given.maybe::<Celsius>("temperature"),
        given.maybe::<MgPerLitre>("molecular"),
    ) else {
        return answer;
    };
    let Some(pk) = sulphite::oiv_pk(strength, temperature) else {
        return answer;
    };
    let free = MgPerLitre::computed(target.get() / sulphite::molecular_share(plan.ph, pk));
    answer
        .result(result("free-oiv", "Free wanted, counting alcohol and warmth", free).note(
            "For comparison only: the dose goes by the larger figure. Not given outside 20 to 40 °C \
             and 0 to 15 % vol.",
        ))
        .formula(Formula {
            name: "constant by strength and temperature, for comparison",
            source: "OIV-MA-AS323-04C, Table I, without its correction for ionic strength",
        })
}

fn order() -> super::Table {
    [
        "The gravity stands still, by a hand reading too.",
        "Rack it bright: yeast that is not there needs no holding.",
        "Sulphite, stirred in.",
        "Sorbate, dissolved in cold water or some of the mead, stirred in.",
        "Wait a day (common practice).",
        "Measure free sulphur dioxide; sweeten.",
        "Watch the gravity for some days, warm, before it is bottled or kegged.",
    ]
    .into_iter()
    .fold(
        table("order", "In this order", &[("step", "Step")]),
        |table, step| table.row(vec![Amount::Words(step.to_owned())]),
    )
}

const CAUTION_SORBATE: &str = "Sorbate keeps yeast from multiplying; it does not stop a ferment. Only \
    into clear, still mead with free sulphur dioxide in it. Where lactic bacteria are or were at work \
    it turns into a smell of geraniums, which nothing takes out again.";
const CAUTION_BOTTLES: &str = "Stabilised mead is not for fermenting in the bottle, and sugar in it can \
    still ferment if the stabilising fails: glass that its maker has not rated for the pressure can burst.";

#[cfg(test)]
mod tests {
    use crate::deed::{Substance, What};
    use crate::reckon::tests::{ask, ask_knowing, value};
    use crate::reckon::{Fact, Known, Refusal, Told};
    use crate::units::{AbvPercent, Litres, MgPerLitre, Ph};
    use crate::verdict::outcome::{Gate, Gates};

    fn stabilise(more: &[(&str, &str)]) -> Result<Told, Refusal> {
        let mut fields = vec![("volume", "20 L"), ("ph", "3.4"), ("strength", "12 %")];
        fields.retain(|(k, _)| more.iter().all(|(m, _)| m != k));
        fields.extend_from_slice(more);
        ask("stabilise", &fields)
    }

    fn said(refusal: Result<Told, Refusal>) -> String {
        refusal.expect_err("it cannot be").to_string()
    }

    fn dose(told: &Told, of: Substance) -> f64 {
        let step = told.step.as_ref().expect("a step");
        let dose = step.deed.doses.iter().find(|d| d.of == of);
        dose.map_or(0.0, |d| d.mass.get() * 1000.0)
    }

    /// Free 31.9 mg/L for 0.8 at pH 3.4 (Enology Briefs: 32), a third binds, 57.6 % of the salt:
    /// 31.9/0.67·20/1000/0.5763 = 1.65 g. Sorbate 4.5 mL of 30 g/L in a litre (Underhill): 2.7 g.
    #[test]
    fn twenty_litres() {
        let told = stabilise(&[]).unwrap();
        assert!((value(&told, "free-wanted") - 32.0).abs() < 0.7);
        assert!((dose(&told, Substance::PotassiumMetabisulphite) - 1.7).abs() < 1e-9);
        assert!((dose(&told, Substance::PotassiumSorbate) - 2.7).abs() < 1e-9);
        assert!((value(&told, "metabisulphite-solution") - 17.0).abs() < 1e-9);
        assert!((value(&told, "sorbate-solution") - 27.0).abs() < 1e-9);
        let step = told.step.as_ref().unwrap();
        assert_eq!(step.deed.what, What::Stabilise);
        let wait = step.wait.as_ref().unwrap();
        assert_eq!(
            (wait.until.as_str(), wait.before.as_str()),
            ("2026-03-02T12:00:00Z", "sweetening")
        );
        assert!(
            told.sentence
                .starts_with("1.7 g potassium metabisulphite for 20.00 L"),
            "{}",
            told.sentence
        );
        assert!(
            told.sentence.contains("2.7 g potassium sorbate"),
            "{}",
            told.sentence
        );
    }

    /// Everything from the record: nothing is typed, and what the log holds is not added twice.
    #[test]
    fn filled_from_the_vessel_once_its_gate_is_open() {
        let mut known = Known::default();
        known.set(
            Fact::Volume,
            Litres::computed(20.0),
            "the facts of this mead",
        );
        known.set(Fact::Ph, Ph::computed(3.4), "measured Mon 2 Feb");
        known.set(Fact::Strength, AbvPercent::computed(12.0), "both gravities");
        known.set(
            Fact::SulphiteSoFar,
            MgPerLitre::computed(25.0),
            "the dose in its log",
        );
        known.set(
            Fact::SorbicSoFar,
            MgPerLitre::computed(40.0),
            "the dose in its log",
        );
        let gates = |open| {
            let gate = Gate {
                open,
                why: "It still falls.".into(),
                opens: None,
                wants_reading: false,
                since: None,
            };
            Some(Gates {
                rack: gate.clone(),
                stabilise: gate.clone(),
                seal: gate,
            })
        };
        known.gates = gates(false);
        let shut = ask_knowing("stabilise", &[], &known);
        assert_eq!(said(shut), "the gate is shut: It still falls.");
        known.gates = gates(true);
        let told = ask_knowing("stabilise", &[], &known).unwrap();
        let volume = told.inputs.iter().find(|i| i.path == "volume").unwrap();
        assert_eq!(volume.from, "the facts of this mead");
        assert!((value(&told, "total-after") - (25.0 + value(&told, "to-add"))).abs() < 2.0);
        // Of 100.8 mg/L the table asks for, 60.8 are missing: 1.6 g.
        assert!((dose(&told, Substance::PotassiumSorbate) - 1.6).abs() < 1e-9);
    }

    #[test]
    fn never_above_the_law() {
        for (ph, free, total, volume) in [
            ("3.9", "0", "0", "20 L"),
            ("3.4", "5", "180", "20 L"),
            ("3.4", "5", "199.5", "20 L"),
            ("3.3", "0", "190", "0.7 L"),
            ("4.6", "0", "0", "300 L"),
        ] {
            let told = stabilise(&[
                ("ph", ph),
                ("free-now", free),
                ("total-now", total),
                ("volume", volume),
            ])
            .unwrap();
            assert!(
                value(&told, "total-after") <= 200.0 + 1e-9,
                "{ph} {total}: {told:?}"
            );
            let litres: f64 = volume.trim_end_matches(" L").parse().unwrap();
            // Measured out of the solution it is no more either.
            let by_solution = value(&told, "metabisulphite-solution") * 100.0 * 0.5764 / litres;
            let so_far: f64 = total.parse().unwrap();
            assert!(so_far + by_solution <= 200.1, "{ph} {total}: {by_solution}");
        }
        let told = stabilise(&[("ph", "3.9"), ("total-now", "150")]).unwrap();
        assert!(
            told.sentence.contains("above the limit"),
            "{}",
            told.sentence
        );
        assert!(value(&told, "molecular-after") < 0.8);
        // The table's corner is at the limit already; the dose is not rounded past it.
        let told = stabilise(&[("ph", "3.5"), ("strength", "10"), ("volume", "3.7 L")]).unwrap();
        assert!(value(&told, "sorbic-after") <= 200.0 + 1e-9);
        assert!(
            told.results
                .iter()
                .any(|r| r.note.contains("more than is lawful"))
        );
        assert!(value(&told, "sorbate-solution") * 100.0 / 3.7 * 0.7465 <= 200.1);
    }

    #[test]
    fn a_limit_of_ones_own_and_another_region() {
        let own = stabilise(&[("ph", "3.8"), ("own-limit", "50")]).unwrap();
        assert!(value(&own, "total-after") <= 50.0);
        assert!(own.sentence.contains("your own limit"), "{}", own.sentence);
        let us = stabilise(&[("ph", "3.8"), ("total-now", "150"), ("rules", "us")]).unwrap();
        assert!(!us.sentence.contains("limit"), "{}", us.sentence);
        let mead = stabilise(&[("rules", "eu-mead")]).unwrap();
        assert!(mead.how_sure.contains("not confirmed"));
    }

    #[test]
    fn outside_the_sorbate_table_there_is_none() {
        for more in [
            [("strength", "9.5"), ("ph", "3.3")],
            [("strength", "12"), ("ph", "3.7")],
        ] {
            let told = stabilise(&more).unwrap();
            assert!(
                told.sentence.contains("sorbate alone will not be enough"),
                "{}",
                told.sentence
            );
            assert_eq!(dose(&told, Substance::PotassiumSorbate), 0.0);
            // What does not stop the yeast is not logged as if it did.
            assert_eq!(told.step.unwrap().deed.what, What::Remark);
        }
        let strong = stabilise(&[("strength", "15"), ("ph", "3.2")]).unwrap();
        assert!((dose(&strong, Substance::PotassiumSorbate) - 1.3).abs() < 1e-9);
        assert!(strong.results.iter().any(|r| r.note.contains("last line")));
    }

    #[test]
    fn no_sorbate_without_free_sulphite() {
        let told = stabilise(&[("total-now", "200")]).unwrap();
        assert!(told.sentence.contains("geraniums"), "{}", told.sentence);
        assert!(told.step.is_none(), "there is nothing to do");
    }

    #[test]
    fn enough_is_enough() {
        let told = stabilise(&[("free-now", "40"), ("sorbic-now", "150")]).unwrap();
        assert!(
            told.sentence.starts_with("No sulphite is needed"),
            "{}",
            told.sentence
        );
        assert!(
            told.sentence.contains("sorbate enough"),
            "{}",
            told.sentence
        );
        assert!(told.step.is_none());
    }

    #[test]
    fn a_little_is_measured_not_weighed() {
        let told = stabilise(&[("volume", "1 L"), ("solution", "10 g/L")]).unwrap();
        assert!((value(&told, "metabisulphite-solution") - 8.3).abs() < 1e-9);
        assert!(
            told.sentence
                .starts_with("8.3 mL of your potassium metabisulphite solution"),
            "{}",
            told.sentence
        );
        assert!((dose(&told, Substance::PotassiumMetabisulphite) - 0.083).abs() < 1e-9);
    }

    /// 2.68 mL would be the law's; 2.6 are measured, not 0.2 g weighed.
    #[test]
    fn a_little_sorbate_is_measured_too() {
        let told = stabilise(&[("volume", "1 L"), ("ph", "3.5"), ("strength", "10")]).unwrap();
        assert!((value(&told, "sorbate-solution") - 2.6).abs() < 1e-9);
        assert!(
            told.sentence
                .contains("2.6 mL of your potassium sorbate solution"),
            "{}",
            told.sentence
        );
    }

    #[test]
    fn near_the_limit_the_yeasts_own_is_brought_up() {
        let note = |more| {
            let told: Told = stabilise(more).unwrap();
            let total = told.results.iter().find(|r| r.key == "total-after");
            total.unwrap().note.clone()
        };
        assert!(note(&[("own-limit", "60")]).contains("yeast's own"));
        assert!(!note(&[("own-limit", "60"), ("total-now", "1")]).contains("yeast's own"));
        assert!(!note(&[]).contains("yeast's own"));
    }

    #[test]
    fn too_much_water_is_said() {
        let told = stabilise(&[("solution", "10 g/L"), ("sorbate-solution", "15 g/L")]).unwrap();
        let water = told.results.iter().find(|r| r.key == "water").unwrap();
        assert!(water.note.starts_with("More than the 1 %"));
        assert!((water.value.unwrap() - (170.0 + 180.0) / 200.0).abs() < 1e-9);
    }

    #[test]
    fn the_oiv_figure_only_inside_its_table() {
        let warm = stabilise(&[("temperature", "20 C")]).unwrap();
        assert!(value(&warm, "free-oiv") < value(&warm, "free-wanted"));
        let cool = stabilise(&[("temperature", "14 C")]).unwrap();
        assert!(cool.results.iter().all(|r| r.key != "free-oiv"));
    }

    #[test]
    fn the_impossible_is_named_with_its_range() {
        assert_eq!(
            said(stabilise(&[("ph", "12")])),
            "pH: pH 12 is outside 2.5 to 7"
        );
        assert_eq!(
            said(stabilise(&[("strength", "140 %")])),
            "Strength: strength 140 is outside 0 to 25 % vol"
        );
        assert_eq!(
            said(stabilise(&[("molecular", "5 mg/L")])),
            "Molecular sulphur dioxide wanted: 5.0 mg/L is outside 0.1 mg/L to 2.0 mg/L"
        );
        assert_eq!(
            said(stabilise(&[("bound", "100 %")])),
            "Share that will bind: 100.0% is outside 0.0% to 90.0%"
        );
        assert_eq!(
            said(stabilise(&[("volume", "0")])),
            "Volume: there is nothing in it"
        );
    }

    #[test]
    fn topping_up() {
        let told = ask(
            "sulphite",
            &[
                ("volume", "50 L"),
                ("ph", "3.5"),
                ("free-now", "18"),
                ("total-now", "70"),
                ("salt", "sodium"),
            ],
        )
        .unwrap();
        // (40 - 18)/0.67·50/1000/0.674 = 2.4 g.
        assert!((dose(&told, Substance::SodiumMetabisulphite) - 2.4).abs() < 1e-9);
        assert_eq!(told.step.unwrap().deed.what, What::Remark);
        let enough = ask(
            "sulphite",
            &[("volume", "50 L"), ("ph", "3.5"), ("free-now", "45")],
        )
        .unwrap();
        assert!(enough.step.is_none());
    }

    #[test]
    fn sulphite_alone_says_nothing_of_sorbate() {
        let told = stabilise(&[("sorbate", "no")]).unwrap();
        assert!(told.formulas.iter().all(|f| !f.name.contains("sorbate")));
        assert!(
            !told.how_sure.contains("sorb") && told.how_sure.contains("Limits used"),
            "{}",
            told.how_sure
        );
        assert!(told.cautions.iter().all(|c| !c.contains("Sorbate")));
        let both = stabilise(&[]).unwrap();
        assert!(both.how_sure.contains("sorbic acid 200 mg/L"));
        assert!(both.cautions.iter().any(|c| c.contains("Sorbate")));
    }
}
