//! The short form of the bench: a few runs of each kind, on development seeds.

use crate::draw::Draw;
use crate::history;
use crate::kinds::{self, Kind};
use crate::maker::Habit;
use crate::run::{Wanted, run};
use crate::score::{Score, score};
use crate::table;
use crate::world::Generator;

/// Kinds of which one run is cheap enough for a test that is run all day.
const SHORT: [Kind; 6] = [
    Kind::Quick,
    Kind::Dry,
    Kind::Tolerance,
    Kind::ColdStall,
    Kind::HandDry,
    Kind::Sweetened,
];

fn wanted(generator: Generator, kind: Kind, seed: u64) -> Wanted {
    Wanted {
        kind,
        generator,
        seed,
        every: 12,
        maker: Habit::Jar,
    }
}

fn scores(seeds: std::ops::Range<u64>) -> Vec<Score> {
    let all: Vec<Wanted> = Generator::ALL
        .into_iter()
        .flat_map(|g| SHORT.map(|k| (g, k)))
        .flat_map(|(g, k)| seeds.clone().map(move |seed| wanted(g, k, seed)))
        .collect();
    crate::all(&all, 2).into_iter().flatten().collect()
}

#[test]
fn nothing_is_sealed_or_stabilised_that_still_falls() {
    let scores = scores(1..3);
    assert_eq!(scores.len(), SHORT.len() * 2 * 2);
    let wrong = |gate: usize| {
        scores
            .iter()
            .filter(|s| s.false_open[gate].is_some())
            .count()
    };
    let list = table::worst(&scores, 9);
    assert_eq!(wrong(2), 0, "{list}");
    assert!(wrong(1) <= 1, "{list}");
    // And the gate is not simply nailed shut.
    assert!(
        scores.iter().filter(|s| s.delay.is_some()).count() > 8,
        "{list}"
    );
}

#[test]
fn a_run_is_its_seed() {
    let once = |seed| {
        let run = run(wanted(Generator::TwoSugars, Kind::Quick, seed), |_| ()).unwrap();
        format!("{:?} {:?}", run.looks, score(&run))
    };
    assert_eq!(once(3), once(3));
    assert_ne!(once(3), once(4));
}

#[test]
fn threads_change_nothing() {
    let all: Vec<Wanted> = (1..4)
        .map(|seed| wanted(Generator::Balances, Kind::HandDry, seed))
        .collect();
    let text = |threads| format!("{:?}", crate::all(&all, threads));
    assert_eq!(text(1), text(3));
}

#[test]
fn every_kind_can_be_drawn_and_says_what_was_left() {
    for generator in Generator::ALL {
        for kind in Kind::ALL {
            let drawn = kinds::draw(kind, generator, &mut Draw::new(5, kind as u64))
                .unwrap_or_else(|| panic!("{kind:?} {generator:?}"));
            let c = &drawn.course;
            for hour in (1..=c.hours()).step_by(7) {
                let (before, now) = (c.point(hour - 1), c.point(hour));
                assert!(now.could >= -1e-9 && now.truth.sugar >= -1e-9);
                // Without an act gravity only falls, and never below where it is to end.
                if !c.acts.iter().any(|a| a.hour < hour) {
                    assert!(now.truth.gravity <= before.truth.gravity + 1e-9, "{kind:?}");
                    assert!(c.left(hour) > -1e-5, "{kind:?} {}", c.left(hour));
                }
            }
        }
    }
}

#[test]
fn a_cellar_learns_from_its_batches() {
    let pairs = history::cellar(Generator::TwoSugars, 1, 12);
    assert!(pairs.len() >= 6, "{}", pairs.len());
    // What was learned reaches the forecast.
    assert!(pairs.iter().any(|p| p.with.error != p.without.error));
}
