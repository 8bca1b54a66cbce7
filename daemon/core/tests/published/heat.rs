//! Pasteurisation units.

use ebbmark_core::heat::Rate;
use ebbmark_core::units::{Celsius, Minutes};

use crate::{Check, Source};

pub fn sources() -> Vec<Source> {
    vec![definition(), seven(), equal(), cider()]
}

fn units(rate: Rate, t: f64, minutes: f64) -> f64 {
    rate.hold(Celsius::computed(t), Minutes::computed(minutes))
        .get()
}

fn named(rate: Rate) -> &'static str {
    match rate {
        Rate::DelVecchio => "1.393",
        Rate::ZSeven => "z = 7",
    }
}

fn check(rate: Rate, t: f64, minutes: f64, hold: &str, published: f64, tolerance: f64) -> Check {
    Check {
        what: format!("{hold} at {t} °C, {}", named(rate)),
        unit: "PU",
        published,
        ours: units(rate, t, minutes),
        tolerance,
    }
}

fn definition() -> Source {
    Source {
        topic: "What a unit is",
        source: "Del Vecchio, Dayharsh & Baselt, Proc. ASBC 9 (1951) 45 (as quoted): one minute at 60 °C",
        why: "a definition",
        checks: [Rate::DelVecchio, Rate::ZSeven]
            .map(|rate| check(rate, 60.0, 1.0, "1 min", 1.0, 1e-12))
            .into(),
    }
}

fn seven() -> Source {
    Source {
        topic: "Units with z = 7 °C",
        source: "food engineering practice with z = 7 °C (as quoted)",
        why: "the formula itself",
        checks: vec![
            check(Rate::ZSeven, 67.0, 1.0, "1 min", 10.0, 1e-9),
            check(Rate::ZSeven, 67.0, 5.0, "5 min", 50.0, 1e-9),
            check(Rate::ZSeven, 81.0, 0.05, "3 s", 50.0, 1e-9),
        ],
    }
}

fn equal() -> Source {
    Source {
        topic: "The same holds by 1.393",
        source: "food engineering practice with z = 7 °C (as quoted)",
        why: "6 %: what the two published rates differ by 21 °C above 60 °C",
        checks: vec![
            check(Rate::DelVecchio, 67.0, 1.0, "1 min", 10.0, 0.6),
            check(Rate::DelVecchio, 67.0, 5.0, "5 min", 50.0, 3.0),
            check(Rate::DelVecchio, 81.0, 0.05, "3 s", 50.0, 3.0),
        ],
    }
}

fn cider() -> Source {
    let holds = [(65.0, 10.0, "10 min"), (60.0, 50.0, "50 min")];
    Source {
        topic: "The rule for cider",
        source: "A. Lea, discussion list (2012; an expert, informally): about 50 units",
        why: "6 %: a rule of round numbers",
        checks: [Rate::DelVecchio, Rate::ZSeven]
            .into_iter()
            .flat_map(|rate| holds.map(|(t, min, hold)| check(rate, t, min, hold, 50.0, 3.0)))
            .collect(),
    }
}
