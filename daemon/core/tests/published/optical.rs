//! Refractometers: sugar scale, alcohol, honey.

use ebbmark_core::density::gravity_from_density;
use ebbmark_core::liquid::Liquid;
use ebbmark_core::must::honey;
use ebbmark_core::refraction::{brix, index, reading, with_gravity};
use ebbmark_core::units::{Brix, Celsius, Gravity, Kilograms, RefractiveIndex};

use crate::{Check, Source};

pub fn sources() -> Vec<Source> {
    vec![
        oiv_scale(),
        crc_ethanol(),
        crc_sucrose(),
        ports(),
        chataway(),
    ]
}

const CRC: &str = "CRC Handbook of Chemistry and Physics, 102nd ed. (2021), Concentrative properties of aqueous solutions (as typed out in public data)";

fn oiv_scale() -> Source {
    let table = [
        (10.0, 1.34782),
        (12.0, 1.35093),
        (15.0, 1.35568),
        (18.0, 1.36054),
        (20.0, 1.36384),
        (25.0, 1.37233),
        (28.0, 1.37758),
        (30.0, 1.38115),
    ];
    Source {
        topic: "°Brix from the refractive index",
        source: "OIV-MA-AS2-02 (Oeno 21/2004) table II, in the French order of 14 September 2012, annex IV",
        why: "the scale is another fit of the same table, 0.02 below it throughout",
        checks: table
            .into_iter()
            .map(|(bx, n)| Check {
                what: format!("nD {n} at 20 °C"),
                unit: "°Bx",
                published: bx,
                ours: brix(RefractiveIndex::computed(n)).map_or(f64::NAN, Brix::get),
                tolerance: 0.03,
            })
            .collect(),
    }
}

/// Index by the mixture model of a solution with so many per cent by mass.
fn model(sugar: f64, alcohol: f64) -> f64 {
    let kg = Kilograms::computed;
    Liquid::of(kg(100.0 - sugar - alcohol), kg(sugar), kg(alcohol))
        .ok()
        .and_then(|l| index(l).ok())
        .map_or(f64::NAN, RefractiveIndex::get)
}

fn crc_ethanol() -> Source {
    let table = [
        (0.0, 1.3330),
        (1.0, 1.3336),
        (2.0, 1.3342),
        (5.0, 1.3360),
        (8.0, 1.3381),
        (10.0, 1.3395),
        (12.0, 1.3410),
        (15.0, 1.3432),
        (20.0, 1.3469),
    ];
    Source {
        topic: "Refractive index of ethanol in water, by the mixture model",
        source: CRC,
        why: "the table's last digit",
        checks: table
            .into_iter()
            .map(|(mass, n)| Check {
                what: format!("{mass} % ethanol by mass at 20 °C"),
                unit: "nD",
                published: n,
                ours: model(0.0, mass),
                tolerance: 0.0001,
            })
            .collect(),
    }
}

fn crc_sucrose() -> Source {
    let table = [
        (5.0, 1.3403),
        (10.0, 1.3478),
        (15.0, 1.3557),
        (20.0, 1.3639),
        (24.0, 1.3706),
        (30.0, 1.3812),
    ];
    Source {
        topic: "Refractive index of sucrose in water, by the mixture model",
        source: CRC,
        why: "one constant for all strengths; 0.0003 is 0.2 °Bx, and drops out against the model's own scale",
        checks: table
            .into_iter()
            .map(|(mass, n)| Check {
                what: format!("{mass} % sucrose by mass at 20 °C"),
                unit: "nD",
                published: n,
                ours: model(mass, 0.0),
                tolerance: 0.0003,
            })
            .collect(),
    }
}

/// Their correlation on liquids of known sugar and alcohol: what our model makes a refractometer
/// and a hydrometer read in them goes into it, and our own way back beside.
fn ports() -> Source {
    let liquids = [
        (12.0, 20.0),
        (14.0, 60.0),
        (18.0, 60.0),
        (19.0, 90.0),
        (20.0, 100.0),
        (21.0, 130.0),
    ];
    // Reads of the liquid, gravity and strength found back; NaN would fail the check.
    let read = |vol: f64, sugar: f64| -> Option<[f64; 3]> {
        let (liquid, gravity) = of_vol_and_sugar(vol, sugar)?;
        let read = reading(liquid).ok()?;
        let found = with_gravity(read, gravity).ok()?.strength().ok()?;
        Some([read.get(), gravity.get(), found.get()])
    };
    let checks = liquids.into_iter().map(|(vol, sugar)| {
        let [bx, gravity, found] = read(vol, sugar).unwrap_or([f64::NAN; 3]);
        let baume = 145.0 - 145.0 / gravity;
        let published = 1.646 * bx - 2.703 * baume - 1.794;
        Check {
            what: format!("{bx:.2} °Bx with gravity {gravity:.4} ({vol} % vol, {sugar} g/L sugar)"),
            unit: "% vol",
            published: (published * 100.0).round() / 100.0,
            ours: found,
            tolerance: 0.5,
        }
    });
    Source {
        topic: "Strength from refractometer and hydrometer",
        source: "Rogerson, Symington, Am. J. Enol. Vitic. 57 (2006) 486, the correlation in its abstract: % vol = 1.646 °Bx - 2.703 °Bé - 1.794, °Bé as 145 - 145/SG",
        why: "what the result is stated to be good to; the readings put in are the model's own",
        checks: checks.collect(),
    }
}

/// Of a litre, by trial of its density.
fn of_vol_and_sugar(vol: f64, sugar: f64) -> Option<(Liquid, Gravity)> {
    let mut rho = 1000.0;
    let mut liquid = Liquid::NOTHING;
    for _ in 0..60 {
        let ethanol = vol / 100.0 * 0.78924;
        let kg = Kilograms::computed;
        liquid = Liquid::of(
            kg(rho / 1000.0 - sugar / 1000.0 - ethanol),
            kg(sugar / 1000.0),
            kg(ethanol),
        )
        .ok()?;
        rho = liquid.gravity().ok()?.get() * 998.2067;
    }
    Some((liquid, gravity_from_density(rho).ok()?))
}

/// Water % from 13.0 in steps of 0.2, with the index at 20 °C.
const CHATAWAY: [f64; 60] = [
    1.5044, 1.5038, 1.5033, 1.5028, 1.5023, 1.5018, 1.5012, 1.5007, 1.5002, 1.4997, 1.4992, 1.4987,
    1.4982, 1.4976, 1.4971, 1.4966, 1.4961, 1.4956, 1.4951, 1.4946, 1.4940, 1.4935, 1.4930, 1.4925,
    1.4920, 1.4915, 1.4910, 1.4905, 1.4900, 1.4895, 1.4890, 1.4885, 1.4880, 1.4875, 1.4870, 1.4865,
    1.4860, 1.4855, 1.4850, 1.4845, 1.4840, 1.4835, 1.4830, 1.4825, 1.4820, 1.4815, 1.4810, 1.4805,
    1.4800, 1.4795, 1.4790, 1.4785, 1.4780, 1.4775, 1.4770, 1.4765, 1.4760, 1.4755, 1.4750, 1.4745,
];

fn chataway() -> Source {
    let rows = CHATAWAY
        .into_iter()
        .zip(0u32..)
        .map(|(n, i)| (13.0 + f64::from(i) * 0.2, n))
        .chain([(25.0, 1.4740)]);
    Source {
        topic: "Water in honey from its refractive index",
        source: "Bogdanov, Book of Honey, chapter 4 (2011), table after Chataway 1932",
        why: "half the last digit of the index is 0.02 % water, and the table's own rounding",
        checks: rows
            .map(|(water, n)| Check {
                what: format!("nD {n:.4} at 20 °C"),
                unit: "% water",
                published: (water * 10.0).round() / 10.0,
                ours: honey::water(RefractiveIndex::computed(n), Celsius::computed(20.0))
                    .map_or(f64::NAN, |w| w.get()),
                tolerance: 0.05,
            })
            .collect(),
    }
}
