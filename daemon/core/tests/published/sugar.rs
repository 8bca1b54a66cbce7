//! Gravity and extract of must.

use ebbmark_core::density::{ethanol, gravity_from_plato, plato_from_gravity};
use ebbmark_core::units::{Gravity, Plato};

use crate::{Check, Source};

pub fn sources() -> Vec<Source> {
    vec![usda(), usda_back(), spirit()]
}

/// °Brix and apparent SG 20/20.
const USDA: [(f64, f64); 7] = [
    (0.1, 1.00039),
    (3.8, 1.01490),
    (4.0, 1.01569),
    (7.6, 1.03017),
    (7.9, 1.03139),
    (8.5, 1.03385),
    (8.9, 1.03549),
];
const USDA_SOURCE: &str = "USDA AMS sucrose conversion table, file code 135-A-50, from NBS Circular 440 (as typed out in public data)";
const IN_AIR: &str = "the table is weighed in air, ours is the vacuum value";

fn usda() -> Source {
    Source {
        topic: "Gravity from °Brix",
        source: USDA_SOURCE,
        why: IN_AIR,
        checks: USDA
            .into_iter()
            .map(|(brix, sg)| Check {
                what: format!("{brix} °Bx"),
                unit: "SG 20/20",
                published: sg,
                ours: gravity_from_plato(Plato::computed(brix)).map_or(f64::NAN, Gravity::get),
                tolerance: 0.00006,
            })
            .collect(),
    }
}

fn usda_back() -> Source {
    Source {
        topic: "°Brix from gravity",
        source: USDA_SOURCE,
        why: IN_AIR,
        checks: USDA
            .into_iter()
            .map(|(brix, sg)| Check {
                what: format!("SG 20/20 {sg}"),
                unit: "°Bx",
                published: brix,
                ours: plato_from_gravity(Gravity::computed(sg)).get(),
                tolerance: 0.015,
            })
            .collect(),
    }
}

/// The one published worked reading of a glass hydrometer off its temperature.
fn spirit() -> Source {
    let f60 = 140.0 / 9.0;
    // 115 US proof is 57.5 % vol at 60 °F.
    let mut mass: f64 = 49.0;
    for _ in 0..60 {
        mass = 57.5 * ethanol::density(100.0, f60) / ethanol::density(mass, f60);
    }
    let glass = 25e-6 * (20.0 - f60);
    let factor = ethanol::density(mass, 20.0) / ethanol::density(mass, f60) * (1.0 + glass);
    Source {
        topic: "A glass hydrometer off its temperature",
        source: "27 CFR 30.25: a hydrometer marked for 60 °F in spirit of 115 proof at 68 °F",
        why: "the factor's last digit",
        checks: vec![Check {
            what: "factor at 68 °F".to_owned(),
            unit: "-",
            published: 0.996,
            ours: factor,
            tolerance: 0.0005,
        }],
    }
}
