//! Alcohol by mass and volume, strength from gravities, extract with alcohol in it.

use ebbmark_core::density::{ethanol, plato_from_gravity, water};
use ebbmark_core::liquid::Liquid;
use ebbmark_core::strength::{by_law, from_gravities};
use ebbmark_core::units::{GramsPerLitre, Gravity, Kilograms, Plato};

use crate::{Check, Source};

pub fn sources() -> Vec<Source> {
    vec![
        crc_ethanol(),
        usp_mass(),
        usp_25(),
        usp_60(),
        excise(),
        cutaia_apparent(),
        cutaia_alcohol(),
        invert_sugar(),
    ]
}

const USP: &str = "USP 29 Alcoholometric Table, from NBS Bulletin vol. 9 pp 424-425 (as typed out in public data)";

/// % vol at 60 °F, % by mass, SG 25/25 °C, SG 60/60 °F.
const USP_TABLE: [(f64, f64, f64, f64); 6] = [
    (5.0, 4.00, 0.9927, 0.9928),
    (10.0, 8.05, 0.9862, 0.9866),
    (12.0, 9.68, 0.9838, 0.9843),
    (15.0, 12.14, 0.9802, 0.9810),
    (20.0, 16.27, 0.9744, 0.9759),
    (30.0, 24.67, 0.9622, 0.9653),
];

const F60: f64 = 140.0 / 9.0;

/// Mass % at which a litre holds so many parts of ethanol by volume, both at 60 °F.
fn mass_at_60(vol: f64) -> f64 {
    let mut mass = vol * 0.8;
    for _ in 0..60 {
        mass = vol * ethanol::density(100.0, F60) / ethanol::density(mass, F60);
    }
    mass
}

fn crc_ethanol() -> Source {
    let table = [
        (1.0, 0.9963),
        (5.0, 0.9893),
        (8.0, 0.9847),
        (10.0, 0.9819),
        (12.0, 0.9792),
        (15.0, 0.9752),
        (20.0, 0.9687),
        (40.0, 0.9352),
    ];
    Source {
        topic: "Density of ethanol in water by mass",
        source: "CRC Handbook of Chemistry and Physics, 102nd ed. (2021), Concentrative properties of aqueous solutions: ethanol (as typed out in public data)",
        why: "the table's last digit, and it rests on other measurements than OIML R 22",
        checks: table
            .into_iter()
            .map(|(mass, rho)| Check {
                what: format!("{mass} % ethanol by mass at 20 °C"),
                unit: "g/cm³",
                published: rho,
                ours: ethanol::density(mass, 20.0) / 1000.0,
                tolerance: 0.00015,
            })
            .collect(),
    }
}

fn usp_mass() -> Source {
    Source {
        topic: "Strength by volume and by mass",
        source: USP,
        why: "the table's last digit",
        checks: USP_TABLE
            .into_iter()
            .map(|(vol, mass, ..)| Check {
                what: format!("{vol} % vol at 60 °F, by mass"),
                unit: "%",
                published: mass,
                ours: mass_at_60(vol),
                tolerance: 0.01,
            })
            .collect(),
    }
}

fn usp_25() -> Source {
    let rows = USP_TABLE.map(|(_, mass, sg25, _)| (mass, sg25));
    usp_gravity("Gravity of ethanol in water, SG 25/25 °C", 25.0, rows)
}

fn usp_60() -> Source {
    let rows = USP_TABLE.map(|(_, mass, _, sg60)| (mass, sg60));
    usp_gravity("Gravity of ethanol in water, SG 60/60 °F", F60, rows)
}

fn usp_gravity(topic: &'static str, t: f64, rows: [(f64, f64); 6]) -> Source {
    Source {
        topic,
        source: USP,
        why: "the last digits of gravity and of mass % together",
        checks: rows
            .into_iter()
            .map(|(mass, sg)| Check {
                what: format!("{mass} % ethanol by mass"),
                unit: "SG",
                published: sg,
                ours: ethanol::density(mass, t) / water::density(t),
                tolerance: 0.00012,
            })
            .collect(),
    }
}

fn excise() -> Source {
    let bands = [
        (6.9, 0.125),
        (17.2, 0.127),
        (26.1, 0.128),
        (36.0, 0.129),
        (46.5, 0.130),
        (57.1, 0.131),
        (67.9, 0.132),
        (78.8, 0.133),
        (89.7, 0.134),
        (100.7, 0.135),
    ];
    Source {
        topic: "Strength from original and present gravity",
        source: "HMRC Excise Notice 226 (Beer Duty) section 30.3, table by the Laboratory of the Government Chemist (as quoted in three identical public copies): points times factor, at the top of each band, down to 1.000",
        why: "bands of one factor each, for beers",
        checks: bands
            .into_iter()
            .map(|(points, factor)| Check {
                what: format!("{:.4} to 1.0000", 1.0 + points / 1000.0),
                unit: "% vol",
                published: (points * factor * 1000.0_f64).round() / 1000.0,
                ours: from_gravities(
                    Gravity::computed(1.0 + points / 1000.0),
                    Gravity::computed(1.0),
                )
                .map_or(f64::NAN, |s| s.by_volume.get()),
                tolerance: 0.1,
            })
            .collect(),
    }
}

/// Means of five sets of measured beers: name, original extract, alcohol by mass, real and
/// apparent extract.
const CUTAIA: [(&str, f64, f64, f64, f64); 5] = [
    ("92 beers", 14.08, 4.72, 5.28, 3.11),
    ("112 beers", 14.54, 5.14, 4.88, 2.53),
    ("71 beers", 17.67, 6.56, 5.38, 2.45),
    ("221 beers", 11.34, 3.82, 3.80, 2.01),
    ("36 beers", 12.75, 4.21, 4.74, 2.79),
];
const CUTAIA_SOURCE: &str =
    "Cutaia, Reid, Speers, J. Inst. Brew. 115 (2009) 318, table III, means of five sets";

fn cutaia_apparent() -> Source {
    let apparent = |real: f64, alcohol: f64| {
        let kg = Kilograms::computed;
        let gravity = Liquid::of(kg(100.0 - real - alcohol), kg(real), kg(alcohol))
            .ok()
            .and_then(|l| l.gravity().ok());
        gravity.map_or(f64::NAN, |g| plato_from_gravity(g).get())
    };
    Source {
        topic: "What a hydrometer shows of extract with alcohol in it",
        source: CUTAIA_SOURCE,
        why: "two last digits, and the real extracts were themselves calculated",
        checks: CUTAIA
            .into_iter()
            .map(|(name, _, alcohol, real, published)| Check {
                what: format!("{name}: {real} °P real extract, {alcohol} % alcohol"),
                unit: "°P",
                published,
                ours: apparent(real, alcohol),
                tolerance: 0.05,
            })
            .collect(),
    }
}

fn cutaia_alcohol() -> Source {
    let gravity = |plato: f64| ebbmark_core::density::gravity_from_plato(Plato::computed(plato));
    let alcohol = |original: f64, apparent: f64| {
        let (Ok(og), Ok(fg)) = (gravity(original), gravity(apparent)) else {
            return f64::NAN;
        };
        from_gravities(og, fg).map_or(f64::NAN, |s| s.by_mass.get())
    };
    Source {
        topic: "Alcohol by mass from original and apparent extract",
        source: CUTAIA_SOURCE,
        why: "measured alcohol differs from every formula by as much",
        checks: CUTAIA
            .into_iter()
            .map(|(name, original, published, _, apparent)| Check {
                what: format!("{name}: {original} °P to {apparent} °P"),
                unit: "% by mass",
                published,
                ours: alcohol(original, apparent),
                tolerance: 0.12,
            })
            .collect(),
    }
}

fn invert_sugar() -> Source {
    let table = [
        (82.2, 4.88),
        (103.5, 6.15),
        (136.1, 8.08),
        (169.4, 10.06),
        (191.9, 11.40),
        (249.5, 14.82),
        (284.9, 16.92),
        (308.9, 18.35),
    ];
    Source {
        topic: "Strength that sugar is counted for",
        source: "French order of 14 September 2012, annex IV, after OIV-MA-AS2-02 table II",
        why: "the table's last digit",
        checks: table
            .into_iter()
            .map(|(sugar, vol)| Check {
                what: format!("{sugar} g/L of sugar"),
                unit: "% vol",
                published: vol,
                ours: by_law(GramsPerLitre::computed(sugar)).get(),
                tolerance: 0.01,
            })
            .collect(),
    }
}
