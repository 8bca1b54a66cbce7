//! Sulphite, sorbate, nutrient.

use ebbmark_core::limits;
use ebbmark_core::sorbate::{self, Dose};
use ebbmark_core::stock;
use ebbmark_core::sulphite::{self, Salt};
use ebbmark_core::units::{
    AbvPercent, Celsius, GramsPerLitre, LITRES_PER_US_GALLON, Litres, MgPerLitre, Ph,
};

use crate::{Check, Source};

pub fn sources() -> Vec<Source> {
    vec![
        enology_briefs(),
        oiv_constant(),
        colorado(),
        practical_winery(),
        underhill(),
        sorbic_share(),
        phosphate_limit(),
    ]
}

fn ph(v: f64) -> Ph {
    Ph::computed(v)
}

fn mg(v: f64) -> MgPerLitre {
    MgPerLitre::computed(v)
}

fn litres(v: f64) -> Litres {
    Litres::computed(v)
}

/// pH, per cent molecular, free for 0.8 mg/L and for 0.5 mg/L molecular.
const BRIEFS: [(f64, f64, f64, f64); 12] = [
    (2.9, 7.5, 11.0, 7.0),
    (3.0, 6.1, 13.0, 8.0),
    (3.1, 4.9, 16.0, 10.0),
    (3.2, 3.9, 21.0, 13.0),
    (3.3, 3.1, 26.0, 16.0),
    (3.4, 2.5, 32.0, 20.0),
    (3.5, 2.0, 40.0, 25.0),
    (3.6, 1.6, 50.0, 31.0),
    (3.7, 1.3, 63.0, 39.0),
    (3.8, 1.0, 79.0, 49.0),
    (3.9, 0.8, 99.0, 62.0),
    (4.0, 0.7, 125.0, 78.0),
];

fn enology_briefs() -> Source {
    let percent = BRIEFS.map(|(at, percent, _, _)| Check {
        what: format!("active part of free sulphur dioxide at pH {at:.1}"),
        unit: "%",
        published: percent,
        ours: sulphite::molecular_share(ph(at), sulphite::PKA) * 100.0,
        tolerance: 0.06,
    });
    let free = |at: f64, molecular: f64, published: f64| Check {
        what: format!("free sulphur dioxide for {molecular} mg/L molecular at pH {at:.1}"),
        unit: "mg/L",
        published,
        ours: sulphite::free_for(mg(molecular), ph(at)).get(),
        tolerance: 0.7,
    };
    let white = BRIEFS.map(|(at, _, white, _)| free(at, 0.8, white));
    let red = BRIEFS.map(|(at, _, _, red)| free(at, 0.5, red));
    Source {
        topic: "Molecular sulphur dioxide",
        source: "University of California Cooperative Extension, Enology Briefs I no. 1 (1982), as reproduced in a winery hand-out (the 0.8 mg/L column in a second one too)",
        why: "whole numbers, one of them (pH 3.2) rounded up; 0.7 % at pH 4.0 is the table's own slip of rounding",
        checks: percent.into_iter().chain(white).chain(red).collect(),
    }
}

fn oiv_constant() -> Source {
    let temperatures = [20.0, 25.0, 30.0, 35.0, 40.0];
    let table = [
        (0.0, [1.798, 2.000, 2.219, 2.334, 2.493]),
        (5.0, [1.897, 2.098, 2.299, 2.397, 2.527]),
        (10.0, [1.997, 2.198, 2.394, 2.488, 2.606]),
        (15.0, [2.099, 2.301, 2.503, 2.607, 2.728]),
    ];
    Source {
        topic: "Sulphur dioxide's constant by strength and temperature",
        source: "OIV-MA-AS323-04C, Sulfur dioxide (molecular method), Table I",
        why: "the table itself, read at its crossings",
        checks: table
            .into_iter()
            .flat_map(|(strength, row)| {
                temperatures.into_iter().zip(row).map(move |(t, pk)| Check {
                    what: format!("pK at {strength} % vol and {t} °C"),
                    unit: "",
                    published: pk,
                    ours: sulphite::oiv_pk(AbvPercent::computed(strength), Celsius::computed(t))
                        .unwrap_or(f64::NAN),
                    tolerance: 1e-9,
                })
            })
            .collect(),
    }
}

fn colorado() -> Source {
    let table = [
        (1.0, 0.0064),
        (5.0, 0.0320),
        (10.0, 0.0640),
        (15.0, 0.0961),
        (20.0, 0.1281),
        (25.0, 0.1601),
        (30.0, 0.1921),
        (40.0, 0.2561),
        (50.0, 0.3202),
        (60.0, 0.3842),
        (75.0, 0.4803),
        (90.0, 0.5763),
        (100.0, 0.6404),
    ];
    Source {
        topic: "Potassium metabisulphite",
        source: "Colorado State University Enology (S. Menke), SO2, Acid, Sorbate Considerations: grams in a US gallon",
        why: "the sheet takes 3.723 L for a gallon (3.785) and 0.581 for the salt's share of SO2 (0.576), so it is 2.5 % low throughout",
        checks: table
            .into_iter()
            .map(|(added, grams)| Check {
                what: format!("for {added} mg/L of SO2 in a US gallon"),
                unit: "g",
                published: grams,
                ours: sulphite::salt_for(mg(added), litres(LITRES_PER_US_GALLON), Salt::Potassium)
                    .get()
                    * 1000.0,
                tolerance: grams * 0.03,
            })
            .collect(),
    }
}

fn practical_winery() -> Source {
    Source {
        topic: "Potassium metabisulphite",
        source: "Practical Winery & Vineyard, January 2014 (in Wines & Vines), p. 58",
        why: "the figure's last digit",
        checks: vec![Check {
            what: "sulphur dioxide in potassium metabisulphite".to_owned(),
            unit: "%",
            published: 57.6,
            ours: Salt::Potassium.sulphur_dioxide() * 100.0,
            tolerance: 0.05,
        }],
    }
}

fn underhill() -> Source {
    let acidities = [3.1, 3.2, 3.3, 3.4, 3.5];
    let table = [
        (10.0, [5.5, 6.0, 7.0, 8.0, 9.0]),
        (11.0, [4.5, 5.0, 6.0, 7.0, 7.5]),
        (12.0, [3.2, 3.5, 4.0, 4.5, 5.0]),
        (13.0, [2.6, 3.0, 3.2, 3.5, 4.0]),
        (14.0, [2.0, 2.2, 2.4, 2.7, 3.0]),
    ];
    let ours = |strength: f64, at: f64| match sorbate::dose(AbvPercent::computed(strength), ph(at))
    {
        Dose::Table(sorbic) => {
            let salt = sorbate::potassium_sorbate(sorbic, litres(1.0));
            stock::volume(salt, GramsPerLitre::computed(30.0)).get() * 1000.0
        }
        Dose::Edge(_) | Dose::Outside => f64::NAN,
    };
    Source {
        topic: "Potassium sorbate by strength and pH",
        source: "T. Underhill, Making Better Wines, table as given at vawa.net/articles/sorbatetable.html: 30 g/L solution for a litre",
        why: "the table itself, read at its crossings and turned into sorbic acid and back",
        checks: table
            .into_iter()
            .flat_map(|(strength, row)| {
                acidities.into_iter().zip(row).map(move |(at, ml)| Check {
                    what: format!("at {strength} % vol and pH {at}"),
                    unit: "mL",
                    published: ml,
                    ours: ours(strength, at),
                    tolerance: 1e-9,
                })
            })
            .collect(),
    }
}

fn sorbic_share() -> Source {
    Source {
        topic: "Potassium sorbate by strength and pH",
        source: "winery hand-outs: potassium sorbate is \"about 75 %\" sorbic acid (as quoted)",
        why: "\"about\"",
        checks: vec![Check {
            what: "sorbic acid in potassium sorbate".to_owned(),
            unit: "%",
            published: 75.0,
            ours: sorbate::SORBIC_SHARE * 100.0,
            tolerance: 0.5,
        }],
    }
}

fn phosphate_limit() -> Source {
    Source {
        topic: "Nitrogen for yeast",
        source: "27 CFR 24.246 (as quoted): 8 lb in 1000 US gallons, 0.96 g/L",
        why: "the rule's own rounding; ours must not lie above 8 lb",
        checks: vec![Check {
            what: "most diammonium phosphate, United States".to_owned(),
            unit: "g/L",
            published: 0.96,
            ours: limits::rules("us")
                .map_or(f64::NAN, |r| r.diammonium_phosphate.most.get() / 1000.0),
            tolerance: 0.005,
        }],
    }
}
