//! What must hold of every must and mead, whatever is done to it: nothing is lost, what is done
//! and undone is as before, and what physics makes rise rises.

use ebbmark_core::blend::{Wanted, pour_in, together};
use ebbmark_core::density::scale::{from_60_60, to_60_60};
use ebbmark_core::density::{gravity_from_plato, plato_from_gravity};
use ebbmark_core::liquid::{EXTRACT_PER_ETHANOL, Liquid, Step, carry};
use ebbmark_core::must::ingredient::{Ingredient, LIST, Portion};
use ebbmark_core::must::{correct, to_target};
use ebbmark_core::refraction::{reading, with_gravity, with_original};
use ebbmark_core::share::{Container, fill};
use ebbmark_core::strength::from_gravities;
use ebbmark_core::sweeten::to_gravity;
use ebbmark_core::units::{
    AbvPercent, Brix, Count, Gravity, Kilograms, Litres, MassPercent, Percent,
};
use proptest::prelude::*;

const CLOSED: f64 = 1e-9;

fn l(v: f64) -> Litres {
    Litres::computed(v)
}

fn g(v: f64) -> Gravity {
    Gravity::computed(v)
}

fn kg(v: f64) -> Kilograms {
    Kilograms::computed(v)
}

fn honey(water: f64) -> Ingredient {
    Ingredient::honey(MassPercent::computed(water))
}

fn of(part: Liquid) -> [f64; 3] {
    [
        part.water().get(),
        part.extract().get(),
        part.ethanol().get(),
    ]
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() <= CLOSED * (1.0 + a.abs().max(b.abs()))
}

/// A mead that can be: fermented from a must.
fn mead() -> impl Strategy<Value = Liquid> {
    (1.0..500.0, 1.02..1.15, 0.0..0.95).prop_map(|(litres, og, gone)| {
        let must = Liquid::must(l(litres), g(og)).expect("a must");
        let part = kg(must.extract().get() * gone);
        must.ferment(part).expect("that much is there").liquid
    })
}

/// Something done to a batch.
fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        (1.0..1.15).prop_map(|v| Step::Reads(g(v))),
        (0.0..5.0, 0.0..5.0).prop_map(|(water, extract)| {
            Step::In(Liquid::of(kg(water), kg(extract * 0.5), kg(0.0)).expect("masses"))
        }),
        (0.0..4.0).prop_map(|v| Step::Out(l(v))),
        mead().prop_map(|m| Step::In(m.part(0.05))),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn what_a_mead_reads_makes_the_same_mead(m in mead()) {
        let again = Liquid::mead(m.volume().unwrap(), m.gravity().unwrap(), m.strength().unwrap()).unwrap();
        for (a, b) in of(m).into_iter().zip(of(again)) {
            prop_assert!(near(a, b), "{m:?} {again:?}");
        }
    }

    #[test]
    fn fermenting_loses_nothing(m in mead(), share in 0.0..1.0f64) {
        let made = m.ferment(kg(m.extract().get() * share)).unwrap();
        let after = made.liquid.mass().get() + made.carbon_dioxide.get() + made.yeast.get();
        prop_assert!(near(after, m.mass().get()));
        prop_assert_eq!(made.liquid.water(), m.water());
        let sugar = made.liquid.extract().get() + made.ethanol.get() * EXTRACT_PER_ETHANOL;
        prop_assert!(near(sugar, m.extract().get()));
        // Back with the extract, gas and yeast: what it was before.
        prop_assert!(near(made.liquid.unfermented().mass().get(), m.unfermented().mass().get()));
    }

    #[test]
    fn gravity_falls_and_strength_rises_with_what_ferments(m in mead(), a in 0.0..1.0f64, b in 0.0..1.0f64) {
        prop_assume!((a - b).abs() > 1e-3);
        let (less, more) = (a.min(b), a.max(b));
        let at = |share: f64| m.ferment(kg(m.extract().get() * share)).unwrap().liquid;
        prop_assert!(at(more).gravity().unwrap() < at(less).gravity().unwrap());
        prop_assert!(at(more).strength().unwrap() > at(less).strength().unwrap());
        prop_assert!(reading(at(more)).unwrap() < reading(at(less)).unwrap());
    }

    #[test]
    fn fermented_to_a_gravity_reads_it(og in 1.02..1.16f64, share in 0.0..1.0f64) {
        let must = Liquid::must(l(20.0), g(og)).unwrap();
        let target = must.ferment(kg(must.extract().get() * share)).unwrap().liquid;
        let found = must.ferment_to(target.gravity().unwrap()).unwrap().liquid;
        prop_assert!(near(found.ethanol().get(), target.ethanol().get()));
        prop_assert!((found.gravity().unwrap().get() - target.gravity().unwrap().get()).abs() < 1e-12);
    }

    #[test]
    fn strength_does_not_ask_how_much(og in 1.02..1.16f64, litres in 0.1..5000.0f64) {
        let now = og - (og - 1.0) * 0.8;
        let s = from_gravities(g(og), g(now)).unwrap();
        let much = Liquid::must(l(litres), g(og)).unwrap().ferment_to(g(now)).unwrap().liquid;
        prop_assert!(near(much.strength().unwrap().get(), s.by_volume.get()));
        // By definition, whatever else is in it; water at 20 °C weighs 998.2067 kg/m³ (CIPM).
        prop_assert!((s.by_mass.get() * now * 998.206_7 / 789.24 - s.by_volume.get()).abs() < 1e-5);
    }

    #[test]
    fn parts_make_the_whole(m in mead(), share in 0.0..1.0f64) {
        let volume = m.volume().unwrap().get();
        let (out, left) = m.take(l(volume * share)).unwrap();
        for ((whole, a), b) in of(m).into_iter().zip(of(out)).zip(of(left)) {
            prop_assert!(near(whole, a + b));
        }
        prop_assert!(near(out.volume().unwrap().get() + left.volume().unwrap().get(), volume));
    }

    /// Water, extract and ethanol of a batch with anything done to it, to the billionth.
    #[test]
    fn a_batch_balances(start in mead(), steps in prop::collection::vec(step(), 0..12)) {
        let possible: Vec<Step> = steps.into_iter().fold(Vec::new(), |mut so_far, step| {
            so_far.push(step);
            if carry(start, &so_far).is_err() {
                so_far.pop();
            }
            so_far
        });
        let carried = carry(start, &possible).unwrap();
        let poured = possible.iter().filter_map(|s| match s {
            Step::In(liquid) => Some(*liquid),
            _ => None,
        });
        let all_in = poured.fold(start, Liquid::with);
        let (end, taken) = (carried.liquid, carried.taken);
        let out = end.mass().get() + taken.mass().get() + carried.carbon_dioxide.get() + carried.yeast.get();
        prop_assert!(near(all_in.mass().get(), out));
        prop_assert!(near(all_in.water().get(), end.water().get() + taken.water().get()));
        let sugar = |liquid: Liquid| liquid.extract().get() + EXTRACT_PER_ETHANOL * liquid.ethanol().get();
        prop_assert!(near(sugar(all_in), sugar(end) + sugar(taken)));
    }

    #[test]
    fn must_from_target_and_back(litres in 1.0..1000.0f64, gravity in 1.03..1.16f64, water in 15.0..21.0f64,
                                 item in 0..LIST.len(), share in 0.0..0.2f64) {
        let given = LIST[item].ingredient.portion(kg(litres * share)).unwrap();
        let Ok(recipe) = to_target(l(litres), g(gravity), honey(water), given) else {
            // Too sweet or too wet to be had: then the given part alone says so.
            return Ok(());
        };
        let must = recipe.must;
        prop_assert!(near(must.liquid.volume().unwrap().get(), litres));
        prop_assert!((must.liquid.gravity().unwrap().get() - gravity).abs() < 1e-9);
        let weighed = recipe.sweet.get() + recipe.water.get() + litres * share;
        prop_assert!(near(weighed, must.liquid.mass().get() + must.pulp.get()));
        let sugar = recipe.sweet.get() * (1.0 - water / 100.0) + given.liquid.extract().get();
        prop_assert!(near(sugar, must.liquid.extract().get()));
    }

    #[test]
    fn more_honey_more_gravity(litres in 1.0..100.0f64, honey_kg in 0.1..2.0f64, more in 0.01..0.5f64) {
        let of = |m: f64| {
            let honey = honey(17.2).portion(kg(m)).unwrap();
            honey.with(Ingredient::WATER.portion(kg(litres)).unwrap()).liquid
        };
        prop_assert!(of(honey_kg + more).gravity().unwrap() > of(honey_kg).gravity().unwrap());
        prop_assert!(of(honey_kg + more).volume().unwrap() > of(honey_kg).volume().unwrap());
    }

    #[test]
    fn corrected_must_reads_the_target(litres in 1.0..500.0f64, now in 1.03..1.15f64, target in 1.03..1.15f64) {
        let with = if target > now { honey(17.2) } else { Ingredient::WATER };
        let c = correct(l(litres), g(now), g(target), with).unwrap();
        prop_assert!((c.after.gravity().unwrap().get() - target).abs() < 1e-9);
        let must = Liquid::must(l(litres), g(now)).unwrap();
        prop_assert!(near(c.after.mass().get(), must.mass().get() + c.add.get()));
        let (_, kept) = must.take(c.take_out).unwrap();
        let same = kept.with(with.portion(c.add_instead).unwrap().liquid);
        prop_assert!(near(same.volume().unwrap().get(), litres));
        prop_assert!((same.gravity().unwrap().get() - target).abs() < 1e-9);
    }

    #[test]
    fn sweetened_reads_the_target(m in mead(), up in 0.0..0.04f64, water in 15.0..21.0f64) {
        let now = m.gravity().unwrap().get();
        let s = to_gravity(m, g(now + up), honey(water)).unwrap();
        prop_assert!((s.after.gravity().unwrap().get() - now - up).abs() < 1e-9);
        prop_assert!(near(s.after.mass().get(), m.mass().get() + s.added.get()));
        prop_assert!(near(s.after.ethanol().get(), m.ethanol().get()));
        let sugar = m.extract().get() + s.added.get() * (1.0 - water / 100.0);
        prop_assert!(near(s.after.extract().get(), sugar));
        let again = s.restarted().unwrap().made;
        prop_assert!(again.liquid.gravity().unwrap() <= s.after.gravity().unwrap());
    }

    #[test]
    fn blends_balance(a in mead(), b in mead(), between in 0.05..0.95f64) {
        let (sa, sb) = (a.strength().unwrap().get(), b.strength().unwrap().get());
        prop_assume!((sa - sb).abs() > 0.1);
        let wanted = AbvPercent::computed(sa + between * (sb - sa));
        let (poured, blend) = pour_in(a, b, Wanted::Strength(wanted)).unwrap();
        prop_assert!(near(blend.strength().unwrap().get(), wanted.get()));
        let part = b.weighing(kg(blend.mass().get() - a.mass().get()));
        prop_assert!(near(part.volume().unwrap().get(), poured.get()));
        for (x, y) in of(together(&[a, part])).into_iter().zip(of(blend)) {
            prop_assert!(near(x, y));
        }
    }

    #[test]
    fn a_refractometer_finds_the_mead_it_read(og in 1.03..1.13f64, share in 0.0..0.95f64) {
        let must = Liquid::must(l(1.0), g(og)).unwrap();
        let m = must.ferment(kg(must.extract().get() * share)).unwrap().liquid;
        let (strength, read) = (m.strength().unwrap().get(), reading(m).unwrap());
        prop_assume!(read.get() >= 0.0);
        let read = Brix::new(read.get()).unwrap();
        let by_gravity = with_gravity(read, m.gravity().unwrap()).unwrap();
        let by_original = with_original(read, g(og)).unwrap();
        prop_assert!((by_gravity.strength().unwrap().get() - strength).abs() < 1e-5);
        prop_assert!((by_original.strength().unwrap().get() - strength).abs() < 1e-5);
    }

    #[test]
    fn scales_lead_back(sg in 0.98..1.2f64, original in 1.05..1.2f64) {
        let g0 = g(sg);
        let back = gravity_from_plato(plato_from_gravity(g0)).unwrap();
        prop_assert!((back.get() - sg).abs() < 1e-10);
        for original in [None, Some(g(original))] {
            let back = from_60_60(to_60_60(g0, original).unwrap(), original).unwrap();
            prop_assert!((back.get() - sg).abs() < 1e-10);
        }
    }

    #[test]
    fn sharing_out_loses_nothing(there in 0.0..500.0f64, each in 0.05..60.0f64, n in prop::option::of(0u32..40)) {
        let how_many = n.map(|n| Count::computed(f64::from(n)));
        let filled = fill(l(there), &[Container { each: l(each), how_many }, Container { each: l(0.75), how_many: None }]).unwrap();
        let mut left = there;
        for (f, size) in filled.iter().zip([each, 0.75]) {
            left -= f.full.get() * size + f.rest.get();
            prop_assert!((f.left.get() - left).abs() < 1e-6);
        }
    }

    /// The same asked in litres and in gallons, in grams and in pounds.
    #[test]
    fn units_change_nothing(litres in 1.0..100.0f64, gravity in 1.03..1.14f64) {
        use ebbmark_core::units::{LITRES_PER_US_GALLON, Preferences, Quantity, VolumeScale};
        let gallons = Preferences { volume: VolumeScale::UsGallons, ..Preferences::USUAL };
        let typed = format!("{}", litres / LITRES_PER_US_GALLON);
        let volume = Litres::MEASURE.read(&typed, gallons).unwrap();
        let a = to_target(l(litres), g(gravity), honey(17.2), Portion::NOTHING).unwrap();
        let b = to_target(l(volume), g(gravity), honey(17.2), Portion::NOTHING).unwrap();
        prop_assert!(near(a.sweet.get(), b.sweet.get()));
    }
}

/// What ferments of honey lies between what it surely and at most gives.
#[test]
fn potential_strength_grows_with_what_ferments() {
    use ebbmark_core::strength::potential;
    let at = |share: f64| {
        let (strength, reads) = potential(g(1.1), Percent::computed(share)).unwrap();
        (strength.unwrap(), reads)
    };
    assert!(at(85.0).0 < at(94.0).0 && at(94.0).0 < at(97.0).0);
    assert!(at(85.0).1 > at(97.0).1);
}
