//! A mead made again from what was done.

use ebbmark_core::again::{AgainError, again, must};
use ebbmark_core::card::{Record, card};
use ebbmark_core::deed::{Deed, Substance, What};
use ebbmark_core::lineage::{self, Mead, Must, Past, Share};
use ebbmark_core::plan::{By, Finish, Nutrient, Pack, Plan, Steep};
use ebbmark_core::units::{AbvPercent, Gravity, Litres};
use proptest::prelude::*;

use crate::made::{bare, base, day, did, dose, dry, g, l, near, sweet};

fn mass(plan: &Plan, with: What, of: Substance) -> f64 {
    let goods = plan.goods.iter();
    goods
        .filter(|p| p.with == with && p.dose.of == of)
        .map(|p| p.dose.mass.get())
        .sum()
}

/// 20 L made of 6 kg of honey, 15.6 kg of water and twice 5 g of nutrient: from 50 L it takes two and
/// a half times as much.
#[test]
fn from_the_actuals_and_not_the_plan() {
    let record = Record {
        plan: Plan {
            nutrient: Some(Nutrient {
                steps: 4,
                by: By::Hours,
            }),
            pack: Some(Pack::Bottle),
            style: "dry, still".to_owned(),
            finish: Some(Finish::Sweetened),
            ..Plan::default()
        },
        ..dry()
    };
    let plan = again(&record, l(50.0)).unwrap();
    near(mass(&plan, What::Pitch, Substance::Honey), 15.0);
    near(mass(&plan, What::Pitch, Substance::Water), 39.0);
    near(mass(&plan, What::Nutrient, Substance::Nutrient), 0.025);
    let steps = plan.goods.iter().filter(|p| p.with == What::Nutrient);
    assert_eq!(steps.count(), 2);
    assert_eq!(
        plan.nutrient,
        Some(Nutrient {
            steps: 2,
            by: By::Hours
        })
    );
    assert_eq!(
        (plan.finish, plan.pack),
        (Some(Finish::Dry), Some(Pack::Bottle))
    );
    assert_eq!(plan.style, "dry, still");
    assert!((plan.gravity.map_or(0.0, Gravity::get) - 1.0).abs() < 1e-9);
    let strength = plan.strength.map_or(0.0, AbvPercent::get);
    assert_eq!(strength, (strength * 10.0).round() / 10.0);
    let honey = &plan.goods[0].dose;
    assert_eq!(
        (honey.name.as_str(), honey.extract.map(|e| e.get())),
        ("linden", Some(82.0))
    );
}

/// The part of 8 L in 20: two fifths of what the base was given, by the volume of must it stands for.
#[test]
fn a_part_is_made_from_its_share_and_is_not_preserved_unseen() {
    let record = Record {
        plan: Plan {
            steeps: vec![
                Steep {
                    name: "Fig".to_owned(),
                    days: Some(7),
                    push_every: 3,
                },
                Steep {
                    name: "oak".to_owned(),
                    days: Some(30),
                    push_every: 0,
                },
            ],
            ..Plan::default()
        },
        ..sweet()
    };
    let from = must(&record).unwrap();
    let plan = again(&record, from).unwrap();
    near(mass(&plan, What::Pitch, Substance::Honey), 2.4);
    near(mass(&plan, What::Nutrient, Substance::Nutrient), 0.004);
    near(mass(&plan, What::Addition, Substance::Fruit), 1.2);
    near(mass(&plan, What::Sweeten, Substance::Honey), 0.4);
    let salts = [
        Substance::PotassiumMetabisulphite,
        Substance::PotassiumSorbate,
    ];
    assert!(plan.goods.iter().all(|p| !salts.contains(&p.dose.of)));
    assert!(plan.fine && plan.finish == Some(Finish::Sweetened));
    // In on day 26, never taken out, sealed on day 70.
    let steeps: Vec<_> = plan
        .steeps
        .iter()
        .map(|s| (s.name.as_str(), s.days, s.push_every))
        .collect();
    assert_eq!(steeps, [("fig", Some(44), 3), ("oak", Some(30), 0)]);
    // The must 8 L of mead were: what it lost of its volume by fermenting is in it again.
    assert!(from.get() > 8.0 && from.get() < 8.4, "{from:?}");
}

#[test]
fn without_a_volume_nothing_can_be_scaled() {
    assert_eq!(again(&bare(), l(5.0)), Err(AgainError::NoVolume));
    let zero = Litres::computed(0.0);
    assert_eq!(again(&dry(), zero), Err(AgainError::Nothing));
}

/// A blend of two meads, of which only the larger one's log is its own past.
fn blend() -> Record {
    let other = vec![Deed {
        doses: vec![dose(Substance::Juice, "apple", 9.0, Some(11.0))],
        ..did(day(0), What::Pitch)
    }];
    let mead = |deeds: &[Deed], litres: f64, sg: f64| {
        let past = Past {
            deeds,
            hours: &[],
            since: None,
        };
        Mead {
            must: Some(Must {
                volume: Some(l(litres)),
                gravity: Some(g(sg)),
                cost: 0.0,
            }),
            steps: past.steps(&[], |_, _| 0.0),
        }
    };
    let meads = [
        mead(&base(), 20.0, 1.1),
        mead(&other, 9.0, 1.045),
        Mead {
            must: None,
            steps: Vec::new(),
        },
    ];
    let share = |parent, litres| Share {
        parent,
        child: 2,
        at: day(40),
        volume: Some(l(litres)),
    };
    let shares = [share(0, 10.0), share(1, 4.5)];
    let book = lineage::carry(&meads, &shares, day(60)).remove(2);
    let parent = sweet().parents.remove(0);
    Record {
        began: day(40),
        parents: vec![parent.clone(), parent],
        deeds: base(),
        book,
        ..bare()
    }
}

/// Half of the base and half of the juice.
#[test]
fn a_blend_takes_from_all_its_parents() {
    let record = blend();
    let plan = again(&record, must(&record).unwrap()).unwrap();
    near(mass(&plan, What::Pitch, Substance::Honey), 3.0);
    near(mass(&plan, What::Pitch, Substance::Juice), 4.5);
    near(mass(&plan, What::Nutrient, Substance::Nutrient), 0.005);
}

proptest! {
    /// Twice the must takes twice of everything, and what is planned adds up to the card.
    #[test]
    fn it_scales_and_adds_up(litres in 0.1..2000.0f64, times in 0.01..50.0f64) {
        for record in [dry(), sweet(), blend()] {
            let one = again(&record, l(litres)).unwrap();
            let more = again(&record, Litres::computed(litres * times)).unwrap();
            prop_assert_eq!(one.goods.len(), more.goods.len());
            for (a, b) in one.goods.iter().zip(&more.goods) {
                let (a, b) = (a.dose.mass.get() * times, b.dose.mass.get());
                prop_assert!((a - b).abs() <= 1e-9 * b, "{} {}", a, b);
            }
            let factor = litres / must(&record).unwrap().get();
            for used in card(&record).ingredients {
                let planned = one.goods.iter().filter(|p| {
                    (p.dose.of, &p.dose.name, p.dose.extract) == (used.of, &used.name, used.extract_percent)
                });
                let planned: f64 = planned.map(|p| p.dose.mass.get()).sum();
                let wanted = used.mass().unwrap().get() * factor;
                let left_out = [Substance::PotassiumMetabisulphite, Substance::PotassiumSorbate];
                if left_out.contains(&used.of) {
                    prop_assert_eq!(planned, 0.0);
                } else {
                    prop_assert!((planned - wanted).abs() <= 1e-9 * wanted, "{:?} {} {}", used, planned, wanted);
                }
            }
        }
    }
}
