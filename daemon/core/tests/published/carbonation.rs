//! Carbon dioxide in water, beer and champagne.

use ebbmark_core::density::water;
use ebbmark_core::gas::closed::{Above, Closed};
use ebbmark_core::gas::{Solvent, atmosphere, keg, solubility, volumes};
use ebbmark_core::units::{AbvPercent, BarAbsolute, BarGauge, Celsius, GramsPerLitre, Percent};

use crate::{Check, Source};

const PSI: f64 = 0.068_947_6;
/// Litres of a mole of the gas at 0 °C and 1 atm, as the IUPAC-NIST tables take it.
const MOLAR_LITRES: f64 = 22.260_5;
const MOLAR_CO2: f64 = 44.0095;

pub fn sources() -> Vec<Source> {
    vec![
        bunsen(),
        handbook(),
        volume(),
        beer_chart(),
        henry(),
        champagne(),
        champagne_content(),
    ]
}

fn mead(strength: f64, sugar: f64) -> Solvent {
    Solvent::new(
        AbvPercent::computed(strength),
        GramsPerLitre::computed(sugar),
    )
    .expect("in the range of the formula")
}

/// g/L at 20 °C in water under `bar` of the gas.
fn in_water(bar: f64, t: f64) -> f64 {
    let p = BarAbsolute::computed(bar);
    solubility::dissolved(p, Celsius::computed(t), Solvent::WATER)
        .expect("in the range of the formula")
        .get()
}

fn bunsen() -> Source {
    let table = [
        (1.04, 1.6471),
        (5.0, 1.4199),
        (10.0, 1.1926),
        (15.0, 1.0100),
        (20.0, 0.8652),
        (25.0, 0.7519),
        (32.0, 0.6336),
        (35.0, 0.5905),
    ];
    Source {
        topic: "Carbon dioxide in water, measured",
        source: "Murray & Riley 1971, in IUPAC-NIST Solubility Database SRD 106, system 62_54",
        why: "2.5 %: the formula's authors and these measurements differ by up to 2 %",
        checks: table
            .into_iter()
            .map(|(t, volumes)| Check {
                what: format!("litres of gas in a litre of water at {t} °C under 1 atm of it"),
                unit: "L/L",
                published: volumes,
                ours: in_water(1.013_25, t) * water::density(t) / water::density(20.0)
                    * MOLAR_LITRES
                    / MOLAR_CO2,
                tolerance: share(0.025, volumes),
            })
            .collect(),
    }
}

fn handbook() -> Source {
    let table = [
        (0.0, 1.337),
        (5.0, 1.123),
        (10.0, 0.950),
        (15.0, 0.814),
        (20.0, 0.704),
        (25.0, 0.614),
        (30.0, 0.541),
        (40.0, 0.431),
        (60.0, 0.300),
        (65.0, 0.279),
    ];
    let mole_fraction = |t: f64| {
        let ratio = in_water(1.0, t) / water::density(20.0) * 18.015_28 / MOLAR_CO2;
        1000.0 * ratio / (1.0 + ratio)
    };
    Source {
        topic: "Carbon dioxide in water, handbook",
        source: "CRC Handbook of Chemistry and Physics, section 8-90, solubility of carbon dioxide in water (as typed out in public data)",
        why: "the table's last digit and 0.2 %: it was made from the same formula",
        checks: table
            .into_iter()
            .map(|(t, x)| Check {
                what: format!("mole fraction in water at {t} °C under 100 kPa"),
                unit: "10⁻³",
                published: x,
                ours: mole_fraction(t),
                tolerance: 0.0005 + share(0.002, x),
            })
            .collect(),
    }
}

fn volume() -> Source {
    Source {
        topic: "One volume of carbon dioxide",
        source: "IUPAC-NIST Solubility Database SRD 106, molar volume of carbon dioxide at 0 °C and 1 atm",
        why: "a volume is 1.977 g/L by four digits",
        checks: vec![Check {
            what: "litres a mole".to_owned(),
            unit: "L/mol",
            published: MOLAR_LITRES,
            ours: MOLAR_CO2 * volumes(GramsPerLitre::computed(1.0)).get(),
            tolerance: 0.005,
        }],
    }
}

fn beer_chart() -> Source {
    let table = [
        (32.0, 10.0, 2.70),
        (32.0, 15.0, 3.21),
        (34.0, 10.0, 2.58),
        (36.0, 12.0, 2.67),
        (38.0, 10.0, 2.38),
        (38.0, 12.0, 2.57),
        (40.0, 12.0, 2.47),
        (40.0, 15.0, 2.75),
        (42.0, 10.0, 2.21),
        (45.0, 10.0, 2.08),
        (45.0, 15.0, 2.51),
        (45.0, 20.0, 2.94),
    ];
    // Speers & MacIntosh 2013, J. ASBC 71:242, on what beer the chart was made with: 4.22 % by mass.
    let beer = mead(5.4, 0.0);
    Source {
        topic: "Pressure in a keg",
        source: "gauge pressure chart for beer, reprinted in a trade journal, vol. 2 no. 1 (1994)",
        why: "4 %: nothing is fitted to it; alcohol's part was measured on wine at 20 °C",
        checks: table
            .into_iter()
            .map(|(f, psi, volumes_there)| {
                let t = Celsius::from_fahrenheit(f).expect("a cellar's temperature");
                let ours = keg::content(
                    BarGauge::computed(psi * PSI),
                    t,
                    beer,
                    atmosphere::SEA_LEVEL,
                );
                Check {
                    what: format!("beer at {f} °F under {psi} psi"),
                    unit: "volumes",
                    published: volumes_there,
                    ours: volumes(ours.expect("in the range of the formula")).get(),
                    tolerance: share(0.04, volumes_there),
                }
            })
            .collect(),
    }
}

fn henry() -> Source {
    // At little pressure, where a bar holds so much.
    let per_bar = |t: f64, liquid: Solvent| {
        let p = BarAbsolute::computed(0.001);
        let c = solubility::dissolved(p, Celsius::computed(t), liquid);
        c.expect("in the range of the formula").get() / 0.001
    };
    let check = |what: &str, published: f64, ours: f64| Check {
        what: what.to_owned(),
        unit: "g/(L·bar)",
        published,
        ours,
        tolerance: share(0.07, published),
    };
    Source {
        topic: "Carbon dioxide in beer and champagne",
        source: "PMC8047704, table 1 (both given as about)",
        why: "7 %, the error stated with every result",
        checks: vec![
            check(
                "beer of 5 % vol and 35 g/L extract at 6 °C",
                2.4,
                per_bar(6.0, mead(5.0, 35.0)),
            ),
            check(
                "champagne of 12.5 % vol and 10 g/L sugar at 10 °C",
                2.1,
                per_bar(10.0, mead(12.5, 10.0)),
            ),
        ],
    }
}

/// Champagne of 12.5 % vol and 10 g/L sugar: usual figures, not those of these bottles.
fn wine() -> Solvent {
    mead(12.5, 10.0)
}

fn pressure(content: f64, kelvin: f64) -> f64 {
    let content = GramsPerLitre::computed(content);
    solubility::pressure(content, Celsius::computed(kelvin - 273.15), wine())
        .expect("in the range of the formula")
        .get()
}

fn champagne() -> Source {
    let first = solubility::dissolved(
        BarAbsolute::computed(4.7),
        Celsius::computed(279.0 - 273.15),
        wine(),
    );
    let content = first.expect("in the range of the formula").get();
    Source {
        topic: "Pressure of one content as it is warmed",
        source: "Scientific Reports (2017), doi 10.1038/s41598-017-10702-6, table 1: 4.7 bar at 279 K in the same bottle",
        why: "3 %: their pressures are Henry's law without the gas being real, and have two digits",
        checks: [(285.0, 5.8), (293.0, 7.5)]
            .into_iter()
            .map(|(kelvin, bar)| Check {
                what: format!("champagne at {kelvin} K"),
                unit: "bar",
                published: bar,
                ours: pressure(content, kelvin),
                tolerance: share(0.03, bar),
            })
            .collect(),
    }
}

fn champagne_content() -> Source {
    let bottle = Closed {
        liquid: wine(),
        content: GramsPerLitre::computed(11.5),
        headspace: Percent::computed(3.0),
        closed_at: Celsius::computed(12.0),
        above: Above::CarbonDioxide,
        atmosphere: atmosphere::SEA_LEVEL,
    };
    let inside = bottle.at(Celsius::computed(12.0));
    Source {
        topic: "A closed bottle of known content",
        source: "11.5 g/L: Liger-Belair & Villaume, J. Agric. Food Chem. (2011); 5.8 bar at 285 K: Scientific Reports (2017), doi 10.1038/s41598-017-10702-6",
        why: "10 %: two sources for one bottle, each given as about, and the 7 % of the formula",
        checks: vec![Check {
            what: "champagne with 11.5 g/L at 12 °C".to_owned(),
            unit: "bar",
            published: 5.8,
            ours: inside
                .expect("in the range of the formula")
                .carbon_dioxide
                .get(),
            tolerance: 0.58,
        }],
    }
}

/// A share of a value as a tolerance, to as many digits as are worth printing.
fn share(of_it: f64, value: f64) -> f64 {
    (of_it * value * 1e4).round() / 1e4
}
