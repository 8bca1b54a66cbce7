//! Gates held against made-up records in which it is known what is still to fall. A wrong "open"
//! here is a bottle that bursts, so each way of being fooled has its own case.

use ebbmark_core::deed::{Deed, What};
use ebbmark_core::files::Row;
use ebbmark_core::replay::{Known, Line, replay};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Celsius, Gravity};
use ebbmark_core::verdict::outcome::Phase;

fn start() -> Moment {
    Moment::parse_rfc3339("2026-01-01T00:00:00Z").expect("a valid instant")
}

fn day(d: f64) -> Moment {
    start() + Span::from_days(d)
}

/// Half-hourly readings of `gravity(day)` at 20 °C, with a little noise that repeats itself.
fn float(from: f64, to: f64, gravity: impl Fn(f64) -> f64) -> Vec<Row> {
    let n = ((to - from) * 48.0) as usize;
    (0..=n)
        .map(|i| {
            let d = from + i as f64 / 48.0;
            let noise = 0.0003 * ((i * 7919 % 101) as f64 / 50.0 - 1.0);
            Row {
                at: day(d),
                gravity: Gravity::new(gravity(d) + noise).ok(),
                temperature: Celsius::new(20.0).ok(),
            }
        })
        .collect()
}

fn deed(d: f64, what: What, gravity: Option<f64>) -> Deed {
    let gravity = gravity.and_then(|g| Gravity::new(g).ok());
    Deed {
        gravity,
        ..Deed::new(day(d), what)
    }
}

/// A hand reading every day, to a division.
fn by_hand(from: f64, to: f64, gravity: impl Fn(f64) -> f64) -> Vec<Deed> {
    (from.ceil() as i32..=to as i32)
        .map(|d| {
            let read = (gravity(f64::from(d)) * 1000.0).round() / 1000.0;
            deed(f64::from(d) + 0.3, What::HandReading, Some(read))
        })
        .collect()
}

fn run(rows: &[Row], mut deeds: Vec<Deed>, original: f64) -> Vec<Line> {
    deeds.push(deed(0.0, What::Pitch, None));
    deeds.sort_by_key(|d| d.at);
    replay(
        rows,
        &deeds,
        Known {
            original: Gravity::new(original).ok(),
            ..Known::default()
        },
    )
}

fn at(line: &Line) -> f64 {
    let at = Moment::parse_rfc3339(&line.at).expect("RFC 3339");
    at.since(start()).as_days()
}

fn told(lines: &[Line]) -> String {
    let line = |l: &Line| {
        let open = |g: &ebbmark_core::replay::LineGate| if g.open { "open" } else { "shut" };
        let gates = (open(&l.gates.stabilise), open(&l.gates.seal));
        format!(
            "  day {:.1} {gates:?} {} ({})",
            at(l),
            l.sentence,
            l.gates.seal.why
        )
    };
    lines.iter().map(line).collect::<Vec<_>>().join("\n")
}

/// A quick ferment: a fall of `drop` from `original`, over within nine days.
fn quick(original: f64, drop: f64) -> impl Fn(f64) -> f64 {
    move |d: f64| original - drop / (1.0 + (-1.6 * (d - 4.0)).exp())
}

#[test]
fn a_finished_mead_with_a_witness_may_be_sealed() {
    let g = quick(1.090, 0.097);
    let lines = run(&float(0.0, 20.0, &g), by_hand(1.0, 20.0, &g), 1.090);
    let sealed = lines.iter().find(|l| l.gates.seal.open).map(at);
    assert!(
        // Still from day 8 on, and then two hand readings five days apart.
        sealed.is_some_and(|d| g(d) - 0.993 < 0.001 && d < 14.0),
        "{}",
        told(&lines)
    );
    let alone = run(&float(0.0, 20.0, &g), Vec::new(), 1.090);
    assert!(alone.iter().all(|l| !l.gates.seal.open), "{}", told(&alone));
    assert!(
        alone
            .iter()
            .any(|l| l.gates.seal.why.contains("hand reading")),
        "{}",
        told(&alone)
    );
}

#[test]
fn a_witness_that_disagrees_keeps_it_shut() {
    let g = quick(1.090, 0.097);
    let lines = run(
        &float(0.0, 20.0, &g),
        by_hand(1.0, 20.0, |d| g(d) + 0.006),
        1.090,
    );
    assert!(lines.iter().all(|l| !l.gates.seal.open), "{}", told(&lines));
}

#[test]
fn a_vague_floor_is_no_reason_to_call_it_finished() {
    // 1.120 with an unknown yeast could end anywhere near 1.018; this one stalled at 1.028.
    let g = quick(1.120, 0.092);
    let lines = run(&float(0.0, 25.0, &g), by_hand(1.0, 25.0, &g), 1.120);
    assert!(
        lines.iter().all(|l| l.phase != Phase::Settled),
        "{}",
        told(&lines)
    );
    assert!(
        lines
            .iter()
            .all(|l| !l.gates.stabilise.open && !l.gates.seal.open),
        "{}",
        told(&lines)
    );
    let last = lines.last().expect("a line");
    assert!(
        last.sentence.contains("cannot be told"),
        "{}",
        last.sentence
    );
}

#[test]
fn creeping_down_shuts_what_had_opened() {
    // Looks settled at day 12, then loses 0.0002 a day for two months.
    let g = |d: f64| quick(1.090, 0.096)(d) - 0.0002 * (d - 12.0).max(0.0);
    let lines = run(&float(0.0, 60.0, g), by_hand(1.0, 60.0, g), 1.090);
    for line in lines.iter().filter(|l| at(l) > 26.0) {
        assert!(
            !line.gates.stabilise.open && !line.gates.seal.open,
            "{}",
            told(&lines)
        );
    }
}

#[test]
fn a_fall_after_settling_shuts_within_days_and_alarms() {
    let g = |d: f64| quick(1.090, 0.096)(d) - 0.001 * (d - 18.0).max(0.0);
    let lines = run(&float(0.0, 26.0, g), by_hand(1.0, 26.0, g), 1.090);
    for line in lines.iter().filter(|l| at(l) > 19.5) {
        assert!(
            !line.gates.seal.open && !line.gates.stabilise.open,
            "{}",
            told(&lines)
        );
    }
    let alarm = lines.iter().find(|l| l.phase == Phase::Restarted).map(at);
    assert!(alarm.is_some_and(|d| d < 21.0), "{}", told(&lines));
}

/// Dry at 0.993, stabilised on day 14, sweetened to 1.020 on day 16.
fn sweetened(after: impl Fn(f64) -> f64) -> impl Fn(f64) -> f64 {
    move |d: f64| {
        if d < 16.0 {
            quick(1.090, 0.097)(d)
        } else {
            1.020 - after(d - 16.0)
        }
    }
}

#[test]
fn stabilised_and_sweetened_it_may_be_sealed_after_two_weeks() {
    let g = sweetened(|_| 0.0);
    let mut deeds = by_hand(1.0, 37.0, &g);
    deeds.push(deed(14.0, What::Stabilise, None));
    deeds.push(deed(16.0, What::Sweeten, Some(1.020)));
    let lines = run(&float(0.0, 37.0, &g), deeds.clone(), 1.090);
    let sealed = lines
        .iter()
        .find(|l| at(l) > 16.0 && l.gates.seal.open)
        .map(at);
    assert!(
        sealed.is_some_and(|d| (30.0..33.0).contains(&d)),
        "{}",
        told(&lines)
    );
    // Dosing once more afterwards takes nothing back.
    deeds.push(deed(18.0, What::Stabilise, None));
    let again = run(&float(0.0, 37.0, &g), deeds, 1.090);
    assert!(
        again.last().is_some_and(|l| l.gates.seal.open),
        "{}",
        told(&again)
    );
}

#[test]
fn stabilised_is_no_licence_to_seal_what_falls() {
    for fall in [0.00025, 0.0006, 0.002] {
        let g = sweetened(move |d| fall * d);
        let mut deeds = by_hand(1.0, 40.0, &g);
        deeds.push(deed(14.0, What::Stabilise, None));
        deeds.push(deed(16.0, What::Sweeten, Some(1.020)));
        let lines = run(&float(0.0, 40.0, &g), deeds, 1.090);
        for line in lines.iter().filter(|l| at(l) > 16.0 + 0.0025 / fall) {
            assert!(!line.gates.seal.open, "falls {fall}\n{}", told(&lines));
        }
    }
}

#[test]
fn sweetened_without_stabilising_or_fed_since_it_stays_shut() {
    let g = sweetened(|_| 0.0);
    let rows = float(0.0, 40.0, &g);
    let mut deeds = by_hand(1.0, 40.0, &g);
    deeds.push(deed(16.0, What::Sweeten, Some(1.020)));
    let bare = run(&rows, deeds.clone(), 1.090);
    assert!(
        bare.iter()
            .filter(|l| at(l) > 16.0)
            .all(|l| !l.gates.seal.open),
        "{}",
        told(&bare)
    );
    // New yeast after the dose makes the dose void.
    deeds.push(deed(14.0, What::Stabilise, None));
    deeds.push(deed(15.0, What::Pitch, None));
    let fed = run(&rows, deeds, 1.090);
    assert!(
        fed.iter()
            .filter(|l| at(l) > 16.0)
            .all(|l| !l.gates.seal.open),
        "{}",
        told(&fed)
    );
}

#[test]
fn when_the_float_dies_the_hydrometer_goes_on() {
    let g = quick(1.090, 0.097);
    let rows = float(0.0, 5.0, &g);
    let lines = run(&rows, by_hand(1.0, 30.0, &g), 1.090);
    let late: Vec<&Line> = lines.iter().filter(|l| at(l) > 8.0).collect();
    assert!(
        late.iter().all(|l| l.phase != Phase::NoData),
        "{}",
        told(&lines)
    );
    let last = late.last().expect("a line");
    assert_eq!(last.phase, Phase::Settled, "{}", told(&lines));
    assert!(
        last.gravity.is_some_and(|v| (v - 0.993).abs() < 0.001),
        "{}",
        told(&lines)
    );
}

#[test]
fn nine_days_unchanged_is_not_finished() {
    // The shape of a honey must that lay at 1.058 for nine days and went on to 1.012 once it was
    // pitched anew; original gravity and days before it are invented.
    let g = |d: f64| {
        if d < 35.0 {
            1.058 + 0.062 * (-d / 6.0).exp()
        } else {
            1.058
        }
    };
    let deeds: Vec<Deed> = [3.0, 8.0, 14.0, 20.0, 26.0, 30.0, 35.0, 39.0, 44.0]
        .iter()
        .map(|d| {
            deed(
                *d,
                What::HandReading,
                Some((g(*d) * 1000.0).round() / 1000.0),
            )
        })
        .collect();
    let lines = run(&[], deeds, 1.120);
    assert!(
        lines.iter().all(|l| l.phase != Phase::Settled),
        "{}",
        told(&lines)
    );
    assert!(
        lines
            .iter()
            .all(|l| !l.gates.stabilise.open && !l.gates.seal.open)
    );
}

#[test]
fn pushed_down_every_other_day_it_is_not_seen_still_and_tasting_moves_nothing() {
    let g = quick(1.090, 0.097);
    let every_other_day = |what| -> Vec<Deed> {
        let days = (1..=9).map(|n| deed(2.0 * f64::from(n), what, None));
        days.collect()
    };
    let opened = |deeds| {
        let lines = run(&float(0.0, 40.0, &g), deeds, 1.090);
        lines.iter().find(|l| l.gates.stabilise.open).map(at)
    };
    let alone = opened(Vec::new());
    assert!(alone.is_some_and(|d| d < 12.0), "{alone:?}");
    assert_eq!(opened(every_other_day(What::Taste)), alone);
    // Until the last push on day 18 has been followed by stillness.
    let pushed = opened(every_other_day(What::PushDown));
    assert!(pushed.is_some_and(|d| d > 18.0), "{pushed:?}");
    assert_eq!(pushed, opened(every_other_day(What::Rouse)));
}

#[test]
fn one_hand_reading_is_not_two() {
    let g = quick(1.090, 0.097);
    let deeds = vec![
        deed(1.0, What::HandReading, Some(1.089)),
        deed(11.0, What::HandReading, Some(0.993)),
        deed(13.0, What::HandReading, Some(0.993)),
        deed(16.5, What::HandReading, Some(0.993)),
    ];
    let lines = run(&float(0.0, 20.0, &g), deeds, 1.090);
    let open: Vec<f64> = lines.iter().filter(|l| l.gates.seal.open).map(at).collect();
    // Open on the day of the second one, and no longer than that reading is fresh.
    let (first, last) = (open.first(), open.last());
    assert!(
        first.is_some_and(|d| (16.5..16.7).contains(d)) && last.is_some_and(|d| *d <= 17.05),
        "{open:?}\n{}",
        told(&lines)
    );
    let between = lines.iter().find(|l| at(l) > 11.2).expect("a line");
    assert!(
        between.gates.seal.why.contains("second one"),
        "{}",
        between.gates.seal.why
    );
}

#[test]
fn sealing_stops_little_more_than_a_day_after_a_renewed_fall() {
    for fall in [0.0007, 0.0009, 0.0015, 0.003] {
        let g = sweetened(move |d| fall * (d - 18.0).max(0.0));
        let mut deeds = by_hand(1.0, 40.0, &g);
        deeds.push(deed(14.0, What::Stabilise, None));
        deeds.push(deed(16.0, What::Sweeten, Some(1.020)));
        let lines = run(&float(0.0, 40.0, &g), deeds, 1.090);
        let open = |from: f64, to: f64| {
            let within = |l: &&Line| (from..to).contains(&at(l));
            lines.iter().filter(within).any(|l| l.gates.seal.open)
        };
        assert!(open(30.0, 34.0), "never open\n{}", told(&lines));
        assert!(!open(35.2, 40.0), "falls {fall}\n{}", told(&lines));
    }
}

#[test]
fn added_sugar_that_live_yeast_may_have_left_is_not_sealed() {
    // Fruit gave 0.015 over days while it fell, so that no lift was seen; the yeast stopped at its
    // limit where a mead without the fruit would be dry.
    let g = quick(1.090, 0.0985);
    let mut deeds = by_hand(1.0, 40.0, &g);
    deeds.push(deed(3.5, What::Addition, None));
    let lines = run(&float(0.0, 40.0, &g), deeds, 1.090);
    assert!(
        lines.iter().any(|l| l.gates.stabilise.open),
        "{}",
        told(&lines)
    );
    assert!(lines.iter().all(|l| !l.gates.seal.open), "{}", told(&lines));
}

#[test]
fn a_weak_second_fall_is_not_over_because_it_slows() {
    // Stabilised, sweetened, and from day 26 on it falls again: 0.012 in all, slower by the day.
    for slowing in [5.0, 8.0, 12.0] {
        let g = sweetened(move |d| 0.012 * (1.0 - (-(d - 10.0).max(0.0) / slowing).exp()));
        let mut deeds = by_hand(1.0, 20.0, &g);
        deeds.push(deed(14.0, What::Stabilise, None));
        deeds.push(deed(16.0, What::Sweeten, Some(1.020)));
        let known = Known {
            original: Gravity::new(1.090).ok(),
            expected_final: Gravity::new(1.009).ok(),
            ..Known::default()
        };
        deeds.push(deed(0.0, What::Pitch, None));
        deeds.sort_by_key(|d| d.at);
        let lines = replay(&float(0.0, 75.0, &g), &deeds, known);
        assert!(
            lines.iter().any(|l| l.phase == Phase::Restarted),
            "{}",
            told(&lines)
        );
        let end = 1.020 - 0.012;
        for line in lines.iter().filter(|l| at(l) > 26.0) {
            let left = g(at(line)) - end;
            assert!(
                !line.gates.stabilise.open || left < 0.002,
                "{left:.4} left, {slowing}\n{}",
                told(&lines)
            );
        }
    }
}

/// As [`float`], at a temperature of its own.
fn float_at(to: f64, gravity: impl Fn(f64) -> f64, celsius: impl Fn(f64) -> f64) -> Vec<Row> {
    let mut rows = float(0.0, to, gravity);
    for row in &mut rows {
        let d = row.at.since(start()).as_days();
        row.temperature = Celsius::new(celsius(d)).ok();
    }
    rows
}

#[test]
fn what_lay_still_in_the_cold_is_not_still_when_it_is_warm_again() {
    // It stops in the cold 0.004 above its end and takes two days in the warmth to go on.
    let g = |d: f64| {
        let before = quick(1.090, 0.097)(d).max(0.997);
        before - 0.004 * (1.0 - (-(d - 22.0).max(0.0) / 3.0).exp())
    };
    let celsius = |d: f64| {
        if (6.0..20.0).contains(&d) { 9.0 } else { 19.0 }
    };
    let lines = run(&float_at(40.0, g, celsius), by_hand(1.0, 40.0, g), 1.090);
    for line in lines.iter().filter(|l| at(l) < 24.5) {
        assert!(!line.gates.stabilise.open, "{}", told(&lines));
    }
    let last = lines.last().expect("a line");
    assert!(last.gates.stabilise.open, "{}", told(&lines));
}

#[test]
fn what_stops_in_the_cold_is_over_only_as_low_as_any_honey_ends() {
    // The middle end of 1.090 is 0.992; honey that ferments furthest ends 0.0056 lower. One is cooled
    // while it falls and halts at 0.9915, where 0.004 may be left; one halts where no sugar can be.
    let celsius = |d: f64| if d > 5.5 { 8.0 } else { 19.0 };
    let told_of = |drop: f64| {
        let g = quick(1.090, drop);
        run(&float_at(30.0, &g, celsius), by_hand(1.0, 30.0, &g), 1.090)
    };
    let halted = told_of(0.0985);
    assert!(
        halted
            .iter()
            .all(|l| l.phase != Phase::Settled && !l.gates.stabilise.open && !l.gates.seal.open),
        "{}",
        told(&halted)
    );
    let dry = told_of(0.1025);
    assert!(dry.iter().any(|l| l.gates.stabilise.open), "{}", told(&dry));
}

#[test]
fn a_dip_of_some_hours_is_no_alarm_and_a_fall_that_lasts_is_one() {
    // Half a day at 0.002 lower and back again; later a fall of 0.001 a day that stays.
    let dip = |d: f64| {
        if (24.0..24.4).contains(&d) {
            0.0018
        } else {
            0.0
        }
    };
    let g = sweetened(|d| 0.001 * (d - 20.0).max(0.0));
    let seen = |d: f64| g(d) - dip(d);
    let mut deeds = by_hand(1.0, 22.0, &g);
    deeds.push(deed(14.0, What::Stabilise, None));
    deeds.push(deed(16.0, What::Sweeten, Some(1.020)));
    let lines = run(&float(0.0, 40.0, seen), deeds, 1.090);
    let alarm = lines
        .iter()
        .filter(|l| at(l) > 16.0)
        .find(|l| l.phase == Phase::Restarted)
        .map(at);
    assert!(
        alarm.is_some_and(|d| (36.0..38.5).contains(&d)),
        "{alarm:?}\n{}",
        told(&lines)
    );
}

/// Stabilised and sweetened to 1.020; a float that shows `seen`, and hand readings up to day 20 and on
/// those days.
fn told_of_sweetened(seen: impl Fn(f64) -> f64, g: impl Fn(f64) -> f64, read: &[f64]) -> Vec<Line> {
    let mut deeds = by_hand(1.0, 20.0, &g);
    deeds.extend(read.iter().map(|d| {
        deed(
            *d,
            What::HandReading,
            Some((g(*d) * 1000.0).round() / 1000.0),
        )
    }));
    deeds.push(deed(14.0, What::Stabilise, None));
    deeds.push(deed(16.0, What::Sweeten, Some(1.020)));
    run(&float(0.0, 65.0, seen), deeds, 1.090)
}

#[test]
fn a_false_alarm_on_a_sweetened_mead_is_taken_back_by_the_hydrometer() {
    // The mead lies still. Lees settle on the float and weigh it down, over a day and a half, or it
    // drifts all the time as well.
    for (weighed, drifts) in [(0.0018, 0.0), (0.001, 0.0001)] {
        let g = sweetened(|_| 0.0);
        let seen = |d: f64| {
            let by = weighed * ((d - 36.0) / 1.5).clamp(0.0, 1.0);
            g(d) - by - drifts * (d - 16.0).max(0.0)
        };
        let lines = told_of_sweetened(seen, &g, &[30.0, 40.0, 47.0, 54.0, 60.0]);
        let told = format!("{weighed} {drifts}\n{}", told(&lines));
        let since: Vec<&Line> = lines.iter().filter(|l| at(l) > 36.0).collect();
        let alarm = since
            .iter()
            .find(|l| l.phase == Phase::Restarted)
            .map(|l| at(l));
        let alarm = alarm.unwrap_or_else(|| panic!("no alarm {told}"));
        // While it seems to fall, nothing else is said.
        assert!(
            since
                .iter()
                .filter(|l| (alarm..37.5).contains(&at(l)))
                .all(|l| l.phase == Phase::Restarted),
            "{told}"
        );
        assert!(
            lines.last().is_some_and(|l| l.phase == Phase::Settled),
            "{told}"
        );
        assert!(
            since.iter().any(|l| at(l) > 46.0 && l.gates.seal.open),
            "{told}"
        );
        // Without the hydrometer nobody can tell: all stays shut.
        let alone = told_of_sweetened(seen, &g, &[]);
        assert!(
            alone
                .iter()
                .filter(|l| at(l) > alarm)
                .all(|l| !l.gates.seal.open && !l.gates.stabilise.open),
            "{told}"
        );
    }
}

#[test]
fn a_small_fall_of_a_sweetened_mead_is_not_taken_back() {
    // Yeast that outlived the dose takes 0.002 or 0.004 of the new sugar within days, and halts.
    for fell in [0.002, 0.004] {
        let g = sweetened(|d| fell * ((d - 20.0) / (fell / 0.001)).clamp(0.0, 1.0));
        let lines = told_of_sweetened(&g, &g, &[30.0, 40.0, 47.0, 54.0, 60.0]);
        let told = format!("{fell}\n{}", told(&lines));
        assert!(lines.iter().any(|l| l.phase == Phase::Restarted), "{told}");
        assert!(
            lines
                .iter()
                .filter(|l| at(l) > 39.0)
                .all(|l| l.phase != Phase::Settled && !l.gates.seal.open),
            "{told}"
        );
    }
}

/// What a jar of it that was fermented out says on the eighth and ninth day.
fn jar(gravity: f64) -> Vec<Deed> {
    jar_on(8.0, gravity)
}

/// And on another day and the next.
fn jar_on(d: f64, gravity: f64) -> Vec<Deed> {
    let read = |d| deed(d, What::TestFerment, Some(gravity));
    vec![read(d), read(d + 1.0)]
}

/// Nobody has said what the yeast bears: the same sweet mead is finished or stuck by its jar.
#[test]
fn a_jar_tells_finished_from_stuck() {
    let g = quick(1.130, 0.105);
    let (rows, hand) = (float(0.0, 22.0, &g), by_hand(1.0, 22.0, &g));
    let with = |jar: Vec<Deed>| run(&rows, [hand.clone(), jar].concat(), 1.130);
    let opens = |lines: &[Line]| lines.iter().any(|l| l.gates.stabilise.open);

    let untold = with(Vec::new());
    let why = &untold.last().unwrap().gates.stabilise.why;
    assert!(!opens(&untold), "{}", told(&untold));
    assert!(why.ends_with("or ferment a jar of it out"), "{why}");

    let finished = with(jar(1.025));
    assert_eq!(finished.last().unwrap().phase, Phase::Settled);
    assert!(opens(&finished), "{}", told(&finished));
    // It is sweet, and its yeast lives.
    let seal = finished.iter().find(|l| l.gates.seal.open);
    assert!(seal.is_none(), "{}", told(&finished));
    let why = &finished.last().unwrap().gates.seal.why;
    assert!(why.contains("stabilise or pasteurise it"), "{why}");

    let stuck = with(jar(1.012));
    let last = stuck.last().unwrap();
    assert_eq!(last.phase, Phase::Stuck, "{}", told(&stuck));
    assert!(!opens(&stuck), "{}", told(&stuck));
    assert_eq!(
        last.gates.stabilise.why,
        "it is stuck above where it should end"
    );

    // One that stood still before it began, or that the mead has passed, tells nothing.
    for early in [1.129, 1.029] {
        let lines = with(jar(early));
        assert_eq!(
            lines.last().unwrap().phase,
            Phase::Stuck,
            "{}",
            told(&lines)
        );
        assert!(!opens(&lines), "{}", told(&lines));
    }
}

/// A jar is spoken of while one would tell, and no longer once one has told.
#[test]
fn a_gate_asks_for_a_jar_until_one_has_told() {
    let g = |d: f64| 0.994 + 0.096 * (-0.25 * d).exp();
    let rows = float(0.0, 24.0, g);
    let asked = |jar: Vec<Deed>| {
        let lines = run(&rows, [by_hand(1.0, 24.0, g), jar].concat(), 1.090);
        let since = lines.iter().filter(|l| at(l) > 9.1);
        let whys = since.flat_map(|l| [&l.gates.stabilise.why, &l.gates.seal.why]);
        whys.filter(|why| why.contains("a jar of it")).count()
    };
    assert!(asked(Vec::new()) > 0);
    assert_eq!(asked(jar(0.994)), 0);
    assert!(
        asked(jar(0.994).split_off(1)) > 0,
        "one reading is not enough"
    );
}

fn stabilise_opens(lines: &[Line]) -> Option<f64> {
    lines.iter().find(|l| l.gates.stabilise.open).map(at)
}

#[test]
fn what_stopped_where_its_jar_did_is_told_sooner_and_not_before_its_end() {
    // Slow at last: 0.006 dies away with a time constant of three days.
    let g = |d: f64| {
        let tail = 0.006 * (-(d - 8.0).max(0.0) / 3.0).exp();
        quick(1.090, 0.090)(d) - 0.006 + tail
    };
    let rows = float(0.0, 40.0, g);
    let alone = run(&rows, by_hand(1.0, 40.0, g), 1.090);
    let mut deeds = by_hand(1.0, 40.0, g);
    deeds.extend(jar_on(5.0, 0.994));
    let beside = run(&rows, deeds, 1.090);
    let (alone_at, beside_at) = (stabilise_opens(&alone), stabilise_opens(&beside));
    assert!(
        beside_at
            .zip(alone_at)
            .is_some_and(|(jar, alone)| jar < alone && g(jar) - 0.994 < 0.002),
        "{beside_at:?} {alone_at:?} {}",
        told(&beside)
    );
}

#[test]
fn what_stopped_above_its_jar_is_stuck_however_dry_it_looks() {
    // 0.997 would do for a dry end from 1.095; this one's jar went to 0.990.
    let g = quick(1.095, 0.098);
    let rows = float(0.0, 30.0, &g);
    let deeds = by_hand(1.0, 30.0, &g);
    let alone = run(&rows, deeds.clone(), 1.095);
    let mut with_jar = deeds;
    with_jar.extend(jar_on(6.0, 0.990));
    let beside = run(&rows, with_jar, 1.095);
    assert!(stabilise_opens(&alone).is_some(), "{}", told(&alone));
    let after = beside.iter().filter(|l| at(l) > 7.0);
    assert!(
        after.clone().all(|l| l.phase != Phase::Settled) && stabilise_opens(&beside).is_none(),
        "{}",
        told(&beside)
    );
    assert!(
        beside.last().is_some_and(|l| l.phase == Phase::Stuck),
        "{}",
        told(&beside)
    );
}
