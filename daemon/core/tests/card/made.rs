//! Made-up meads.

use ebbmark_core::card::{Kin, Place, Record};
use ebbmark_core::deed::{Deed, Dose, Substance, What};
use ebbmark_core::hours::{HOUR_MS, Hour, HourGravity, HourTemperature};
use ebbmark_core::ids::BatchId;
use ebbmark_core::lineage::{self, Book, Mead, Must, Past, Share, Step};
use ebbmark_core::plan::Plan;
use ebbmark_core::price::{Good, Price, Prices};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Celsius, Gravity, Kilograms, Litres, MassPercent, Ph};

/// 2026-03-01T08:00:00Z.
pub const PITCH: Moment = Moment(1_772_352_000_000);

pub fn day(n: i64) -> Moment {
    PITCH + Span::days(n)
}

pub fn g(sg: f64) -> Gravity {
    Gravity::new(sg).unwrap()
}

pub fn l(litres: f64) -> Litres {
    Litres::new(litres).unwrap()
}

pub fn dose(of: Substance, name: &str, kg: f64, extract: Option<f64>) -> Dose {
    Dose {
        of,
        mass: Kilograms::new(kg).unwrap(),
        name: name.to_owned(),
        extract: extract.map(|e| MassPercent::new(e).unwrap()),
    }
}

pub fn did(at: Moment, what: What) -> Deed {
    Deed::new(at, what)
}

/// A float's hours, falling evenly to `to` in `days`, at 18 °C with a warm day at 21 °C.
pub fn hours(from: f64, to: f64, days: i64) -> Vec<Hour> {
    let n = days * 24;
    (0..n)
        .map(|i| {
            let index = PITCH.0 / HOUR_MS + i;
            let sg = from + (to - from) * i as f64 / (n - 1) as f64;
            let warm = if i / 24 == 2 { 21.0 } else { 18.0 };
            Hour {
                index,
                gravity: Some(HourGravity {
                    n: 4,
                    median: sg,
                    min: sg,
                    max: sg,
                    at: Moment(index * HOUR_MS + HOUR_MS / 2),
                }),
                temperature: Some(HourTemperature {
                    median: warm,
                    min: warm - 0.5,
                    max: warm + 0.5,
                }),
            }
        })
        .collect()
}

pub fn prices() -> Prices {
    let price = |of, name: &str, paid, amount| Price {
        of,
        name: name.to_owned(),
        paid,
        amount,
        since: day(-100),
    };
    Prices {
        money: "crowns".to_owned(),
        list: vec![
            price(Good::Given(Substance::Honey), "linden", 90.0, 10.0),
            price(Good::Given(Substance::Fruit), "", 24.0, 4.0),
            price(Good::Given(Substance::Nutrient), "", 15.0, 0.5),
            price(Good::Bottle, "", 12.0, 10.0),
        ],
        ..Prices::default()
    }
}

/// The base: 20 L of linden must from 6 kg of honey and 15.6 kg of water, two nutrient steps of 5 g.
pub fn base() -> Vec<Deed> {
    vec![
        Deed {
            doses: vec![
                dose(Substance::Honey, "linden", 6.0, Some(82.0)),
                dose(Substance::Water, "", 15.6, None),
            ],
            ..did(PITCH, What::Pitch)
        },
        Deed {
            doses: vec![dose(Substance::Nutrient, "", 0.005, None)],
            ..did(day(1), What::Nutrient)
        },
        Deed {
            doses: vec![dose(Substance::Nutrient, "", 0.005, None)],
            ..did(day(3), What::Nutrient)
        },
    ]
}

pub fn record(deeds: Vec<Deed>, hours: Vec<Hour>, ended: Option<Moment>, prices: Prices) -> Record {
    let past = Past {
        deeds: &deeds,
        hours: &hours,
        since: None,
    };
    let now = day(200);
    let until = ended.unwrap_or(now);
    let must = Must {
        volume: Some(l(20.0)),
        gravity: Some(g(1.1)),
        cost: 0.0,
    };
    let mut steps = past.steps(&[], |dose, at| prices.of(dose, at).unwrap_or(0.0));
    steps.extend(past.gravity_at(until).map(|g| (until, Step::Reads(g))));
    let mead = Mead {
        must: Some(must),
        steps,
    };
    let book = lineage::carry(&[mead], &[], now).remove(0);
    of(deeds, hours, ended, prices, book)
}

pub fn of(
    deeds: Vec<Deed>,
    hours: Vec<Hour>,
    ended: Option<Moment>,
    prices: Prices,
    book: Book,
) -> Record {
    Record {
        now: day(200),
        number: BatchId(7),
        name: "Linden, plain".to_owned(),
        yeast: "an invented yeast".to_owned(),
        honey: "linden".to_owned(),
        note: String::new(),
        plan: Plan::default(),
        pitched: PITCH,
        began: PITCH,
        ended,
        original: Some(g(1.1)),
        volume: Some(l(20.0)),
        places: vec![Place {
            vessel: "Cask".to_owned(),
            mead: "Linden, plain".to_owned(),
            from: PITCH,
            until: ended,
        }],
        parents: Vec::new(),
        children: Vec::new(),
        deeds,
        hours,
        settled: vec![day(12), day(20)],
        book,
        prices,
    }
}

/// Kept dry: racked to 18 L on day 30, tasted, bottled on day 90.
pub fn dry() -> Record {
    let mut deeds = base();
    deeds.push(Deed {
        volume: Some(l(18.0)),
        gravity: Some(g(1.0)),
        ph: Ph::new(3.6).ok(),
        ..did(day(30), What::Rack)
    });
    deeds.push(Deed {
        note: "warm, a little wax".to_owned(),
        ..did(day(60), What::Taste)
    });
    deeds.push(Deed {
        gravity: Some(g(1.0)),
        ph: Ph::new(3.4).ok(),
        ..did(day(90), What::Seal)
    });
    record(deeds, hours(1.1, 1.001, 20), Some(day(90)), prices())
}

/// Split off on day 25 (8 L of 20), on figs, stabilised, sweetened, sealed; the base has its own
/// additions before. Its book comes from the whole family.
pub fn sweet() -> Record {
    let hours = hours(1.1, 1.0, 20);
    let mut deeds = base();
    deeds.push(Deed {
        gravity: Some(g(1.0)),
        volume: Some(l(20.0)),
        ..did(day(24), What::HandReading)
    });
    let split = day(25);
    let own = vec![
        Deed {
            doses: vec![dose(Substance::Fruit, "fig", 1.2, Some(60.0))],
            note: "figs, scalded".to_owned(),
            ..did(day(26), What::Addition)
        },
        Deed {
            gravity: Some(g(1.001)),
            temperature: Celsius::new(16.0).ok(),
            ..did(day(50), What::HandReading)
        },
        Deed {
            volume: Some(l(7.5)),
            doses: vec![
                dose(Substance::PotassiumMetabisulphite, "", 0.000_5, None),
                dose(Substance::PotassiumSorbate, "", 0.0015, None),
            ],
            despite: "it is clear".to_owned(),
            ..did(day(60), What::Stabilise)
        },
        Deed {
            gravity: Some(g(1.015)),
            doses: vec![dose(Substance::Honey, "linden", 0.4, Some(82.0))],
            ..did(day(61), What::Sweeten)
        },
        Deed {
            note: "casein, \"from a packet\"".to_owned(),
            ..did(day(63), What::Fine)
        },
        did(day(70), What::Seal),
    ];
    let parent_steps = Past {
        deeds: &deeds,
        hours: &hours,
        since: None,
    }
    .steps(&[split], |d, at| prices().of(d, at).unwrap_or(0.0));
    let mut all = deeds.clone();
    all.extend(own);
    let past = Past {
        deeds: &all,
        hours: &hours,
        since: Some(split),
    };
    let steps = past.steps(&[], |d, at| prices().of(d, at).unwrap_or(0.0));
    let must = Must {
        volume: Some(l(20.0)),
        gravity: Some(g(1.1)),
        cost: 0.0,
    };
    let meads = [
        Mead {
            must: Some(must),
            steps: parent_steps,
        },
        Mead { must: None, steps },
    ];
    let share = Share {
        parent: 0,
        child: 1,
        at: split,
        volume: Some(l(8.0)),
    };
    let book = lineage::carry(&meads, &[share], day(200)).remove(1);
    let parent = Kin {
        number: BatchId(7),
        name: "Linden, plain".to_owned(),
        at: split,
        volume: Some(l(8.0)),
    };
    Record {
        number: BatchId(8),
        name: "Linden on figs".to_owned(),
        began: split,
        parents: vec![parent],
        settled: vec![day(22), day(45)],
        ..of(all, hours, Some(day(120)), prices(), book)
    }
}

/// Nothing is known but that it was begun.
pub fn bare() -> Record {
    Record {
        original: None,
        volume: None,
        settled: Vec::new(),
        ..of(
            Vec::new(),
            Vec::new(),
            None,
            Prices::default(),
            Book::must(None, None, 0.0),
        )
    }
}

pub fn near(a: f64, b: f64) {
    assert!((a - b).abs() < 1e-9, "{a} against {b}");
}
