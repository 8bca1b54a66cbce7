//! Whatever comes in, what comes out is a number where a number is due, and in order.

use ebbmark_core::deed::{Deed, What};
use ebbmark_core::files::Row;
use ebbmark_core::time::Moment;
use ebbmark_core::units::{Celsius, Gravity};
use ebbmark_core::verdict::Assessor;
use ebbmark_core::verdict::outcome::{Range, Spread, Verdict};
use proptest::prelude::*;

use crate::made::{Batch, cases, day, deed};

fn rows() -> impl Strategy<Value = Vec<Row>> {
    let anywhere = (
        0.0..200.0f64,
        prop::option::of(0.951..1.24f64),
        prop::option::of(-4.0..60.0f64),
    );
    // A stretch of a plain fall, so that curves are drawn too, with the rest thrown in.
    let fall = (
        0.0..100.0f64,
        1.0..40.0f64,
        10..300usize,
        0.95..1.2f64,
        0.0..0.2f64,
        0.0..0.01f64,
    );
    (
        prop::collection::vec(anywhere, 0..60),
        prop::option::of(fall),
    )
        .prop_map(|(anywhere, fall)| {
            let row = |(d, g, t): (f64, Option<f64>, Option<f64>)| Row {
                at: day(d),
                gravity: g.and_then(|g| Gravity::new(g).ok()),
                temperature: t.and_then(|t| Celsius::new(t).ok()),
            };
            let mut rows: Vec<Row> = anywhere.into_iter().map(row).collect();
            if let Some((from, long, n, end, drop, noise)) = fall {
                rows.extend((0..n).map(|i| {
                    let x = i as f64 / n as f64;
                    let wobble = noise * ((i * 7919 % 101) as f64 / 50.0 - 1.0);
                    row((
                        from + long * x,
                        Some(end + drop * (-5.0 * x).exp() + wobble),
                        Some(18.0),
                    ))
                }));
            }
            rows
        })
}

fn deeds() -> impl Strategy<Value = Vec<Deed>> {
    let one = (
        0.0..220.0f64,
        prop::sample::select(&What::ALL[..]),
        prop::option::of(0.96..1.2f64),
    );
    prop::collection::vec(one, 0..14).prop_map(|all| {
        all.into_iter()
            .map(|(d, what, g)| deed(d, what, g))
            .collect()
    })
}

fn ordered(s: &Spread<f64>) -> bool {
    let all = [s.low, s.half_low, s.mid, s.half_high, s.high];
    all.iter().all(|v| v.is_finite()) && all.is_sorted()
}

fn in_range(r: &Range<f64>) -> bool {
    [r.low, r.mid, r.high].iter().all(|v| v.is_finite()) && r.low <= r.mid && r.mid <= r.high
}

fn odds(o: f64) -> bool {
    (-1e-9..=1.0 + 1e-9).contains(&o)
}

fn sound(v: &Verdict) -> Result<(), TestCaseError> {
    prop_assert!(v.fall_per_day.is_none_or(|r| in_range(&r)), "{v:?}");
    prop_assert!(
        v.left_to_fall.is_none_or(|r| in_range(&r) && r.low >= 0.0),
        "{v:?}"
    );
    prop_assert!(v.final_gravity.is_none_or(|s| ordered(&s)), "{v:?}");
    let days = |m: Moment| m.since(v.at).as_days();
    prop_assert!(
        v.settles_at
            .is_none_or(|s| ordered(&s.map(days)) && days(s.low) >= 0.0),
        "{v:?}"
    );
    prop_assert!(v.gravity.is_none_or(|g| g.get().is_finite()), "{v:?}");
    prop_assert!(
        v.expected_end
            .is_none_or(|g| (0.9..1.25).contains(&g.get())),
        "{v:?}"
    );
    if let Some(o) = v.odds {
        let all = [
            Some(o.flat),
            o.at_floor,
            Some(o.nothing_else),
            Some(o.more_left),
        ];
        prop_assert!(all.into_iter().flatten().all(odds), "{v:?}");
    }
    for gate in [&v.gates.rack, &v.gates.stabilise, &v.gates.seal] {
        prop_assert!(
            !(gate.why.is_empty() || gate.open && gate.opens.is_some()),
            "{v:?}"
        );
    }
    // Sealing asks for all that stabilising asks for, but for a mead that is stabilised already.
    let stabilised = v.gates.stabilise.why.starts_with("stabilised");
    prop_assert!(
        !v.gates.seal.open || v.gates.stabilise.open || stabilised,
        "{v:?}"
    );
    if let Some(float) = &v.float {
        let numbers = float
            .trued
            .iter()
            .flat_map(|t| [t.reads_high, t.reads_high_sd, t.drift_per_day, t.drift_sd]);
        prop_assert!(
            numbers
                .chain(float.jumps.iter().map(|j| j.1))
                .all(f64::is_finite),
            "{v:?}"
        );
    }
    Ok(())
}

proptest! {
    #![proptest_config(cases(30))]

    #[test]
    fn every_figure_is_finite_and_in_order(
        rows in rows(), deeds in deeds(),
        original in prop::option::of(0.99..1.16f64), expected in prop::option::of(0.98..1.08f64),
        tolerance in prop::option::of(4.0..22.0f64),
    ) {
        let batch = Batch { original, expected, tolerance, ..Batch::new(&rows, deeds) };
        let mut assessor = Assessor::default();
        for days in 0..=210 {
            let v = batch.judge(&mut assessor, day(f64::from(days) + 0.02));
            sound(&v)?;
            let band = assessor.curve(&v);
            prop_assert!(band.iter().all(|b| b.low <= b.mid && b.mid <= b.high && b.high.is_finite()), "{band:?}");
            prop_assert!(band.is_sorted_by(|a, b| a.at <= b.at), "{band:?}");
        }
    }
}
