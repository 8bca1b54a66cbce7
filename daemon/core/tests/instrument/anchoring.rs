//! Offset, drift and what contradicts them.

use ebbmark_core::instrument::{Instrument, examine};
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use ebbmark_core::units::Preferences;
use jiff::tz::TimeZone;

use crate::float::{Chance, Float, START, at, ferment};

const HAND_SD: f64 = 0.0007;

/// Hand readings of the truth on these days, with a hydrometer's errors.
fn hand(seed: u64, days: &[f64], truth: &impl Fn(f64) -> f64) -> Vec<(Moment, f64)> {
    let mut chance = Chance::new(seed ^ 0xffff);
    days.iter()
        .map(|d| (at(*d), truth(*d) + HAND_SD * chance.normal()))
        .collect()
}

fn float(seed: u64) -> Float {
    Float {
        seed,
        bubbles: 0.03,
        ..Float::default()
    }
}

fn look(hours: &[ebbmark_core::hours::Hour], hand: &[(Moment, f64)], days: f64) -> Instrument {
    examine(hours, hand, &[], START, at(days))
}

#[test]
fn without_a_hand_reading_there_is_no_anchor() {
    let hours = float(1).hours(20.0, ferment(5.0, 0.01), |_| 0.003);
    assert_eq!(look(&hours, &[], 20.0).anchor, None);
    // Nor from one taken when the float was silent, or after now.
    let early = [(at(-3.0), 1.095), (at(25.0), 1.010)];
    assert_eq!(look(&hours, &early, 20.0).anchor, None);
    assert_eq!(look(&[], &[(at(1.0), 1.095)], 20.0).anchor, None);
}

/// Offset and drift drawn from what is believed of them beforehand: their 90 % intervals must hold nine
/// times in ten, and so must the correction's a week on.
#[test]
fn the_sds_are_what_the_errors_are() {
    let runs = 300_u32;
    let (mut offset, mut drift, mut ahead) = (0, 0, 0);
    let (mut square, mut false_alarms) = (0.0, 0);
    for seed in 0..u64::from(runs) {
        let mut chance = Chance::new(1_000 + seed);
        let (o, d) = (0.004 * chance.normal(), 1e-4 * chance.normal());
        let truth = ferment(6.0, 0.012);
        let hours = float(seed).hours(40.0, &truth, |t| o + d * t);
        let hand = hand(seed, &[0.4, 5.2, 12.0, 19.3, 26.1, 33.0], &truth);
        let found = look(&hours, &hand, 40.0);
        false_alarms += u32::from(found.disagrees.is_some());
        let anchor = found.anchor.unwrap();
        assert_eq!(anchor.pairs.len(), 6);
        let z = (anchor.offset - (o + d * 33.0)) / anchor.offset_sd;
        square += z * z / f64::from(runs);
        offset += u32::from(z.abs() < 1.645);
        drift += u32::from(((anchor.drift - d) / anchor.drift_sd).abs() < 1.645);
        let c = anchor.correction(at(40.0));
        ahead += u32::from(((c.value + o + d * 40.0) / c.sd).abs() < 1.645);
    }
    // Four standard errors of 300 draws are 7 %; errors smaller than said are allowed a little more.
    for (what, hits) in [("offset", offset), ("drift", drift), ("ahead", ahead)] {
        let share = f64::from(hits) / f64::from(runs);
        assert!((0.84..=0.97).contains(&share), "{what}: {share}");
    }
    assert!((0.6..1.35).contains(&square), "{square}");
    assert!(false_alarms <= 6, "{false_alarms} of {runs}");
}

#[test]
fn hand_readings_narrow_the_offset_and_time_widens_it() {
    let truth = ferment(5.0, 0.01);
    let hours = float(7).hours(40.0, &truth, |_| 0.006);
    let days = [2.0, 15.0, 18.0, 22.0];
    let sds: Vec<f64> = (1..=4)
        .map(|n| {
            let found = look(&hours, &hand(7, &days[..n], &truth), 40.0)
                .anchor
                .unwrap();
            assert!((found.offset - 0.006).abs() < 4.0 * found.offset_sd);
            found.offset_sd
        })
        .collect();
    assert!(sds.windows(2).all(|w| w[1] < w[0]), "{sds:?}");
    let anchor = look(&hours, &hand(7, &days, &truth), 40.0).anchor.unwrap();
    let sd = |d: f64| anchor.correction(at(d)).sd;
    assert!(sd(22.0) < sd(30.0) && sd(30.0) < sd(60.0));
    assert!((anchor.correction(at(22.0)).value + anchor.offset).abs() < 1e-12);
    assert!((anchor.covariance[0][0].sqrt() - anchor.offset_sd).abs() < 1e-15);
}

#[test]
fn one_wrong_hand_reading_moves_little_wherever_it_comes() {
    let truth = ferment(5.0, 0.01);
    for (seed, wrong) in (0..20).flat_map(|s| (0..5).map(move |w| (s, w))) {
        let hours = float(seed).hours(40.0, &truth, |_| 0.003);
        let mut hand = hand(seed, &[1.0, 10.0, 16.0, 23.0, 30.0], &truth);
        let right = look(&hours, &hand, 40.0).anchor.unwrap();
        hand[wrong].1 += 0.010;
        let found = look(&hours, &hand, 40.0);
        let anchor = found.anchor.unwrap();
        // Counted in full it would move by 0.004 as the newest, 0.002 as another.
        let moved = anchor.offset - right.offset;
        assert!(moved.abs() < 0.0016, "{seed} {wrong}: {moved}");
        // The last one is open; the others were outvoted.
        assert_eq!(found.disagrees.is_some(), wrong == 4, "{seed} {wrong}");
    }
}

#[test]
fn a_wrong_hand_reading_is_called_out_and_a_second_settles_it() {
    let truth = ferment(5.0, 0.01);
    let hours = float(3).hours(40.0, &truth, |_| -0.002);
    let mut hand = hand(3, &[3.0, 12.0, 20.0, 30.0], &truth);
    hand[3].1 += 0.006;
    let found = look(&hours, &hand, 40.0).disagrees.unwrap();
    assert_eq!(found.at, at(30.0));
    assert!((found.by() + 0.006).abs() < 0.002 && found.odds < -3.0);
    let zone = TimeZone::UTC;
    let style = Style {
        units: Preferences::default(),
        zone: &zone,
    };
    let sentence = found.sentence(at(30.1), &style);
    assert!(sentence.starts_with("The float does not agree with the hand reading taken "));
    assert!(
        sentence.contains(" lower and more than it is usually off. Take a second hand reading")
    );
    // The second one sides with the float.
    hand.push((at(30.2), truth(30.2)));
    let found = look(&hours, &hand, 40.0);
    assert_eq!(found.disagrees, None);
    assert!((found.anchor.unwrap().offset + 0.002).abs() < 0.001);
}

#[test]
fn two_hand_readings_that_agree_shift_the_float() {
    let truth = ferment(5.0, 0.01);
    // Silent for a day, and off by 0.007 when it speaks again.
    let shifted = Float {
        silent: vec![(24.0, 25.0)],
        ..float(5)
    };
    let hours = shifted.hours(40.0, &truth, |t| if t < 24.5 { 0.002 } else { 0.009 });
    let mut hand = hand(5, &[3.0, 12.0, 20.0, 30.0], &truth);
    let found = look(&hours, &hand, 40.0);
    assert!(found.disagrees.is_some_and(|d| d.by() > 0.004));
    hand.push((at(30.5), truth(30.5)));
    let found = look(&hours, &hand, 40.0);
    assert_eq!(found.disagrees, None);
    let anchor = found.anchor.unwrap();
    assert!((anchor.offset - 0.009).abs() < 0.0015, "{}", anchor.offset);
    assert!((anchor.correction(at(15.0)).value + 0.002).abs() < 0.0015);
    assert_eq!(anchor.shifts.len(), 1);
}

#[test]
fn a_step_carries_the_offset_along() {
    let truth = ferment(5.0, 0.01);
    let hours = float(9).hours(40.0, &truth, |t| if t < 28.0 { 0.002 } else { 0.010 });
    let hand = hand(9, &[3.0, 14.0, 21.0], &truth);
    let found = look(&hours, &hand, 40.0);
    assert_eq!(found.steps.len(), 1);
    let anchor = found.anchor.unwrap();
    let (before, after) = (anchor.correction(at(22.0)), anchor.correction(at(35.0)));
    assert!((before.value + 0.002).abs() < 0.0012);
    assert!((after.value + 0.010).abs() < 3.0 * after.sd);
    // Known less well than before the step.
    assert!(after.sd > before.sd);
}

#[test]
fn order_and_repeats_of_days_do_not_matter_and_hand_readings_in_a_fast_fall_count_less() {
    let truth = ferment(4.0, 0.03);
    let hours = float(2).hours(20.0, &truth, |_| 0.002);
    let mut hand = hand(2, &[4.0, 15.0], &truth);
    let anchor = look(&hours, &hand, 20.0).anchor.unwrap();
    assert!(anchor.pairs[0].sd > 2.0 * anchor.pairs[1].sd);
    hand.reverse();
    assert_eq!(look(&hours, &hand, 20.0).anchor, Some(anchor));
}
