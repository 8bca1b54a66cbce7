//! The card of made-up meads: what it says, its schema, and its log through the import. Names,
//! masses and prices are invented; what is expected is added up by hand beside each check.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod again;
mod made;

use std::collections::BTreeSet;

use ebbmark_core::card::{Card, Line, Phase, Record, card, csv};
use ebbmark_core::deed::{Deed, Dose, Substance, What};
use ebbmark_core::files::{ON_RECORD, events};
use ebbmark_core::lineage::{self, Mead, Must, Past, Share};
use ebbmark_core::time::Span;
use ebbmark_core::units::{Celsius, Gravity, Kilograms, Litres, MassPercent, Ph};
use proptest::prelude::*;
use serde_json::Value;

use made::{PITCH, bare, base, day, did, dose, dry, g, near, of, prices, sweet};

#[test]
fn the_card_of_a_dry_mead() {
    let card = card(&dry());
    let steps: Vec<(Phase, f64)> = card.steps.iter().map(|s| (s.step, s.days)).collect();
    // Settled on day 20, the last time before it was closed up.
    assert_eq!(
        steps,
        [
            (Phase::Fermenting, 20.0),
            (Phase::Settled, 70.0),
            (Phase::Sealed, 0.0)
        ]
    );
    assert_eq!(card.mead.days, 90.0);
    let masses: Vec<(String, f64)> = card
        .ingredients
        .iter()
        .map(|i| (i.called(), i.mass().unwrap().get()))
        .collect();
    assert_eq!(
        masses,
        [
            ("linden honey".to_owned(), 6.0),
            ("water".to_owned(), 15.6),
            ("nutrient".to_owned(), 0.01)
        ]
    );
    // 6 kg at 9 a kilogram and 10 g at 30: the loss makes nothing cheaper.
    let cost = card.cost.unwrap();
    near(cost.in_all, 54.0 + 0.3);
    near(card.volume.made_l.unwrap().get(), 18.0);
    near(cost.per_litre.unwrap(), 54.3 / 18.0);
    near(cost.per_bottle.unwrap(), 54.3 / 18.0 * 0.75 + 1.2);
    assert!(cost.with_bottle && cost.without_price.is_empty());
    assert_eq!(card.gravity.last_sg, Some(g(1.0)));
    assert_eq!(card.gravity.with_additions_sg, None);
    let (mass, two) = (
        card.strength.by_mass_percent.unwrap().get(),
        card.strength.by_gravities_percent.unwrap().get(),
    );
    near(mass, two);
    // HMRC Notice 226 (Beer Duty) section 30.3, as quoted in public copies: 100 points by 0.135.
    assert!((mass - 13.5).abs() < 0.1, "{mass}");
    let warmth = card.temperature.unwrap();
    assert_eq!(
        (
            warmth.lowest_c.get(),
            warmth.median_c.get(),
            warmth.highest_c.get()
        ),
        (17.5, 18.0, 21.5)
    );
    let ph = card.ph.unwrap();
    assert_eq!((ph.first.get(), ph.last.get()), (3.6, 3.4));
    assert_eq!(card.tasting[0].note, "warm, a little wax");
    assert_eq!(card.curve.len(), 20);
    assert_eq!(card.curve[2].temperature_c, Celsius::new(21.0).ok());
    assert!(card.sulphites.says.starts_with("No sulphite was added"));
    assert!(card.allergens.is_empty());
    assert_eq!(card.missing, Vec::<String>::new());
}

/// Eight of twenty litres: two fifths of what had gone in by then. The fermentation takes off some of
/// the must's 20 L before 20 L are measured again, which is found and not given.
#[test]
fn the_card_of_a_part_that_was_sweetened() {
    let record = sweet();
    let card = card(&record);
    let of = |of: Substance, name: &str| {
        let found = card.ingredients.iter();
        found
            .filter(|i| i.of == of && i.name == name)
            .fold((0.0, 0.0), |(own, inherited), i| {
                (
                    own + i.own_kg.get(),
                    inherited + i.inherited_kg.unwrap().get(),
                )
            })
    };
    let (own, inherited) = of(Substance::Honey, "linden");
    near(own, 0.4);
    near(inherited, 6.0 * 0.4);
    near(of(Substance::Nutrient, "").1, 0.01 * 0.4);
    near(of(Substance::Fruit, "fig").0, 1.2);
    let steps: Vec<(Phase, f64)> = card.steps.iter().map(|s| (s.step, s.days)).collect();
    assert_eq!(
        steps,
        [
            (Phase::Fermenting, 45.0),
            (Phase::Settled, 15.0),
            (Phase::Stabilised, 1.0),
            (Phase::Sweetened, 9.0),
            (Phase::Sealed, 50.0)
        ]
    );
    // 2.4 kg and 0.4 kg of honey at 9, 1.2 kg of fruit at 6, 4 g of nutrient at 30 a kilogram.
    let cost = card.cost.clone().unwrap();
    near(cost.in_all, 2.8 * 9.0 + 7.2 + 0.12);
    assert_eq!(
        cost.without_price,
        ["potassium metabisulphite", "potassium sorbate"]
    );
    assert!(
        card.missing
            .iter()
            .any(|m| m.starts_with("no price of potassium meta"))
    );
    // Half a gram of the salt is 0.288 g of sulphur dioxide (64.066 · 2 / 222.33 of it).
    let litres = card.volume.made_l.unwrap().get();
    let added = card.sulphites.added_mg_per_l.unwrap().get();
    assert!(
        (added - 500.0 * 2.0 * 64.066 / 222.33 / litres).abs() < 0.05,
        "{added}"
    );
    assert!(card.sulphites.says.starts_with("Contains sulphites: "));
    assert!(card.allergens[0].contains("casein"));
    assert!(card.allergens[1].starts_with("Milk, egg and fish"));
    assert_eq!(card.strength.by_gravities_percent, None);
    assert!(card.strength.by_mass_percent.is_some());
    assert!(card.gravity.with_additions_sg.unwrap() > g(1.1));
    let inherited: Vec<bool> = card.log.iter().map(|line| line.inherited).collect();
    assert_eq!(inherited.iter().filter(|i| **i).count(), 4);
    // The gravity it was stabilised at was read ten days before.
    let stabilised = card.log.iter().find(|line| line.what == What::Stabilise);
    assert_eq!(stabilised.unwrap().gravity_before_sg, Some(g(1.001)));
    let sweetened = card.log.iter().find(|line| line.what == What::Sweeten);
    let sweetened = sweetened.unwrap();
    let read = (sweetened.gravity_before_sg, sweetened.gravity_sg);
    assert_eq!(read, (Some(g(1.001)), Some(g(1.015))));
}

#[test]
fn what_is_missing_is_named() {
    let card = card(&bare());
    assert_eq!(
        card.missing,
        [
            "no original gravity on record",
            "no gravity was read",
            "no volume of the must on record",
            "nothing that went in was weighed",
            "no temperature was read while it fermented",
            "no pH was measured",
            "no tasting on record",
            "no verdict on record that it had settled",
            "no prices are on the list",
        ]
    );
    assert_eq!(card.cost, None);
    assert_eq!(card.strength.by_mass_percent, None);
    assert!(card.sulphites.says.starts_with("No sulphite was added"));
}

#[test]
fn a_jar_that_was_fermented_out_is_no_reading_of_the_mead() {
    let jar = Deed {
        gravity: Some(g(0.996)),
        ..did(day(100), What::TestFerment)
    };
    let with = |record: Record| {
        let deeds = [record.deeds.clone(), vec![jar.clone()]].concat();
        card(&Record { deeds, ..record })
    };
    let (told, plain) = (with(bare()), card(&bare()));
    assert_eq!((told.missing, told.gravity), (plain.missing, plain.gravity));
    let still_in = || Record {
        ended: None,
        ..dry()
    };
    let (told, plain) = (with(still_in()), card(&still_in()));
    assert_eq!(
        (told.gravity, told.strength),
        (plain.gravity, plain.strength)
    );
    assert_eq!(told.log.last().and_then(|l| l.gravity_sg), jar.gravity);
}

/// How much was split off nobody measured: what came along cannot be told, and is not.
#[test]
fn an_unmeasured_split_tells_no_masses() {
    let must = Must {
        volume: None,
        gravity: Some(g(1.1)),
        cost: 10.0,
    };
    let honey = Deed {
        doses: vec![dose(Substance::Honey, "linden", 6.0, None)],
        ..did(PITCH, What::Pitch)
    };
    let deeds = vec![honey];
    let past = Past {
        deeds: &deeds,
        hours: &[],
        since: None,
    };
    let meads = [
        Mead {
            must: Some(must),
            steps: past.steps(&[], |_, _| 9.0),
        },
        Mead {
            must: None,
            steps: Vec::new(),
        },
    ];
    let share = Share {
        parent: 0,
        child: 1,
        at: day(5),
        volume: None,
    };
    let book = lineage::carry(&meads, &[share], day(9)).remove(1);
    let record = Record {
        began: day(5),
        ..of(deeds, Vec::new(), None, prices(), book)
    };
    let card = card(&record);
    assert_eq!(card.ingredients[0].inherited_kg, None);
    assert_eq!(card.cost, None);
    assert!(card.missing.iter().any(|m| m.contains("was not measured")));
}

/// A base that was given sulphite and was all poured into another: what went on has it, and so its
/// own card says so.
#[test]
fn what_is_all_poured_out_is_told_as_it_was() {
    let sulphited = Deed {
        gravity: Some(g(1.0)),
        volume: Litres::new(20.0).ok(),
        doses: vec![dose(Substance::PotassiumMetabisulphite, "", 0.002, None)],
        ..did(day(24), What::Stabilise)
    };
    let deeds = [base(), vec![sulphited]].concat();
    let past = Past {
        deeds: &deeds,
        hours: &[],
        since: None,
    };
    let must = Must {
        volume: Litres::new(20.0).ok(),
        gravity: Some(g(1.1)),
        cost: 0.0,
    };
    let meads = [
        Mead {
            must: Some(must),
            steps: past.steps(&[day(25)], |d, at| prices().of(d, at).unwrap_or(0.0)),
        },
        Mead {
            must: None,
            steps: Vec::new(),
        },
    ];
    let share = Share {
        parent: 0,
        child: 1,
        at: day(25),
        volume: Litres::new(20.0).ok(),
    };
    let books = lineage::carry(&meads, &[share], day(60));
    let cards = books.into_iter().map(|book| {
        let record = of(deeds.clone(), Vec::new(), Some(day(25)), prices(), book);
        card(&record)
    });
    let [gone, made] = cards.collect::<Vec<_>>().try_into().unwrap();
    // 2 g of the salt are 1.1526 g of sulphur dioxide, in 20 L.
    for card in [&gone, &made] {
        let added = card.sulphites.added_mg_per_l.unwrap().get();
        assert!((added - 57.63).abs() < 0.01, "{added}");
        assert!(
            card.sulphites
                .says
                .starts_with("Contains sulphites: 58 mg/L")
        );
        let strength = card.strength.by_mass_percent.unwrap().get();
        assert!((strength - 13.5).abs() < 0.1, "{strength}");
    }
    near(gone.volume.made_l.unwrap().get(), 0.0);
    // All that it cost went along.
    assert_eq!(gone.cost, None);
    near(made.cost.unwrap().in_all, 54.3);
}

// ---- the schema ----

fn schema() -> Value {
    serde_json::from_str(ebbmark_core::card::SCHEMA).unwrap()
}

fn json(card: &Card) -> Value {
    serde_json::to_value(card).unwrap()
}

fn validator() -> jsonschema::Validator {
    jsonschema::options()
        .with_draft(jsonschema::Draft::Draft202012)
        .should_validate_formats(true)
        .build(&schema())
        .expect("the schema is one")
}

#[test]
fn cards_are_as_the_schema_says() {
    let validator = validator();
    for record in [dry(), sweet(), bare()] {
        let card = card(&record);
        let value = json(&card);
        let faults: Vec<String> = validator
            .iter_errors(&value)
            .map(|e| format!("{e} at {}", e.instance_path()))
            .collect();
        assert!(faults.is_empty(), "{faults:?}");
        let back: Card = serde_json::from_value(value).unwrap();
        assert_eq!(back, card);
    }
}

#[test]
fn what_is_no_card_is_refused() {
    let validator = validator();
    let whole = json(&card(&sweet()));
    let refused = |change: &dyn Fn(&mut Value)| {
        let mut broken = whole.clone();
        change(&mut broken);
        assert_ne!(broken, whole);
        !validator.is_valid(&broken)
    };
    assert!(refused(&|v| v["version"] = 2.into()));
    assert!(refused(&|v| v["mead"]["pitched"] = "yesterday".into()));
    assert!(refused(&|v| v["mead"]["pitched"] = Value::Null));
    assert!(refused(&|v| v["ingredients"][0]["own-kg"] = (-1).into()));
    assert!(refused(&|v| v["log"][0]["what"] = "prayed".into()));
    assert!(refused(
        &|v| v["strength"]["by-mass-percent"] = "strong".into()
    ));
    assert!(refused(&|v| {
        v["steps"][0].as_object_mut().unwrap().remove("days");
    }));
    for name in whole.as_object().unwrap().keys() {
        let without = |v: &mut Value| {
            v.as_object_mut().unwrap().remove(name);
        };
        assert!(refused(&without), "{name} may be left out");
    }
}

/// Names of every object in a value, as paths; those of lists once.
fn paths(value: &Value, at: &str, found: &mut BTreeSet<String>) {
    match value {
        Value::Object(fields) => {
            for (name, inner) in fields {
                let path = format!("{at}/{name}");
                found.insert(path.clone());
                paths(inner, &path, found);
            }
        }
        Value::Array(items) => items.iter().for_each(|item| paths(item, at, found)),
        _ => {}
    }
}

fn described(schema: &Value, of: &Value, at: &str, found: &mut BTreeSet<String>) {
    let of = match of["$ref"].as_str() {
        Some(to) => schema.pointer(to.trim_start_matches('#')).unwrap(),
        None => of,
    };
    if let Some(fields) = of["properties"].as_object() {
        for (name, inner) in fields {
            assert!(
                inner["description"].is_string()
                    || inner["$ref"].is_string()
                    || inner["enum"].is_array(),
                "{at}/{name} is not described"
            );
            let path = format!("{at}/{name}");
            found.insert(path.clone());
            described(schema, inner, &path, found);
        }
    }
    if of["items"].is_object() {
        described(schema, &of["items"], at, found);
    }
}

/// The schema lets more come; what is there already it names, all of it and nothing else.
#[test]
fn every_name_is_in_the_schema_and_none_is_idle() {
    let schema = schema();
    let (mut named, mut used) = (BTreeSet::new(), BTreeSet::new());
    described(&schema, &schema, "", &mut named);
    for record in [dry(), sweet()] {
        paths(&json(&card(&record)), "", &mut used);
    }
    let with_child = Record {
        children: sweet().parents,
        ..dry()
    };
    paths(&json(&card(&with_child)), "", &mut used);
    assert_eq!(used, named);
}

// ---- the log through the import ----

#[test]
fn the_log_reads_back_as_the_same_deeds() {
    for record in [dry(), sweet(), bare()] {
        let text = csv::log(&card(&record));
        let (deeds, bad) = events(&text, &ON_RECORD).unwrap();
        assert_eq!(bad, []);
        assert_eq!(deeds, record.deeds);
    }
}

fn some<T: std::fmt::Debug>(of: impl Strategy<Value = T>) -> impl Strategy<Value = Option<T>> {
    proptest::option::of(of)
}

fn any_dose() -> impl Strategy<Value = Dose> {
    (
        0..Substance::ALL.len(),
        0.0..30.0f64,
        "[^\\p{Cc}]{0,12}",
        some(0.0..100.0f64),
    )
        .prop_map(|(of, kg, name, extract)| Dose {
            of: Substance::ALL[of],
            mass: Kilograms::new(kg).unwrap(),
            name,
            extract: extract.map(|e| MassPercent::new(e).unwrap()),
        })
}

fn any_deed() -> impl Strategy<Value = Deed> {
    let deed = (
        0i64..300 * 86_400_000,
        0..What::ALL.len(),
        (
            some(0.95..1.25f64),
            some(-20.0..100.0f64),
            some(2.5..7.0f64),
        ),
        some(0.0..500.0f64),
        proptest::collection::vec(any_dose(), 0..4),
        ("[^\\p{Cc}]{0,20}(\n[^\\p{Cc}]{0,5})?", "[^\\p{Cc}]{0,10}"),
    )
        .prop_map(
            |(after, what, (gravity, warmth, ph), volume, doses, (note, despite))| Deed {
                gravity: gravity.map(|v| Gravity::new(v).unwrap()),
                temperature: warmth.map(|v| Celsius::new(v).unwrap()),
                ph: ph.map(|v| Ph::new(v).unwrap()),
                volume: volume.map(|v| Litres::new(v).unwrap()),
                doses,
                // Blanks around a note are not kept.
                note: note.trim().to_owned(),
                despite: despite.trim().to_owned(),
                ..Deed::new(PITCH + Span(after), What::ALL[what])
            },
        );
    deed.prop_map(|deed| match deed.what {
        // Nothing but the jar's gravity goes into the book.
        What::TestFerment => Deed {
            gravity: deed.gravity.or(Some(g(1.0))),
            ph: None,
            volume: None,
            doses: Vec::new(),
            despite: String::new(),
            ..deed
        },
        _ => deed,
    })
}

proptest! {
    /// Whatever is in the book, to the last bit.
    #[test]
    fn any_log_reads_back(mut deeds in proptest::collection::vec(any_deed(), 0..12)) {
        deeds.sort_by_key(|d| d.at);
        let record = Record { deeds: deeds.clone(), ..bare() };
        let text = csv::log(&card(&record));
        let (back, bad) = events(&text, &ON_RECORD).unwrap();
        prop_assert_eq!(bad, vec![]);
        prop_assert_eq!(back, deeds);
    }
}

#[test]
fn what_a_file_of_events_cannot_hold_is_named() {
    let text = "at,what,gravity,ph,volume,doses,note\n\
        2026-03-01T06:00:00Z,pitch,1.094,9,,,\n\
        2026-03-01T06:00:00Z,pitch,1.094,,lots,,\n\
        2026-03-01T06:00:00Z,pitch,1.094,,,two spoons,\n\
        2026-03-01T06:00:00Z,pitch,1.094,,,\"[{\"\"of\"\":\"\"honey\"\",\"\"mass\"\":-1}]\",\n\
        2026-03-01T06:00:00Z,pitch,,,,\"[{\"\"of\"\":\"\"honey\"\",\"\"mass\"\":2.5}]\",fine\n\
        2026-03-09T06:00:00Z,test-ferment,,,,,\n\
        2026-03-09T06:00:00Z,test-ferment,0.996,3.4,,,\n";
    let (deeds, bad) = events(text, &ON_RECORD).unwrap();
    assert_eq!(deeds.len(), 1);
    assert_eq!(deeds[0].doses[0].mass.get(), 2.5);
    let why: Vec<&str> = bad.iter().map(|b| b.why.as_str()).collect();
    assert_eq!(why[0], "pH 9 is outside 2.5 to 7");
    assert_eq!(why[1], "volume \"lots\" is not a number");
    assert!(
        why[2].starts_with("the doses cannot be read: "),
        "{}",
        why[2]
    );
    assert_eq!(why[3], "mass -1 is outside 0 to 100000 kg");
    assert!(why[4].starts_with("gravity: a test ferment"), "{}", why[4]);
    assert!(why[5].starts_with("ph: this does not go"), "{}", why[5]);
}

#[test]
fn a_line_is_its_deed() {
    let record = sweet();
    let lines: Vec<Line> = card(&record).log;
    let deeds: Vec<Deed> = lines.iter().map(Line::deed).collect();
    assert_eq!(deeds, record.deeds);
}
