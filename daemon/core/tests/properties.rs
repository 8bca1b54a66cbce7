//! What must hold of every verdict, whatever the record.

use ebbmark_core::deed::{Deed, What};
use ebbmark_core::files::Row;
use ebbmark_core::replay::{Known, Line, replay};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Celsius, Gravity};
use proptest::prelude::*;

fn start() -> Moment {
    Moment::parse_rfc3339("2026-01-01T00:00:00Z").expect("a valid instant")
}

/// Hourly readings of a made-up ferment at 20 °C, with a little noise that repeats itself.
fn float(drop: f64, rate: f64, days: usize) -> Vec<Row> {
    let row = |i: usize| {
        let d = i as f64 / 24.0;
        let noise = 0.0003 * ((i * 7919 % 101) as f64 / 50.0 - 1.0);
        let gravity = 1.090 - drop / (1.0 + (-rate * (d - 4.0)).exp()) + noise;
        Row {
            at: start() + Span::hours(i as i64),
            gravity: Gravity::new(gravity).ok(),
            temperature: Celsius::new(20.0).ok(),
        }
    };
    (0..=days * 24).map(row).collect()
}

fn run(rows: &[Row], original: Option<f64>) -> Vec<Line> {
    let pitch = Deed::new(start(), What::Pitch);
    let original = original.and_then(|g| Gravity::new(g).ok());
    replay(
        rows,
        &[pitch],
        Known {
            original,
            ..Known::default()
        },
    )
}

fn first_open(lines: &[Line], open: impl Fn(&Line) -> bool) -> f64 {
    let first = lines.iter().find(|l| open(l));
    first.map_or(f64::INFINITY, |l| {
        let at = Moment::parse_rfc3339(&l.at).expect("RFC 3339");
        at.since(start()).as_days()
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 8, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_order_of_arrival_changes_nothing(
        drop in 0.05..0.098f64, rate in 0.6..2.0f64, order in Just((0..=480usize).collect::<Vec<_>>()).prop_shuffle(),
    ) {
        let rows = float(drop, rate, 20);
        let shuffled: Vec<Row> = order.iter().map(|i| rows[*i]).collect();
        prop_assert_eq!(run(&rows, Some(1.090)), run(&shuffled, Some(1.090)));
    }

    #[test]
    fn a_gap_opens_no_gate_earlier(
        drop in 0.05..0.098f64, rate in 0.6..2.0f64, from in 2.0..14.0f64, long in 0.2..6.0f64,
    ) {
        let rows = float(drop, rate, 20);
        let inside = |r: &Row| (from..from + long).contains(&r.at.since(start()).as_days());
        let gapped: Vec<Row> = rows.iter().filter(|r| !inside(r)).copied().collect();
        let (whole, gapped) = (run(&rows, Some(1.090)), run(&gapped, Some(1.090)));
        for open in [|l: &Line| l.gates.rack.open, |l: &Line| l.gates.stabilise.open, |l: &Line| l.gates.seal.open] {
            let (w, g) = (first_open(&whole, open), first_open(&gapped, open));
            prop_assert!(g >= w, "opens on day {g:.2} with a gap, {w:.2} without");
        }
    }

    #[test]
    fn every_figure_is_finite_and_in_order(
        values in prop::collection::vec((0.0..400.0f64, 0.951..1.24f64), 1..60), original in prop::option::of(0.99..1.16f64),
    ) {
        let row = |(d, g): &(f64, f64)| Row {
            at: start() + Span::from_days(*d),
            gravity: Gravity::new(*g).ok(),
            temperature: None,
        };
        let rows: Vec<Row> = values.iter().map(row).collect();
        for l in run(&rows, original) {
            for r in [l.fall_per_day, l.left_to_fall].into_iter().flatten() {
                prop_assert!(r.low.is_finite() && r.high.is_finite(), "{l:?}");
                prop_assert!(r.low <= r.mid && r.mid <= r.high, "{l:?}");
            }
            if let Some(g) = l.gravity { prop_assert!(g.is_finite(), "{l:?}"); }
        }
    }
}
