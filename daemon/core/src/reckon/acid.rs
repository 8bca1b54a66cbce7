//! Titratable acidity: from a titration, and what raises or lowers it.

use super::answer::{Amount, Answer, Formula, Step, result, table};
use super::scale::{capital, shown, weighed};
use super::sulphur::{self, CAUTION_LAW, within};
use super::{Choice, Complaints, Fact, Field, Given, Reckoning};
use crate::acid::{self, Acid, Carbonate};
use crate::deed::{Dose, Substance, What};
use crate::units::{GramsPerLitre, Kilograms, Litres, Millilitres, Normality, Percent, Ph};

pub static ACID: Reckoning = Reckoning {
    key: "acid",
    title: "Acidity",
    says: "Titratable acidity from a titration, and what to weigh in to raise or lower it.",
    gate: None,
    fields: &[
        Field::number::<GramsPerLitre>("acidity", "Titratable acidity")
            .may_be_left()
            .hint("Or the titration below."),
        Field::number::<Millilitres>("sample", "Sample titrated")
            .may_be_left()
            .hint("Gas driven out."),
        Field::number::<Millilitres>("lye", "Lye used to the end point").may_be_left(),
        Field::number::<Normality>("lye-strength", "Strength of the lye").usual("0.1 N"),
        Field::choice(
            "said-as",
            "Acidities said as",
            &[
                Choice {
                    key: "tartaric",
                    label: "tartaric acid",
                },
                Choice {
                    key: "sulphuric",
                    label: "sulphuric acid",
                },
                Choice {
                    key: "malic",
                    label: "malic acid",
                },
                Choice {
                    key: "citric",
                    label: "citric acid",
                },
                Choice {
                    key: "acetic",
                    label: "acetic acid",
                },
            ],
        ),
        Field::number::<GramsPerLitre>("target", "Acidity wanted")
            .may_be_left()
            .hint("Left out: only the titration is reckoned."),
        Field::number::<Litres>("volume", "Volume")
            .may_be_left()
            .fill(Fact::Volume),
        Field::number::<Ph>("ph", "pH").may_be_left().fill(Fact::Ph),
        Field::choice(
            "raise-with",
            "Raised with",
            &[
                Choice {
                    key: "tartaric",
                    label: "tartaric acid",
                },
                Choice {
                    key: "malic",
                    label: "malic acid",
                },
                Choice {
                    key: "citric-monohydrate",
                    label: "citric acid, monohydrate",
                },
                Choice {
                    key: "citric",
                    label: "citric acid, anhydrous",
                },
                Choice {
                    key: "lactic",
                    label: "lactic acid",
                },
            ],
        ),
        Field::number::<Percent>("purity", "Purity of the acid")
            .usual("100 %")
            .hint("By mass: lactic acid is mostly sold as 80 % in water."),
        Field::choice(
            "lower-with",
            "Lowered with",
            &[
                Choice {
                    key: "potassium-bicarbonate",
                    label: "potassium bicarbonate",
                },
                Choice {
                    key: "potassium-carbonate",
                    label: "potassium carbonate",
                },
                Choice {
                    key: "calcium-carbonate",
                    label: "calcium carbonate",
                },
            ],
        ),
    ],
    run,
};

/// Of a titration by hand, of 1: pipette, lye and the eye for the end point (common practice).
const TITRATION_DOUBT: f64 = 0.03;
/// Furthest rise in must, g/L as tartaric acid: 54 meq/L, OIV Code of Oenological Practices, annex A.1.
const FURTHEST_RISE: f64 = 4.0;
/// Most citric acid in wine, g/L: OIV-MA-C1-01.
const MOST_CITRIC: f64 = 1.0;
/// Above this pH a mead that is made less sour keeps badly (common practice).
const HIGH_PH: f64 = 3.7;

fn run(given: &Given) -> Result<Answer, Complaints> {
    let now = acidity(given)?;
    let as_said = said_as(given);
    let tartaric = |v: GramsPerLitre| acid::expressed(v, as_said, Acid::Tartaric);
    let there = tartaric(now);
    let start = format!("The acidity is {} as tartaric acid", shown(given, there));
    let Some(target) = given.maybe::<GramsPerLitre>("target").map(tartaric) else {
        let answer = Answer::new(format!("{start}."));
        return Ok(finish(tell_acidity(given, answer, there)));
    };
    if given.maybe::<Litres>("volume").is_none() {
        return Err(given
            .complain("volume", "this is needed to reach an acidity")
            .into());
    }
    let volume = sulphur::volume(given)?;
    let change = target.get() - there.get();
    let plan = if change > 0.0 {
        raise(given, GramsPerLitre::computed(change), volume)?
    } else if change < 0.0 {
        lower(given, GramsPerLitre::computed(-change), volume)
    } else {
        let answer = Answer::new(format!("{start}, which is what is wanted."));
        return Ok(finish(tell_acidity(given, answer, there)));
    };
    let [whole, first, last, wanted] = [
        shown(given, volume),
        shown(given, plan.first),
        shown(given, plan.last),
        shown(given, target),
    ];
    let name = plan.of.label();
    let does = if change > 0.0 {
        format!("{first} {name} brings {whole} up to {wanted}")
    } else if plan.first == plan.last {
        format!("{first} {name} takes {whole} down to {wanted}")
    } else {
        format!("{first} to {last} {name} takes {whole} down to {wanted}; begin with {first}")
    };
    let mut answer = Answer::new(format!(
        "{start}; {does}. Try it in small first, put in half, mix, wait, measure."
    ));
    answer = tell_acidity(given, answer, there);
    let mut dose = result("dose", capital(plan.of.label()), plan.first).note(plan.note.clone());
    if plan.last != plan.first {
        dose = dose.between(plan.first, plan.last);
    }
    answer = answer.result(dose);
    answer = bench(answer, &plan, there, target, volume);
    for formula in plan.formulas {
        answer = answer.formula(formula);
    }
    if change < 0.0 {
        answer = answer.caution(CAUTION_GAS);
    }
    Ok(finish(answer.step(Step {
        doses: vec![Dose::of(plan.of, plan.first)],
        // A remark: it moves neither sugar nor volume.
        ..Step::new(
            What::Remark,
            format!(
                "{} {}: acidity from {} to {} as tartaric",
                shown(given, plan.first),
                plan.of.label(),
                shown(given, there),
                shown(given, target),
            ),
        )
    })))
}

/// What to weigh in.
struct Plan {
    of: Substance,
    /// What to begin with.
    first: Kilograms,
    /// The most it may take.
    last: Kilograms,
    note: String,
    formulas: Vec<Formula>,
}

/// As given or titrated, in the acid it is said as.
fn acidity(given: &Given) -> Result<GramsPerLitre, Complaints> {
    let sample: Option<Millilitres> = given.maybe("sample");
    let lye: Option<Millilitres> = given.maybe("lye");
    match (given.maybe::<GramsPerLitre>("acidity"), sample, lye) {
        (Some(acidity), None, None) => Ok(acidity),
        (Some(_), ..) => Err(given
            .complain("acidity", "give it or a titration, not both")
            .into()),
        (None, Some(sample), Some(lye)) => {
            let strength: Normality = given.need("lye-strength")?;
            let tartaric = acid::titrated(sample, strength, lye)
                .ok_or_else(|| given.complain("sample", "there is nothing in it"))?;
            let found = acid::expressed(tartaric, Acid::Tartaric, said_as(given));
            GramsPerLitre::new(found.get())
                .map_err(|e| given.complain("lye", &e.to_string()).into())
        }
        (None, Some(_), None) => Err(given.complain("lye", "this is needed").into()),
        (None, None, Some(_)) => Err(given.complain("sample", "this is needed").into()),
        (None, None, None) => Err(given
            .complain(
                "acidity",
                "this is needed, or sample and lye of a titration",
            )
            .into()),
    }
}

fn said_as(given: &Given) -> Acid {
    match given.choice("said-as") {
        "sulphuric" => Acid::Sulphuric,
        "malic" => Acid::Malic,
        "citric" => Acid::Citric,
        "acetic" => Acid::Acetic,
        _ => Acid::Tartaric,
    }
}

fn raise(given: &Given, rise: GramsPerLitre, volume: Litres) -> Result<Plan, Complaints> {
    let purity: Percent = within(given, "purity", 1.0, 100.0)?;
    let (with, of) = match given.choice("raise-with") {
        "malic" => (Acid::Malic, Substance::MalicAcid),
        "citric" => (Acid::Citric, Substance::CitricAcid),
        "citric-monohydrate" => (Acid::CitricMonohydrate, Substance::CitricAcid),
        "lactic" => (Acid::Lactic, Substance::LacticAcid),
        _ => (Acid::Tartaric, Substance::TartaricAcid),
    };
    let mass = weighed(
        acid::to_raise(rise, volume, with, purity)
            .map_err(|e| Complaints::from(given.complain("purity", &e.to_string())))?,
    );
    let mut notes = Vec::new();
    if rise.get() > FURTHEST_RISE {
        notes.push(
            "More than grape must may be raised by, 4 g/L as tartaric acid (OIV Code, annex A.1)."
                .to_owned(),
        );
    }
    let citric = matches!(with, Acid::Citric | Acid::CitricMonohydrate)
        && acid::expressed(rise, Acid::Tartaric, Acid::Citric).get() > MOST_CITRIC;
    if citric {
        notes.push("More citric acid than wine may hold, 1 g/L (OIV-MA-C1-01).".to_owned());
    }
    match with {
        Acid::Tartaric => notes.push("Some of it falls out as crystals in the cold.".to_owned()),
        Acid::Malic | Acid::Citric | Acid::CitricMonohydrate => {
            notes
                .push("Lactic bacteria feed on it: only with sulphite or none of them.".to_owned());
        }
        _ => {}
    }
    Ok(Plan {
        of,
        first: mass,
        last: mass,
        note: notes.join(" "),
        formulas: vec![Formula {
            name: "acids by their equivalents",
            source: "stoichiometry, IUPAC atomic weights: 75.04 g of tartaric, 67.04 of malic, 64.04 of citric, 90.08 of lactic acid",
        }],
    })
}

fn lower(given: &Given, fall: GramsPerLitre, volume: Litres) -> Plan {
    let (with, of) = match given.choice("lower-with") {
        "potassium-carbonate" => (Carbonate::PotassiumCarbonate, Substance::PotassiumCarbonate),
        "calcium-carbonate" => (Carbonate::Calcium, Substance::CalciumCarbonate),
        _ => (
            Carbonate::PotassiumBicarbonate,
            Substance::PotassiumBicarbonate,
        ),
    };
    let range = acid::to_lower(fall, volume, with);
    let mut notes = vec![
        match with {
            Carbonate::Calcium => {
                "Calcium can be tasted and falls out as crystals for months: for must or young mead."
            }
            _ => {
                "The smaller figure is for mead with as much tartaric acid, where cream of tartar \
                 falls out in the cold; honey's own acids take up to the larger. Begin with the \
                 smaller and measure."
            }
        }
        .to_owned(),
    ];
    if given.maybe::<Ph>("ph").is_some_and(|ph| ph.get() > HIGH_PH) {
        notes.push(
            "The pH is high already: less sour it keeps badly, and takes a quarter more sulphite \
             for each 0.1."
                .to_owned(),
        );
    }
    Plan {
        of,
        first: weighed(range.least),
        last: weighed(range.most),
        note: notes.join(" "),
        formulas: vec![
            Formula {
                name: "acid taken up by carbonates",
                source: "stoichiometry, IUPAC atomic weights; Ribéreau-Gayon et al., Handbook of Enology vol. 2 (excerpt)",
            },
            Formula {
                name: "cream of tartar takes a hydrogen ion with it, calcium tartrate does not",
                source: "Australian Wine Research Institute, Deacidification (frequently asked questions)",
            },
        ],
    }
}

fn tell_acidity(given: &Given, answer: Answer, tartaric: GramsPerLitre) -> Answer {
    let titrated = given.maybe::<Millilitres>("lye").is_some();
    let mut there = result("acidity", "Acidity as tartaric acid", tartaric);
    if titrated {
        let by = |share: f64| GramsPerLitre::computed(tartaric.get() * (1.0 + share));
        there = there
            .between(by(-TITRATION_DOUBT), by(TITRATION_DOUBT))
            .note("Pipette, lye and the eye for the end point, together.");
    }
    let sulphuric = acid::expressed(tartaric, Acid::Tartaric, Acid::Sulphuric);
    let answer =
        answer
            .result(there)
            .result(result("acidity-sulphuric", "as sulphuric acid", sulphuric));
    if titrated {
        return answer.formula(Formula {
            name: "titratable acidity, lye by 75.04 g an equivalent of tartaric acid",
            source: "stoichiometry; Missouri State University, Determination of Titratable Acidity (with 75)",
        });
    }
    answer.formula(Formula {
        name: "acidities by their equivalents",
        source: "stoichiometry, IUPAC atomic weights: 75.04 g of tartaric acid, 49.04 of sulphuric",
    })
}

/// A quarter, half, three quarters and all of the most it may take, for 100 mL to taste and for the
/// vessel. Nothing falls out of a glass that is tasted at once, so the larger figure holds there.
fn bench(
    answer: Answer,
    plan: &Plan,
    there: GramsPerLitre,
    target: GramsPerLitre,
    volume: Litres,
) -> Answer {
    let mut rows = table(
        "bench",
        "Tried in 100 mL first",
        &[
            ("sample", "Into 100 mL"),
            ("vessel", "That is, in all of it"),
            ("acidity", "Acidity by reckoning, as tartaric"),
        ],
    );
    for share in [0.25, 0.5, 0.75, 1.0] {
        let mass = plan.last.get() * share;
        let small = mass * 0.1 / volume.get();
        let acidity = there.get() + (target.get() - there.get()) * share;
        rows = rows.row(vec![
            // Too small for the scale; chalk does not dissolve.
            Amount::Words(if plan.of == Substance::CalciumCarbonate {
                format!("{:.0} mg", small * 1e6)
            } else {
                format!("{:.1} mL of 5 g in 100 mL", small * 1e6 / 50.0)
            }),
            Amount::of(Kilograms::computed(mass)),
            Amount::of(GramsPerLitre::computed(acidity)),
        ]);
    }
    answer.table(rows)
}

fn finish(answer: Answer) -> Answer {
    answer
        .how_sure(
            "The masses follow from the acids; what the pH does depends on all else that is in the \
             mead and is not reckoned: measure it. A titration counts acid to the end point (pH 8.2, \
             or 7 in Europe, which is lower), with the gas driven out before it.",
        )
        .caution(CAUTION_LYE)
        .caution(CAUTION_LAW)
}

const CAUTION_LYE: &str = "Lye burns skin and eyes: goggles and gloves, and nothing that was titrated is \
    drunk or poured back.";
const CAUTION_GAS: &str = "Carbonate makes it foam and gives off carbon dioxide: little by little, with \
    room in the vessel and moving air in the room.";

#[cfg(test)]
mod tests {
    use crate::deed::{Substance, What};
    use crate::reckon::tests::{ask, value};
    use crate::reckon::{Refusal, Told};

    fn said(refusal: Result<Told, Refusal>) -> String {
        refusal.expect_err("it cannot be").to_string()
    }

    /// The worked example of scienceaq.com 400816: 12.6 mL of 0.1 N for 15 mL are 6.3 g/L.
    #[test]
    fn a_titration() {
        let told = ask("acid", &[("sample", "15"), ("lye", "12.6 mL")]).unwrap();
        assert!((value(&told, "acidity") - 6.3).abs() < 0.01);
        assert!(
            told.sentence
                .starts_with("The acidity is 6.30 g/L as tartaric acid"),
            "{}",
            told.sentence
        );
        assert!(told.step.is_none());
        let acidity = &told.results[0];
        assert!(acidity.low.unwrap() < 6.3 && acidity.high.unwrap() > 6.3);
    }

    #[test]
    fn raised_by_equivalents() {
        let raise = |with: &str, purity: &str| {
            let told = ask(
                "acid",
                &[
                    ("acidity", "4.5"),
                    ("target", "5.5"),
                    ("volume", "20 L"),
                    ("raise-with", with),
                    ("purity", purity),
                ],
            )
            .unwrap();
            value(&told, "dose") * 1000.0
        };
        // 20 g of tartaric acid; citric for citric 1.172 times less (Gerald McDonald & Co).
        assert!((raise("tartaric", "100") - 20.0).abs() < 1e-9);
        assert!((raise("citric", "100") - (20.0 / 1.172f64).round()).abs() < 1e-9);
        assert!((raise("lactic", "80") - 30.0).abs() < 1e-9);
    }

    #[test]
    fn lowered_with_a_range() {
        let told = ask(
            "acid",
            &[
                ("acidity", "8"),
                ("target", "7"),
                ("volume", "20 L"),
                ("ph", "3.8"),
            ],
        )
        .unwrap();
        let dose = told.results.iter().find(|r| r.key == "dose").unwrap();
        // 100.115/75.04 = 1.334 g/L for 1 g/L, half of that where cream of tartar falls out.
        assert_eq!((dose.low, dose.high), (Some(0.013), Some(0.027)));
        assert!(dose.note.contains("pH is high already"));
        assert!(told.cautions.iter().any(|c| c.contains("foam")));
        let step = told.step.unwrap();
        assert_eq!(step.deed.what, What::Remark);
        assert_eq!(step.deed.doses[0].of, Substance::PotassiumBicarbonate);
        assert!((step.deed.doses[0].mass.get() - 0.013).abs() < 1e-12);
    }

    #[test]
    fn said_as_sulphuric() {
        let told = ask(
            "acid",
            &[
                ("acidity", "3"),
                ("target", "3.65"),
                ("said-as", "sulphuric"),
                ("volume", "10 L"),
            ],
        )
        .unwrap();
        // 1 g/L as sulphuric is 1.53 as tartaric (Handbook of Enology).
        assert!((value(&told, "acidity") - 4.59).abs() < 0.01);
        assert!((value(&told, "dose") * 1000.0 - 9.9).abs() < 1e-9);
    }

    #[test]
    fn limits_are_told() {
        let raise = |target: &str, with: &str| {
            let told = ask(
                "acid",
                &[
                    ("acidity", "3"),
                    ("target", target),
                    ("volume", "10 L"),
                    ("raise-with", with),
                ],
            )
            .unwrap();
            told.results
                .iter()
                .find(|r| r.key == "dose")
                .unwrap()
                .note
                .clone()
        };
        assert!(raise("7.5", "tartaric").contains("4 g/L"));
        assert!(raise("4.5", "citric").contains("1 g/L"));
        assert!(!raise("4", "citric").contains("1 g/L"));
    }

    #[test]
    fn the_bench_trial_leads_to_the_dose() {
        let told = ask(
            "acid",
            &[("acidity", "4.5"), ("target", "5.5"), ("volume", "20 L")],
        )
        .unwrap();
        let bench = &told.tables[0];
        assert_eq!(bench.rows.len(), 4);
        assert_eq!(bench.rows[3][0].text, "2.0 mL of 5 g in 100 mL");
        assert!((bench.rows[3][1].value.unwrap() - 0.020).abs() < 1e-12);
        assert!((bench.rows[1][2].value.unwrap() - 5.0).abs() < 1e-9);
    }

    /// In the glass potassium bicarbonate only takes up hydrogen ions.
    #[test]
    fn the_bench_trial_of_a_carbonate_goes_to_the_larger_figure() {
        let lower = |with: &str| {
            ask(
                "acid",
                &[
                    ("acidity", "8"),
                    ("target", "7"),
                    ("volume", "20 L"),
                    ("lower-with", with),
                ],
            )
            .unwrap()
        };
        let told = lower("potassium-bicarbonate");
        assert!(
            told.sentence.contains("13 g to 27 g potassium bicarbonate"),
            "{}",
            told.sentence
        );
        let last = &told.tables[0].rows[3];
        assert!((last[1].value.unwrap() - 0.027).abs() < 1e-12);
        assert!((last[2].value.unwrap() - 7.0).abs() < 1e-9);
        let chalk = lower("calcium-carbonate");
        assert!(
            chalk.sentence.contains("13 g calcium carbonate takes"),
            "{}",
            chalk.sentence
        );
        assert_eq!(chalk.tables[0].rows[3][0].text, "65 mg");
    }

    #[test]
    fn the_impossible_is_named() {
        assert_eq!(
            said(ask("acid", &[])),
            "Titratable acidity: this is needed, or sample and lye of a titration"
        );
        assert_eq!(
            said(ask(
                "acid",
                &[("acidity", "5"), ("sample", "10"), ("lye", "6")]
            )),
            "Titratable acidity: give it or a titration, not both"
        );
        assert_eq!(
            said(ask("acid", &[("sample", "0"), ("lye", "6")])),
            "Sample titrated: there is nothing in it"
        );
        assert_eq!(
            said(ask("acid", &[("sample", "10"), ("lye", "-6")])),
            "Lye used to the end point: volume -6 is outside 0 to 1000 mL"
        );
        assert_eq!(
            said(ask("acid", &[("acidity", "5"), ("target", "6")])),
            "Volume: this is needed to reach an acidity"
        );
        assert_eq!(
            said(ask(
                "acid",
                &[
                    ("acidity", "5"),
                    ("target", "6"),
                    ("volume", "5"),
                    ("purity", "0")
                ]
            )),
            "Purity of the acid: 0.0% is outside 1.0% to 100.0%"
        );
    }
}
