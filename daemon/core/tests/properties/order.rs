//! The order of arrival, and what arrives twice, change nothing.

use ebbmark_core::deed::{Deed, What};
use ebbmark_core::files::Row;
use ebbmark_core::replay::{Known, Line, replay};
use ebbmark_core::units::Gravity;
use proptest::prelude::*;
use proptest::sample::Index;

use crate::made::{cases, deed, ferment};

fn run(rows: &[Row], mut deeds: Vec<Deed>) -> Vec<Line> {
    deeds.push(deed(0.0, What::Pitch, None));
    deeds.sort_by_key(|d| d.at);
    let original = Gravity::new(1.090).ok();
    let known = Known {
        original,
        ..Known::default()
    };
    replay(rows, &deeds, known)
}

proptest! {
    #![proptest_config(cases(6))]

    #[test]
    fn order_and_repeats_change_nothing(
        f in ferment(),
        other in prop::collection::vec((any::<Index>(), -0.01..0.01f64), 0..40),
        twice in prop::collection::vec(any::<Index>(), 1..400),
        hand_twice in prop::collection::vec(any::<Index>(), 1..20),
        shuffle: u64,
    ) {
        let mut rows = f.float(18);
        // Some instants have two readings that do not agree: both stand, whichever came first.
        for (i, off) in &other {
            let mut row = rows[i.index(rows.len())];
            row.gravity = row.gravity.and_then(|g| Gravity::new(g.get() + off).ok());
            rows.push(row);
        }
        let deeds = f.by_hand(18);
        let once = run(&rows, deeds.clone());

        let mut arrived = rows.clone();
        arrived.extend(twice.iter().map(|i| rows[i.index(rows.len())]));
        let mut seed = shuffle;
        for i in (1..arrived.len()).rev() {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            arrived.swap(i, (seed >> 33) as usize % (i + 1));
        }
        let mut written = deeds.clone();
        written.extend(hand_twice.iter().map(|i| deeds[i.index(deeds.len())].clone()));
        prop_assert_eq!(&once, &run(&arrived, written.clone()));
        // By hand alone likewise.
        prop_assert_eq!(run(&[], deeds), run(&[], written));
    }
}
