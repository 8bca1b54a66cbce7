//! Every reading higher by the same: the level moves, and what follows from the floor with it;
//! how fast it falls and whether that is flat does not.

use ebbmark_core::deed::What;
use ebbmark_core::units::Gravity;
use ebbmark_core::verdict::Assessor;
use ebbmark_core::verdict::outcome::Verdict;
use proptest::prelude::*;

use crate::made::{Batch, Ferment, cases, day, ferment};

/// Float and hand alike.
fn moved(f: &Ferment, by_float: bool, by: f64) -> Batch {
    let up = |g: &mut Option<Gravity>| *g = g.and_then(|g| Gravity::new(g.get() + by).ok());
    let mut rows = if by_float { f.float(24) } else { Vec::new() };
    rows.iter_mut().for_each(|r| up(&mut r.gravity));
    let mut deeds = f.by_hand(24);
    let of_hand = deeds.iter_mut().filter(|d| d.what == What::HandReading);
    of_hand.for_each(|d| up(&mut d.gravity));
    Batch::new(&rows, deeds)
}

/// With readings of a jar, on the sixth day and the two after, higher by so much as well.
fn with_a_jar(f: &Ferment, by: f64) -> Batch {
    let mut batch = moved(f, true, by);
    let mut jar = f.jar(6.0);
    for reading in &mut jar {
        reading.gravity = reading
            .gravity
            .and_then(|g| Gravity::new(g.get() + by).ok());
    }
    batch.deeds.extend(jar);
    batch.deeds.sort_by_key(|d| d.at);
    batch
}

fn flat(v: &Verdict) -> Option<f64> {
    v.odds.map(|o| o.flat)
}

fn same(a: f64, b: f64, within: f64) -> bool {
    (a - b).abs() < within
}

proptest! {
    #![proptest_config(cases(6))]

    /// The floor stays where it is.
    #[test]
    fn a_constant_moves_the_level_and_never_the_flatness(f in ferment(), by in -0.004..0.004f64, by_float: bool) {
        let (here, there) = (moved(&f, by_float, 0.0), moved(&f, by_float, by));
        let mut compared = 0;
        for d in 3..=24 {
            let now = day(f64::from(d) + 0.5);
            // Each look by itself: what was called settled before hangs on the level.
            let (a, b) = (here.judge(&mut Assessor::default(), now), there.judge(&mut Assessor::default(), now));
            let (Some(ga), Some(gb)) = (a.gravity, b.gravity) else { continue };
            prop_assert!(same(gb.get() - ga.get(), by, 1e-9), "day {d}: {ga:?} {gb:?}");
            prop_assert_eq!(a.expected_end, b.expected_end);
            if let (Some(fa), Some(fb)) = (flat(&a), flat(&b)) {
                compared += 1;
                prop_assert!(same(fa, fb, 1e-6), "day {d}: flat {fa} {fb}");
            }
            if let (Some(fa), Some(fb)) = (a.fall_per_day, b.fall_per_day)
                && a.looked_at == b.looked_at
            {
                prop_assert!(same(fa.low, fb.low, 1e-9) && same(fa.high, fb.high, 1e-9), "day {d}: {fa:?} {fb:?}");
            }
            if let (Some(oa), Some(ob)) = (a.odds.and_then(|o| o.at_floor), b.odds.and_then(|o| o.at_floor)) {
                // The higher one is at its floor with no better odds.
                prop_assert!((ob - oa) * by <= 1e-12, "day {d}: {oa} {ob}");
            }
        }
        prop_assert!(compared > 10, "{compared}");
    }

    /// The jar says where it ends: its readings, the mead's and the original gravity all higher by the
    /// same, and nothing changes but the levels.
    #[test]
    fn a_constant_on_a_jar_and_its_mead_changes_only_levels(f in ferment(), by in -0.004..0.004f64) {
        let all = |by: f64| Batch {
            original: Some(1.090 + by),
            ..with_a_jar(&f, by)
        };
        let (here, there) = (all(0.0), all(by));
        let mut told = 0;
        for (a, b) in here.verdicts(6, 24).iter().zip(&there.verdicts(6, 24)) {
            prop_assert_eq!(a.test_ferment.map(|j| j.tells), b.test_ferment.map(|j| j.tells));
            if let (Some(ja), Some(jb)) = (a.test_ferment, b.test_ferment) {
                prop_assert!(same(jb.gravity.get() - ja.gravity.get(), by, 1e-9), "{ja:?} {jb:?}");
                told += usize::from(ja.counts());
                if ja.counts() {
                    prop_assert_eq!(a.phase, b.phase);
                    prop_assert_eq!(a.gates.stabilise.open, b.gates.stabilise.open);
                    prop_assert_eq!(a.expected_end, Some(ja.gravity));
                }
            }
        }
        prop_assert!(told > 50, "{told}");
    }

    /// The floor moves along, as the maker's own word and the original gravity do: then nothing
    /// changes but the levels, over the whole story.
    #[test]
    fn a_constant_on_everything_changes_only_levels(f in ferment(), by in -0.004..0.004f64) {
        let with_floor = |by: f64| Batch {
            original: Some(1.090 + by),
            expected: Some(f.end() + by),
            ..moved(&f, true, by)
        };
        let (here, there) = (with_floor(0.0), with_floor(by));
        for (a, b) in here.verdicts(6, 24).iter().zip(&there.verdicts(6, 24)) {
            prop_assert_eq!(a.phase, b.phase);
            prop_assert_eq!(a.gates.rack.open, b.gates.rack.open);
            prop_assert_eq!(a.gates.stabilise.open, b.gates.stabilise.open);
            if let (Some(oa), Some(ob)) = (a.odds, b.odds) {
                prop_assert!(same(oa.flat, ob.flat, 1e-6) && same(oa.more_left, ob.more_left, 1e-3), "{oa:?} {ob:?}");
            }
            if let (Some(ea), Some(eb)) = (a.final_gravity, b.final_gravity) {
                prop_assert!(same(eb.mid - ea.mid, by, 1e-4), "{ea:?} {eb:?}");
            }
        }
    }
}
