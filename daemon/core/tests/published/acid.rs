//! Titratable acidity.

use ebbmark_core::acid::{self, Acid, Carbonate};
use ebbmark_core::units::{GramsPerLitre, Kilograms, Litres, Millilitres, Normality};

use crate::{Check, Source};

pub fn sources() -> Vec<Source> {
    vec![
        titrations(),
        handbook_conversions(),
        consultants(),
        awri(),
        fruit_juice(),
        handbook_carbonates(),
    ]
}

fn one() -> GramsPerLitre {
    GramsPerLitre::computed(1.0)
}

fn as_other(of: Acid, to: Acid) -> f64 {
    acid::expressed(one(), of, to).get()
}

fn titrated(sample: f64, strength: f64, lye: f64) -> f64 {
    acid::titrated(
        Millilitres::computed(sample),
        Normality::computed(strength),
        Millilitres::computed(lye),
    )
    .map_or(f64::NAN, GramsPerLitre::get)
}

fn titrations() -> Source {
    let rounded = |what: &str, published: f64, ours: f64, tolerance: f64| Check {
        what: what.to_owned(),
        unit: "g/L",
        published,
        ours,
        tolerance,
    };
    Source {
        topic: "Titratable acidity",
        source: "worked examples: scienceaq.com 400816 (first); coolclimateclassroom.com, titrations (second); Monash Scientific, procedure with a colour indicator (third); Missouri State University, Determination of Titratable Acidity, its formula for 5 mL (fourth)",
        why: "they take 150 or 75 where tartaric acid has 150.09 and 75.04",
        checks: vec![
            rounded(
                "15 mL, 12.6 mL of 0.1 N lye",
                6.3,
                titrated(15.0, 0.1, 12.6),
                0.01,
            ),
            rounded(
                "15 mL, 9 mL of 0.2 N lye",
                9.0,
                titrated(15.0, 0.2, 9.0),
                0.01,
            ),
            rounded(
                "10 mL, 1 mL of 0.1 N lye",
                0.75,
                titrated(10.0, 0.1, 1.0),
                0.001,
            ),
            rounded(
                "5 mL, 1 mL of 0.1 N lye",
                1.5,
                titrated(5.0, 0.1, 1.0),
                0.001,
            ),
        ],
    }
}

fn handbook_conversions() -> Source {
    let milli = |of: Acid| acid::milliequivalents(one(), of);
    let check = |what: &str, unit: &'static str, published: f64, ours: f64, tolerance: f64| Check {
        what: what.to_owned(),
        unit,
        published,
        ours,
        tolerance,
    };
    let rows = vec![
        check(
            "1 meq/L as sulphuric acid",
            "g/L",
            0.049,
            1.0 / milli(Acid::Sulphuric),
            5e-4,
        ),
        check(
            "1 meq/L as tartaric acid",
            "g/L",
            0.075,
            1.0 / milli(Acid::Tartaric),
            5e-4,
        ),
        check(
            "1 meq/L as acetic acid",
            "g/L",
            0.060,
            1.0 / milli(Acid::Acetic),
            5e-4,
        ),
        check(
            "1 g/L as sulphuric acid",
            "meq/L",
            20.40,
            milli(Acid::Sulphuric),
            0.01,
        ),
        check(
            "1 g/L as tartaric acid",
            "meq/L",
            13.33,
            milli(Acid::Tartaric),
            0.01,
        ),
        check(
            "1 g/L as acetic acid",
            "meq/L",
            16.67,
            milli(Acid::Acetic),
            0.02,
        ),
        check(
            "1 g/L sulphuric, as tartaric",
            "g/L",
            1.53,
            as_other(Acid::Sulphuric, Acid::Tartaric),
            0.005,
        ),
        check(
            "1 g/L sulphuric, as acetic",
            "g/L",
            1.22,
            as_other(Acid::Sulphuric, Acid::Acetic),
            0.006,
        ),
        check(
            "1 g/L tartaric, as sulphuric",
            "g/L",
            0.65,
            as_other(Acid::Tartaric, Acid::Sulphuric),
            0.005,
        ),
        check(
            "1 g/L acetic, as sulphuric",
            "g/L",
            0.82,
            as_other(Acid::Acetic, Acid::Sulphuric),
            0.005,
        ),
    ];
    Source {
        topic: "Titratable acidity",
        source: "Ribéreau-Gayon et al., Handbook of Enology vol. 1, coefficients of conversion (excerpt at librs.net)",
        why: "the table's last digit; it takes whole numbers for the molar masses",
        checks: rows,
    }
}

fn consultants() -> Source {
    let milli = |of: Acid| acid::milliequivalents(one(), of);
    let rows = [
        (
            "1 g/L as sulphuric acid",
            "meq/L",
            20.39,
            milli(Acid::Sulphuric),
        ),
        ("1 g/L as acetic acid", "meq/L", 16.65, milli(Acid::Acetic)),
        (
            "1 g/L as tartaric acid",
            "meq/L",
            13.32,
            milli(Acid::Tartaric),
        ),
        (
            "1 g/L tartaric, as acetic",
            "g/L",
            0.80,
            as_other(Acid::Tartaric, Acid::Acetic),
        ),
    ];
    Source {
        topic: "Titratable acidity",
        source: "wine-consultants.com, technical page: conversion of acidities",
        why: "the table's last digit",
        checks: rows
            .into_iter()
            .map(|(what, unit, published, ours)| Check {
                what: what.to_owned(),
                unit,
                published,
                ours,
                tolerance: 0.006,
            })
            .collect(),
    }
}

fn awri() -> Source {
    Source {
        topic: "Titratable acidity",
        source: "Australian Wine Research Institute, Technical Note TN14, Interconversion of acidity units (copy at studylib.net)",
        why: "it takes 98.08 for sulphuric acid, we 98.07",
        checks: vec![Check {
            what: "1 g/L acetic, as sulphuric".to_owned(),
            unit: "g/L",
            published: 0.8167,
            ours: as_other(Acid::Acetic, Acid::Sulphuric),
            tolerance: 2e-4,
        }],
    }
}

fn fruit_juice() -> Source {
    let rows = [
        ("citric acid monohydrate", 1.094, Acid::CitricMonohydrate),
        ("malic acid", 1.047, Acid::Malic),
        ("tartaric acid", 1.172, Acid::Tartaric),
    ];
    Source {
        topic: "Titratable acidity",
        source: "Gerald McDonald & Co, Fruit Juice Acids (Conversions)",
        why: "the table's last digit",
        checks: rows
            .into_iter()
            .map(|(name, published, to)| Check {
                what: format!("{name} for the acidity of 1 g of citric acid"),
                unit: "g",
                published,
                ours: as_other(Acid::Citric, to),
                tolerance: 6e-4,
            })
            .collect(),
    }
}

fn handbook_carbonates() -> Source {
    let falls = |with: Carbonate| {
        let gram = Kilograms::computed(0.001);
        let fall = acid::lowered_by(gram, Litres::computed(1.0), with);
        acid::expressed(fall, Acid::Tartaric, Acid::Sulphuric).get()
    };
    let rows = [
        (
            "potassium bicarbonate",
            0.49,
            Carbonate::PotassiumBicarbonate,
        ),
        ("calcium carbonate", 0.98, Carbonate::Calcium),
    ];
    Source {
        topic: "Titratable acidity",
        source: "Ribéreau-Gayon et al., Handbook of Enology vol. 2 (excerpt at librs.net): fall by 1 g/L, as sulphuric acid",
        why: "the text's last digit",
        checks: rows
            .into_iter()
            .map(|(name, published, with)| Check {
                what: format!("acidity taken by 1 g/L of {name}"),
                unit: "g/L",
                published,
                ours: falls(with),
                tolerance: 0.005,
            })
            .collect(),
    }
}
