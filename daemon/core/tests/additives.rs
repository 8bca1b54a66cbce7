//! Sulphite, sorbate, nutrient and acid against general libraries, and what must hold of them
//! everywhere.

use ebbmark_core::acid::{self, Acid, Carbonate};
use ebbmark_core::limits;
use ebbmark_core::molar;
use ebbmark_core::nutrient::{self, Due, Need, Sources};
use ebbmark_core::reckon::{self, Asked, Asker, Known, Refusal, Told};
use ebbmark_core::sorbate::{self, Dose};
use ebbmark_core::stock;
use ebbmark_core::sulphite::{self, Salt};
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use ebbmark_core::units::{
    AbvPercent, Celsius, FallPerDay, GramsPerLitre, Gravity, Litres, MassPercent, MgPerLitre,
    Millilitres, Normality, Percent, Ph, Plato, Preferences,
};
use jiff::tz::TimeZone;
use proptest::prelude::*;
use serde::Deserialize;
use std::collections::BTreeMap;

/// Made by `tests/oracles/additives.py` with periodictable and scipy.
#[derive(Deserialize)]
struct Libraries {
    molar: BTreeMap<String, f64>,
    pk: Vec<[f64; 3]>,
    sorbate_ml: Vec<[f64; 3]>,
    free: Vec<[f64; 3]>,
}

fn libraries() -> Libraries {
    serde_json::from_str(include_str!("data/additives/libraries.json"))
        .expect("the script writes this form")
}

fn litres(v: f64) -> Litres {
    Litres::computed(v)
}

fn mg(v: f64) -> MgPerLitre {
    MgPerLitre::computed(v)
}

fn titrated(sample: f64, strength: f64, lye: f64) -> Option<GramsPerLitre> {
    acid::titrated(
        Millilitres::computed(sample),
        Normality::computed(strength),
        Millilitres::computed(lye),
    )
}

fn percent(v: f64) -> Percent {
    Percent::computed(v)
}

/// Abridged atomic weights differ from the library's in the fifth figure at most.
#[test]
fn molar_masses_as_periodictable() {
    let ours = [
        ("nitrogen", molar::NITROGEN),
        ("water", molar::WATER),
        ("carbon dioxide", molar::CARBON_DIOXIDE),
        ("ethanol", molar::ETHANOL),
        ("hexose", molar::HEXOSE),
        ("sucrose", molar::SUCROSE),
        ("glucose monohydrate", molar::GLUCOSE_MONOHYDRATE),
        ("sulphur dioxide", molar::SULPHUR_DIOXIDE),
        ("potassium metabisulphite", molar::POTASSIUM_METABISULPHITE),
        ("sodium metabisulphite", molar::SODIUM_METABISULPHITE),
        ("sorbic acid", molar::SORBIC_ACID),
        ("potassium sorbate", molar::POTASSIUM_SORBATE),
        ("diammonium phosphate", molar::DIAMMONIUM_PHOSPHATE),
        ("tartaric acid", molar::TARTARIC_ACID),
        ("malic acid", molar::MALIC_ACID),
        ("citric acid", molar::CITRIC_ACID),
        ("citric acid monohydrate", molar::CITRIC_ACID_MONOHYDRATE),
        ("lactic acid", molar::LACTIC_ACID),
        ("acetic acid", molar::ACETIC_ACID),
        ("sulphuric acid", molar::SULPHURIC_ACID),
        ("potassium bicarbonate", molar::POTASSIUM_BICARBONATE),
        ("potassium carbonate", molar::POTASSIUM_CARBONATE),
        ("calcium carbonate", molar::CALCIUM_CARBONATE),
    ];
    let theirs = libraries().molar;
    assert_eq!(theirs.len(), ours.len());
    for (name, mass) in ours {
        assert!((mass / theirs[name] - 1.0).abs() < 2e-5, "{name}: {mass}");
    }
}

#[test]
fn tables_read_as_scipy_reads_them() {
    let theirs = libraries();
    for [strength, t, pk] in theirs.pk {
        let ours = sulphite::oiv_pk(AbvPercent::computed(strength), Celsius::computed(t)).unwrap();
        assert!(
            (ours - pk).abs() < 1e-12,
            "{strength} % vol, {t} °C: {ours} against {pk}"
        );
    }
    for [strength, ph, ml] in theirs.sorbate_ml {
        let Dose::Table(sorbic) = sorbate::dose(AbvPercent::computed(strength), Ph::computed(ph))
        else {
            panic!("{strength} % vol, pH {ph} lies in the table");
        };
        let salt = sorbate::potassium_sorbate(sorbic, litres(1.0));
        let ours = stock::volume(salt, GramsPerLitre::computed(30.0)).get() * 1000.0;
        assert!(
            (ours - ml).abs() < 1e-9,
            "{strength} % vol, pH {ph}: {ours} against {ml}"
        );
    }
}

/// The second dissociation, which is left out, would ask for a seventh of a per cent more at pH 4.
#[test]
fn the_second_dissociation_does_not_matter() {
    for [molecular, ph, free] in libraries().free {
        let ours = sulphite::free_for(mg(molecular), Ph::computed(ph)).get();
        assert!(
            (free / ours - 1.0).abs() < 0.0015,
            "pH {ph}: {ours} against {free}"
        );
        assert!(ours < free);
    }
}

#[test]
fn outside_the_sorbate_table() {
    let dose = |strength, ph| sorbate::dose(AbvPercent::computed(strength), Ph::computed(ph));
    assert_eq!(dose(9.9, 3.3), Dose::Outside);
    assert_eq!(dose(12.0, 3.51), Dose::Outside);
    assert_eq!(dose(15.0, 3.6), Dose::Outside);
    let Dose::Table(corner) = dose(14.0, 3.1) else {
        panic!("14 % vol, pH 3.1 is the table's corner");
    };
    assert_eq!(dose(16.0, 2.9), Dose::Edge(corner));
}

#[test]
fn outside_the_oiv_table() {
    let pk = |strength, t| sulphite::oiv_pk(AbvPercent::computed(strength), Celsius::computed(t));
    assert_eq!(pk(12.0, 15.0), None);
    assert_eq!(pk(15.5, 20.0), None);
}

#[test]
fn nothing_is_carried_on_beyond_the_line() {
    let wanted = |bx| nutrient::wanted(Plato::computed(bx), Need::Usual);
    for bx in [8.0, 35.0] {
        let nutrient::Wanted::Range { low, high, plan } = wanted(bx) else {
            panic!("{bx} °Bx is outside the line");
        };
        assert!(low <= plan && plan <= high);
    }
    assert_eq!(wanted(10.0).plan(), wanted(20.9).plan());
    assert_eq!(wanted(28.0).plan(), wanted(40.0).plan());
}

#[test]
fn all_bound_and_none_pure_are_refused() {
    assert_eq!(
        sulphite::to_add(mg(0.0), mg(30.0), percent(100.0)),
        Err(sulphite::AllBound)
    );
    assert_eq!(
        acid::to_raise(
            GramsPerLitre::computed(1.0),
            litres(10.0),
            Acid::Lactic,
            percent(0.0)
        ),
        Err(acid::NoAcid)
    );
    assert_eq!(titrated(0.0, 0.1, 5.0), None);
}

fn salt() -> impl Strategy<Value = Salt> {
    prop_oneof![Just(Salt::Potassium), Just(Salt::Sodium)]
}

fn any_acid() -> impl Strategy<Value = Acid> {
    prop::sample::select(vec![
        Acid::Tartaric,
        Acid::Malic,
        Acid::Citric,
        Acid::CitricMonohydrate,
        Acid::Lactic,
        Acid::Acetic,
        Acid::Sulphuric,
    ])
}

fn carbonate() -> impl Strategy<Value = Carbonate> {
    prop::sample::select(vec![
        Carbonate::PotassiumBicarbonate,
        Carbonate::PotassiumCarbonate,
        Carbonate::Calcium,
    ])
}

fn close(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * a.abs().max(b.abs()).max(1.0)
}

/// The answer to fields as typed.
fn reckoned(key: &str, fields: &[(&str, String)]) -> Result<Told, Refusal> {
    let asker = Asker {
        now: Moment(1_772_000_000_000),
        style: Style {
            units: Preferences::USUAL,
            zone: &TimeZone::UTC,
        },
    };
    let fields = Asked::new(fields.iter().map(|(k, v)| ((*k).to_owned(), v.clone())));
    let which = reckon::find(key).expect("a reckoning of that name");
    reckon::reckon(which, &fields, "", &Known::default(), &asker)
}

/// The plain value of a result, where it is there.
fn found(told: &Told, key: &str) -> Option<f64> {
    told.results.iter().find(|r| r.key == key)?.value
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 512, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever is asked of whatever mead, neither the powder nor the solution goes past the law.
    #[test]
    fn stabilising_stays_within_the_law(
        volume in 0.2..2000.0f64, ph in 2.5..7.0f64, strength in 0.0..20.0f64,
        free in 0.0..120.0f64, total in 0.0..400.0f64, sorbic in 0.0..320.0f64,
        molecular in 0.1..2.0f64, bound in 0.0..90.0f64,
        solution in 1.0..400.0f64, sorbate_solution in 1.0..500.0f64,
        salt in salt(), rules in prop::sample::select(limits::RULES.to_vec()),
    ) {
        let told = reckoned("stabilise", &[
            ("volume", format!("{volume} L")),
            ("ph", ph.to_string()),
            ("strength", strength.to_string()),
            ("free-now", free.to_string()),
            ("total-now", total.to_string()),
            ("sorbic-now", sorbic.to_string()),
            ("molecular", molecular.to_string()),
            ("bound", bound.to_string()),
            ("solution", solution.to_string()),
            ("sorbate-solution", sorbate_solution.to_string()),
            ("salt", if salt == Salt::Sodium { "sodium" } else { "potassium" }.to_owned()),
            ("rules", rules.key.to_owned()),
        ]).map_err(|e| TestCaseError::fail(e.to_string()))?;
        let of_solution = |key: &str, strength: f64| {
            found(&told, key).unwrap_or(0.0) * strength / volume
        };
        let so_far = total.max(free);
        let most = rules.sulphur_dioxide.most.get();
        let added = (found(&told, "metabisulphite").unwrap_or(0.0) * 1e6 / volume)
            .max(of_solution("metabisulphite-solution", solution)) * salt.sulphur_dioxide();
        prop_assert!(added == 0.0 || so_far + added <= most + 1e-6, "{so_far} and {added}");
        let most = rules.sorbic_acid.most.get();
        let added = (found(&told, "potassium-sorbate").unwrap_or(0.0) * 1e6 / volume)
            .max(of_solution("sorbate-solution", sorbate_solution)) * sorbate::SORBIC_SHARE;
        prop_assert!(added == 0.0 || sorbic + added <= most + 1e-6, "{sorbic} and {added}");
        for dose in told.step.iter().flat_map(|s| &s.deed.doses) {
            prop_assert!(dose.mass.get() > 0.0);
        }
    }

    /// All steps together stay within the limit for phosphate, rounded as they are.
    #[test]
    fn nutrient_stays_within_the_law(
        volume in 0.5..2000.0f64, original in 1.04..1.16f64, fallen in 0.0..0.3f64,
        steps in 1u8..=6, so_far in 0.0..1.2f64, other in prop::option::of(1.0..15.0f64),
        rules in prop::sample::select(limits::RULES.to_vec()),
    ) {
        let mut fields = vec![
            ("volume", format!("{volume} L")),
            ("original", original.to_string()),
            ("gravity", (original - fallen * (original - 1.0)).to_string()),
            ("fall", "0.008".to_owned()),
            ("steps", steps.to_string()),
            ("phosphate-so-far", format!("{} g", so_far * volume)),
            ("rules", rules.key.to_owned()),
        ];
        fields.extend(other.map(|share| ("other", share.to_string())));
        let told = reckoned("nutrient", &fields).map_err(|e| TestCaseError::fail(e.to_string()))?;
        let masses = told.tables.iter().flat_map(|t| &t.rows).filter_map(|row| row[3].value);
        let added: f64 = masses.sum::<f64>() * 1e6 / volume;
        let most = rules.diammonium_phosphate.most.get();
        prop_assert!(added == 0.0 || so_far * 1000.0 + added <= most + 1e-6);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 256, failure_persistence: None, ..ProptestConfig::default() })]

    /// Free, bound and added sulphur dioxide balance; the salt weighed brings back what was asked.
    #[test]
    fn sulphite_balances(
        now in 0.0..100.0f64, target in 0.1..2.0f64, ph in 2.9..4.0f64,
        bound in 0.0..90.0f64, volume in 0.5..5000.0f64, salt in salt(),
    ) {
        let ph = Ph::computed(ph);
        let wanted = sulphite::free_for(mg(target), ph);
        prop_assert!(close(sulphite::molecular(wanted, ph).get(), target));
        let added = sulphite::to_add(mg(now), wanted, percent(bound)).unwrap();
        let after = sulphite::free_after(mg(now), added, percent(bound)).get();
        prop_assert!(close(after, wanted.get().max(now)));
        let mass = sulphite::salt_for(added, litres(volume), salt);
        prop_assert!(close(sulphite::added_by(mass, litres(volume), salt).get(), added.get()));
    }

    /// The higher the pH, the more free is wanted for the same protection.
    #[test]
    fn free_wanted_rises_with_ph(target in 0.1..2.0f64, ph in 2.9..3.9f64, step in 0.01..0.1f64) {
        let free = |ph| sulphite::free_for(mg(target), Ph::computed(ph)).get();
        prop_assert!(free(ph) < free(ph + step));
    }

    /// Stronger needs less sorbate, less sour more, everywhere in the table.
    #[test]
    fn sorbate_is_monotone(
        strength in 10.0..13.9f64, ph in 3.1..3.45f64, volume in 0.5..5000.0f64,
    ) {
        let dose = |strength, ph| match sorbate::dose(AbvPercent::computed(strength), Ph::computed(ph)) {
            Dose::Table(sorbic) => sorbic,
            other => panic!("{other:?}"),
        };
        let here = dose(strength, ph);
        prop_assert!(dose(strength + 0.1, ph) < here);
        prop_assert!(dose(strength, ph + 0.05) > here);
        let salt = sorbate::potassium_sorbate(here, litres(volume));
        prop_assert!(close(sorbate::sorbic_acid(salt, litres(volume)).get(), here.get()));
    }

    /// All the nitrogen asked for is either brought or told as missing, and the phosphate stays within
    /// its limit.
    #[test]
    fn nitrogen_balances(
        missing in 0.0..400.0f64, volume in 0.5..5000.0f64, share in 0.0..100.0f64,
        other in prop::option::of(1.0..15.0f64), most in prop::option::of(100.0..1500.0f64),
        other_most in prop::option::of(100.0..2000.0f64),
    ) {
        let ration = nutrient::ration(mg(missing), litres(volume), Sources {
            phosphate: percent(share),
            other: other.map(MassPercent::computed),
            phosphate_most: most.map(mg),
            other_most: other_most.map(mg),
        });
        prop_assert!(close(ration.brings.get() + ration.missing.get(), missing));
        let per_litre = |kg: f64| kg * 1e6 / volume;
        let from_phosphate = per_litre(ration.phosphate.get()) * nutrient::PHOSPHATE_SHARE;
        let from_other = per_litre(ration.other.get()) * other.unwrap_or(0.0) / 100.0;
        prop_assert!(close(from_phosphate + from_other, ration.brings.get()));
        for (mass, most) in [(ration.phosphate, most), (ration.other, other_most)] {
            prop_assert!(per_litre(mass.get()) <= most.unwrap_or(f64::INFINITY) * (1.0 + 1e-12));
        }
    }

    /// Steps fall, the last stands at a third of the sugar, and the share used up leads back.
    #[test]
    fn steps_fall_to_a_third(
        original in 1.04..1.15f64, end in 0.99..1.03f64, count in 2usize..7,
    ) {
        prop_assume!(original - end > 0.01);
        let (original, end) = (Gravity::computed(original), Gravity::computed(end));
        let steps = nutrient::steps(original, end, count);
        prop_assert_eq!(steps.len(), count);
        prop_assert!(close(steps[0].get(), original.get()));
        prop_assert!(steps.windows(2).all(|w| w[1] < w[0]));
        let used = nutrient::used_at(original, end, steps[count - 1]).unwrap();
        prop_assert!((used - nutrient::LAST_STEP).abs() < 1e-9);
    }

    /// A fall kept up for the time told arrives at the step.
    #[test]
    fn due_is_when_it_arrives(now in 1.0..1.12f64, at in 0.99..1.12f64, fall in 0.0005..0.03f64) {
        let due = nutrient::due(Gravity::computed(now), Gravity::computed(at), FallPerDay::computed(fall));
        match due {
            Due::In(hours) => prop_assert!(close(now - fall * hours.get() / 24.0, at)),
            Due::Passed => prop_assert!(now <= at),
            Due::Unknown => prop_assert!(false, "it falls"),
        }
    }

    /// What is weighed in to raise or lower brings what was asked; one acid said as another and back.
    #[test]
    fn acid_balances(
        change in 0.05..5.0f64, volume in 0.5..5000.0f64, acid in any_acid(), to in any_acid(),
        purity in 10.0..100.0f64, with in carbonate(),
    ) {
        let (wanted, volume) = (GramsPerLitre::computed(change), litres(volume));
        let mass = acid::to_raise(wanted, volume, acid, percent(purity)).unwrap();
        prop_assert!(close(acid::raised_by(mass, volume, acid, percent(purity)).get(), change));
        let lowering = acid::to_lower(wanted, volume, with);
        prop_assert!(close(acid::lowered_by(lowering.most, volume, with).get(), change));
        prop_assert!(lowering.least <= lowering.most);
        let there = acid::expressed(wanted, acid, to);
        prop_assert!(close(acid::expressed(there, to, acid).get(), change));
        prop_assert!(close(
            acid::milliequivalents(wanted, acid),
            acid::milliequivalents(there, to)
        ));
    }

    /// As much lye as neutralises a known acid says that acid.
    #[test]
    fn a_titration_finds_what_was_dissolved(
        grams in 0.5..15.0f64, sample in 1.0..50.0f64, normality in 0.01..1.0f64,
    ) {
        let millimoles = grams * sample / 1000.0 / Acid::Tartaric.equivalent() * 1000.0;
        let found = titrated(sample, normality, millimoles / normality).unwrap();
        prop_assert!(close(found.get(), grams));
    }
}
