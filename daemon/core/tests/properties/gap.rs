//! Silence never opens a gate.

use ebbmark_core::files::Row;
use ebbmark_core::verdict::outcome::Verdict;
use proptest::prelude::*;

use crate::made::{Batch, Ferment, cases, day, dry, start};

const DAYS: usize = 22;
/// Hours between looks.
const EVERY: i64 = 3;

fn opens(verdicts: &[Verdict], gate: usize) -> Option<f64> {
    let first = verdicts.iter().find(|v| open(v)[gate])?;
    Some(first.at.since(start()).as_days())
}

fn open(v: &Verdict) -> [bool; 3] {
    [v.gates.rack.open, v.gates.stabilise.open, v.gates.seal.open]
}

/// The float and the maker both silent from one day to another.
fn batch(f: &Ferment, gap: Option<(f64, f64)>) -> Batch {
    let silent = |at| gap.is_some_and(|(from, to)| at >= day(from) && at < day(to));
    let rows: Vec<Row> = f
        .float(DAYS)
        .into_iter()
        .filter(|r| !silent(r.at))
        .collect();
    let deeds = f.by_hand(DAYS).into_iter().filter(|d| !silent(d.at));
    Batch::new(&rows, deeds.collect())
}

/// Days that must be seen still: 0.9 of the shortest window, which is nine tenths of a day.
const SEEN: f64 = 0.8;

proptest! {
    #![proptest_config(cases(12))]

    /// In a silence nothing opens, and what was not seen does not count as seen after it. That a
    /// gate opens no sooner than without the silence cannot be had: the readings that are missing
    /// may be the very ones that misled.
    #[test]
    fn a_gap_opens_no_gate(f in dry(), where_to in 0.0..1.0f64, gate in 0..3usize, long in 0.2..5.0f64) {
        let whole = batch(&f, None).verdicts(EVERY, DAYS as i64);
        let opened = opens(&whole, gate);
        prop_assert!(opened.is_some(), "gate {gate} never opens: nothing is tried");
        let opened = opened.unwrap_or_default();
        // Somewhere in the two days before it would open, where it could do harm.
        let from = (opened - 2.0 * where_to).max(0.5);
        let until = from + long;
        // The first look after the last word still hears it.
        let silent = from + EVERY as f64 / 24.0;
        let gapped = batch(&f, Some((from, until))).verdicts(EVERY, DAYS as i64);
        let mut before = [false; 3];
        for v in &gapped {
            let (at, now) = (v.at.since(start()).as_days(), open(v));
            let opens = |gate: usize| now[gate] && !before[gate];
            let told = format!("on day {at:.2}, silent from {from:.2} to {until:.2}");
            if at > silent && at <= until {
                prop_assert!(!(0..3).any(opens), "{now:?} {told}");
            }
            if at > until && at < until + SEEN && long > SEEN {
                prop_assert!(!now[1] && !now[2], "{now:?} {told}");
            }
            let left = f.gravity(at) - f.end();
            prop_assert!(!now[0] || left < 0.35 * f.drop, "rack {told}: {left:.4} left");
            prop_assert!(!now[1] || left < 0.002, "stabilise {told}: {left:.4} left");
            prop_assert!(!now[2] || left < 0.001, "seal {told}: {left:.4} left");
            before = now;
        }
        prop_assert!(opens(&gapped, gate).is_some(), "gate {gate} never opens after {from:.2} to {until:.2}");
    }
}
