//! Densities, strength, musts, sweetening and the refractometer beside general libraries.
//!
//! Expected values by `tests/oracles/mixture.py` (iapws, CoolProp, scipy), which finds them by
//! other unknowns and other root finders.

use ebbmark_core::density::{ethanol, water};
use ebbmark_core::liquid::{Liquid, Step, carry};
use ebbmark_core::must::ingredient::{Ingredient, Portion};
use ebbmark_core::must::to_target;
use ebbmark_core::refraction::{reading, with_gravity, with_original};
use ebbmark_core::strength::from_gravities;
use ebbmark_core::sweeten::to_gravity;
use ebbmark_core::units::{AbvPercent, Brix, Gravity, Kilograms, Litres, MassPercent};
use serde_json::Value;

/// The rows of one topic.
fn rows(topic: &str) -> Vec<Value> {
    let all: Value = serde_json::from_str(include_str!("data/mixture/libraries.json"))
        .expect("the file is JSON");
    let rows = all[topic].as_array().expect("a list").clone();
    assert!(!rows.is_empty());
    rows
}

fn n(row: &Value, key: &str) -> f64 {
    row[key]
        .as_f64()
        .unwrap_or_else(|| panic!("{key} in {row}"))
}

fn g(v: f64) -> Gravity {
    Gravity::computed(v)
}

fn honey(row: &Value) -> Ingredient {
    Ingredient::honey(MassPercent::computed(n(row, "moisture")))
}

fn near(ours: f64, theirs: f64, tolerance: f64, row: &Value) {
    assert!((ours - theirs).abs() <= tolerance, "{ours} in {row}");
}

/// IAPWS-95 by iapws. The CIPM formula is stated to 0.001 kg/m³; at 40 °C they are 0.0012 apart.
#[test]
fn water_beside_iapws() {
    for row in rows("water") {
        near(
            water::density(n(&row, "t")),
            n(&row, "density"),
            0.002,
            &row,
        );
    }
}

/// CoolProp's ethanol in water is another data set, 0.3 kg/m³ off R 22 at 5 %.
#[test]
fn ethanol_beside_coolprop() {
    for row in rows("ethanol") {
        let ours = ethanol::density(n(&row, "mass"), n(&row, "t"));
        near(ours, n(&row, "density"), 0.6, &row);
    }
}

#[test]
fn strength_beside_scipy() {
    for row in rows("strength") {
        let s = from_gravities(g(n(&row, "original")), g(n(&row, "now"))).expect("a mead");
        near(s.by_volume.get(), n(&row, "by-volume"), 1e-8, &row);
        near(s.by_mass.get(), n(&row, "by-mass"), 1e-8, &row);
        near(s.real_extract.get(), n(&row, "real-extract"), 1e-8, &row);
    }
}

#[test]
fn a_fed_batch_beside_scipy() {
    for row in rows("fed") {
        let start = Liquid::must(Litres::computed(n(&row, "litres")), g(n(&row, "original")));
        let honey = honey(&row)
            .portion(Kilograms::computed(n(&row, "honey")))
            .expect("a mass");
        let steps = [Step::In(honey.liquid), Step::Reads(g(n(&row, "now")))];
        let end = carry(start.expect("a must"), &steps)
            .expect("possible")
            .liquid;
        near(
            end.volume().expect("thin").get(),
            n(&row, "litres-after"),
            1e-6,
            &row,
        );
        near(
            end.strength().expect("thin").get(),
            n(&row, "by-volume"),
            1e-6,
            &row,
        );
    }
}

#[test]
fn must_beside_scipy() {
    for row in rows("must") {
        let volume = Litres::computed(n(&row, "litres"));
        let recipe = to_target(volume, g(n(&row, "gravity")), honey(&row), Portion::NOTHING)
            .expect("possible");
        near(recipe.sweet.get(), n(&row, "honey"), 1e-7, &row);
        near(recipe.water.get(), n(&row, "water"), 1e-7, &row);
    }
}

#[test]
fn sweetening_beside_scipy() {
    for row in rows("sweeten") {
        let mead = Liquid::mead(
            Litres::computed(n(&row, "litres")),
            g(n(&row, "gravity")),
            AbvPercent::computed(n(&row, "strength")),
        )
        .expect("a mead");
        let s = to_gravity(mead, g(n(&row, "target")), honey(&row)).expect("possible");
        near(s.added.get(), n(&row, "honey"), 1e-8, &row);
        near(
            s.after.volume().expect("thin").get(),
            n(&row, "litres-after"),
            1e-7,
            &row,
        );
        near(
            s.after.strength().expect("thin").get(),
            n(&row, "strength-after"),
            1e-7,
            &row,
        );
    }
}

#[test]
fn refractometer_beside_scipy() {
    for row in rows("refractometer") {
        let (original, now) = (g(n(&row, "original")), g(n(&row, "now")));
        let mead = Liquid::must(Litres::computed(1.0), original)
            .and_then(|m| m.ferment_to(now))
            .expect("a mead")
            .liquid;
        near(
            reading(mead).expect("thin").get(),
            n(&row, "reading"),
            1e-7,
            &row,
        );
        let read = Brix::computed(n(&row, "reading"));
        for found in [with_original(read, original), with_gravity(read, now)] {
            let strength = found.expect("they go together").strength().expect("a mead");
            near(strength.get(), n(&row, "by-volume"), 1e-5, &row);
        }
    }
}
