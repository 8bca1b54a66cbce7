//! A restart of the program changes no verdict.
//!
//! What is stored with a verdict is what the next one builds on. The curves are not stored: after a
//! restart they are fitted afresh, where an assessor that goes on keeps them for some hours. So what
//! is said of the fall, the phase and the gates is the same; the forecast may be a fresher one.

use ebbmark_core::deed::What;
use ebbmark_core::time::Span;
use ebbmark_core::units::Gravity;
use ebbmark_core::verdict::Assessor;
use ebbmark_core::verdict::outcome::{Memory, Verdict};
use proptest::prelude::*;

use crate::made::{Batch, cases, deed, ferment, start};

/// As it comes back from the database.
fn stored(v: &Verdict) -> Option<Memory> {
    let text = serde_json::to_string(&v.memory).expect("plain data");
    serde_json::from_str(&text).expect("as written")
}

fn same(v: &Verdict, w: &Verdict) -> Result<(), TestCaseError> {
    prop_assert_eq!(v.phase, w.phase);
    let open = |v: &Verdict| [v.gates.rack.open, v.gates.stabilise.open, v.gates.seal.open];
    prop_assert_eq!(open(v), open(w));
    let remembered = |v: &Verdict| {
        // To a digit: the float was examined some hours apart.
        let round = |g: f64| (g * 1e9).round();
        v.memory.map(|m| {
            (
                round(m.stopped_at.unwrap_or(0.0)),
                Memory {
                    stopped_at: None,
                    ..m
                },
            )
        })
    };
    prop_assert_eq!(remembered(v), remembered(w));
    let level = |v: &Verdict| v.gravity.map_or(0.0, Gravity::get);
    prop_assert!((level(v) - level(w)).abs() < 1e-9);
    prop_assert_eq!(v.expected_end, w.expected_end);
    prop_assert_eq!(
        v.odds.map(|o| (o.flat, o.at_floor)),
        w.odds.map(|o| (o.flat, o.at_floor))
    );
    Ok(())
}

proptest! {
    #![proptest_config(cases(8))]

    #[test]
    fn resumed_it_says_the_same(f in ferment(), at in 1..150i64, nutrient in 1.0..6.0f64, sweeten: bool) {
        let mut deeds = f.by_hand(26);
        deeds.push(deed(nutrient, What::Nutrient, None));
        if sweeten {
            deeds.push(deed(17.0, What::Stabilise, None));
            deeds.push(deed(18.0, What::Sweeten, None));
        }
        let batch = Batch::new(&f.float(26), deeds);
        let looks = (1..=26 * 8).map(|n| start() + Span::hours(3 * n));
        let (mut steady, mut resumed) = (Assessor::default(), None);
        for (n, now) in looks.enumerate() {
            let v = batch.judge(&mut steady, now);
            if let Some(resumed) = &mut resumed {
                let w = batch.judge(resumed, now);
                same(&v, &w)?;
            }
            if n as i64 == at {
                resumed = Some(Assessor::resume(stored(&v)));
            }
        }
    }
}
