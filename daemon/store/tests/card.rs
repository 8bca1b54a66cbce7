//! What a card is made from, and what things cost. Names, masses and prices are invented.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use common::*;
use ebbmark_core::again;
use ebbmark_core::again::again;
use ebbmark_core::card::card;
use ebbmark_core::deed::{Deed, Dose, Substance, What};
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::plan::{Plan, Planned};
use ebbmark_core::price::{Good, Price};
use ebbmark_core::time::Moment;
use ebbmark_core::units::{Gravity, Kilograms, Litres, MassPercent};
use ebbmark_store::model::{BatchFacts, Command, Done, Part};

const DAY: i64 = 1440;

fn day(n: i64) -> Moment {
    at(n * DAY)
}

async fn price(store: &Store, of: Good, name: &str, paid: f64, amount: f64, days: i64) {
    let price = Price {
        of,
        name: name.to_owned(),
        paid,
        amount,
        since: day(days),
    };
    store.run(Command::SetPrice(price)).await;
}

async fn write(store: &Store, vessel: VesselId, deed: Deed) {
    let made_at = deed.at;
    let log = Command::Log {
        vessel,
        deed,
        hand: None,
        once: None,
        made_at,
    };
    store.run(log).await;
}

fn dose(of: Substance, name: &str, kg: f64, extract: Option<f64>) -> Dose {
    Dose {
        of,
        mass: Kilograms::new(kg).unwrap(),
        name: name.to_owned(),
        extract: extract.and_then(|e| MassPercent::new(e).ok()),
    }
}

/// 20 L from 6 kg of linden honey; 8 L of it go on 1.2 kg of figs on day 25, and it is racked on day 30
/// down to 11 L.
async fn story(store: &Store) -> (BatchId, BatchId) {
    let (cask, jar) = (store.vessel("Cask").await, store.vessel("Jar").await);
    let facts = BatchFacts {
        volume: Litres::new(20.0).ok(),
        original_gravity: Gravity::new(1.1).ok(),
        ..batch_facts("Linden")
    };
    let start = Command::StartBatch {
        vessel: cask,
        facts,
    };
    let Done::Batch(base) = store.run(start).await else {
        panic!()
    };
    let pitched = Deed {
        doses: vec![
            dose(Substance::Honey, "linden", 6.0, Some(82.0)),
            dose(Substance::Water, "", 15.6, None),
        ],
        ..Deed::new(day(0), What::Pitch)
    };
    write(store, cask, pitched).await;
    let read = |days: i64, sg: f64| Deed {
        gravity: Gravity::new(sg).ok(),
        ..Deed::new(day(days), What::HandReading)
    };
    let measured = Deed {
        volume: Litres::new(20.0).ok(),
        ..read(24, 1.0)
    };
    write(store, cask, measured).await;
    let part = Part {
        parent: base,
        volume: Litres::new(8.0).ok(),
        emptied: false,
    };
    let split = Command::PourBatch {
        vessel: jar,
        facts: BatchFacts {
            started: day(25),
            ..batch_facts("Linden on figs")
        },
        parts: vec![part],
        feeds: Vec::new(),
        once: None,
        made_at: day(25),
    };
    let Done::Batch(figs) = store.run(split).await else {
        panic!()
    };
    let fruit = Deed {
        doses: vec![dose(Substance::Fruit, "fig", 1.2, Some(60.0))],
        ..Deed::new(day(26), What::Addition)
    };
    write(store, jar, fruit).await;
    write(store, jar, read(50, 1.002)).await;
    let racked = Deed {
        volume: Litres::new(11.0).ok(),
        ..Deed::new(day(30), What::Rack)
    };
    write(store, cask, racked).await;
    for batch in [base, figs] {
        let at = day(60);
        store.run(Command::EndBatch { batch, at }).await;
    }
    (base, figs)
}

#[tokio::test]
async fn a_card_is_made_from_the_book_alone() {
    let store = Store::new();
    let (base, figs) = story(&store).await;
    let record = store.reader.card_record(figs, day(400)).unwrap().unwrap();
    let card = card(&record);
    assert_eq!(card.mead.pitched, day(0));
    assert_eq!((card.mead.began, card.mead.ended), (day(25), Some(day(60))));
    let places: Vec<_> = card
        .places
        .iter()
        .map(|p| (p.vessel.as_str(), p.mead.as_str(), p.days))
        .collect();
    assert_eq!(
        places,
        [("Cask", "Linden", 25.0), ("Jar", "Linden on figs", 35.0)]
    );
    assert_eq!(card.parents[0].number, base);
    assert_eq!(card.parents[0].volume_l, Litres::new(8.0).ok());
    // Two fifths of what the base was given.
    let honey = &card.ingredients[0];
    assert!((honey.inherited_kg.unwrap().get() - 2.4).abs() < 1e-9);
    assert_eq!(card.gravity.last_sg, Gravity::new(1.002).ok());
    let parent = store.reader.card_record(base, day(400)).unwrap().unwrap();
    let parent = ebbmark_core::card::card(&parent);
    assert_eq!(parent.children[0].number, figs);
    // What the part has of the honey the base no longer has, to the gram; and made again at its
    // own volume of must, it takes what was left of it.
    let left = &parent.ingredients[0];
    assert!((left.own_kg.get() - 6.0).abs() < 1e-9);
    assert!((left.poured_kg.unwrap().get() - 2.4).abs() < 1e-9);
    assert!((left.mass().unwrap().get() - 3.6).abs() < 1e-9);
    let record = store.reader.card_record(base, day(400)).unwrap().unwrap();
    let plan = again(&record, Litres::new(12.0).unwrap()).unwrap();
    let honey = plan.goods.iter().find(|p| p.dose.of == Substance::Honey);
    let must = ebbmark_core::again::must(&record).unwrap().get();
    assert!((honey.unwrap().dose.mass.get() - 6.0 * 12.0 / must).abs() < 1e-9);
    // 8 of 20 L were poured off, and the 12 that were left racked down to 11.
    assert!((parent.volume.made_l.unwrap().get() - 11.0).abs() < 1e-9);
    assert!((parent.volume.lost_l.unwrap().get() - 1.0).abs() < 1e-9);
    assert!(
        store
            .reader
            .card_record(BatchId(99), day(1))
            .unwrap()
            .is_none()
    );
}

/// What the honey and the figs cost is found again in the meads that were made of them, whatever was
/// lost; a price that changes later changes nothing.
#[tokio::test]
async fn cost_closes_over_the_family() {
    let store = Store::new();
    let (base, figs) = story(&store).await;
    let honey = Good::Given(Substance::Honey);
    price(&store, honey, "linden", 47.3, 5.0, -10).await;
    price(&store, Good::Given(Substance::Fruit), "", 7.9, 1.0, -10).await;
    price(&store, honey, "Linden", 99.0, 5.0, 30).await;
    let costs = || {
        let of = |id| {
            let record = store.reader.card_record(id, day(400)).unwrap().unwrap();
            card(&record).cost.unwrap()
        };
        [of(base), of(figs)]
    };
    let [dry, on_figs] = costs();
    let (honey_cost, fruit) = (6.0 * 47.3 / 5.0, 1.2 * 7.9);
    assert!((dry.in_all + on_figs.in_all - honey_cost - fruit).abs() < 1e-9);
    assert!((on_figs.in_all - 0.4 * honey_cost - fruit).abs() < 1e-9);
    assert!((dry.per_litre.unwrap() - 0.6 * honey_cost / 11.0).abs() < 1e-9);

    // Put right for its day: the same key stands in place of the earlier one.
    price(&store, honey, "linden", 50.0, 5.0, -10).await;
    let [_, on_figs] = costs();
    assert!((on_figs.in_all - 0.4 * 60.0 - fruit).abs() < 1e-9);
    assert_eq!(store.reader.prices().unwrap().list.len(), 3);
    let strike = Command::StrikePrice {
        of: honey,
        name: "linden".to_owned(),
        since: day(-10),
    };
    store.run(strike).await;
    let [_, on_figs] = costs();
    assert_eq!(on_figs.without_price, ["linden honey"]);
    assert!((on_figs.in_all - fruit).abs() < 1e-9);
}

#[tokio::test]
async fn a_price_that_is_none_is_refused() {
    let store = Store::new();
    for (paid, amount) in [
        (-1.0, 1.0),
        (f64::NAN, 1.0),
        (1.0, 0.0),
        (1.0, f64::INFINITY),
    ] {
        let price = Price {
            of: Good::Bottle,
            name: String::new(),
            paid,
            amount,
            since: day(0),
        };
        let refused = store.writer.command(Command::SetPrice(price)).await;
        assert!(refused.is_err(), "{paid} for {amount}");
    }
    assert!(store.reader.prices().unwrap().list.is_empty());
}

/// The plan of a mead made again is kept with it, to the last bit.
#[tokio::test]
async fn goods_are_kept_with_the_plan() {
    let store = Store::new();
    let (_, figs) = story(&store).await;
    let record = store.reader.card_record(figs, day(400)).unwrap().unwrap();
    let plan = again::again(&record, Litres::new(17.3).unwrap()).unwrap();
    let of = |p: &Planned| (p.with, p.dose.of);
    let goods: Vec<_> = plan.goods.iter().map(of).collect();
    assert_eq!(
        goods,
        [
            (What::Pitch, Substance::Honey),
            (What::Pitch, Substance::Water),
            (What::Addition, Substance::Fruit)
        ]
    );
    let vessel = store.vessel("Tank").await;
    let facts = batch_facts("Again");
    let start = Command::Planned {
        mead: Box::new(Command::StartBatch { vessel, facts }),
        plan: Box::new(plan.clone()),
    };
    let Done::Batch(made) = store.run(start).await else {
        panic!()
    };
    let kept: Plan = store.reader.batch(made).unwrap().unwrap().plan;
    assert_eq!(kept, plan);
}
