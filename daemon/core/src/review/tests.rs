//! Against curves whose times and slopes are known in closed form: a logistic fall
//! `end + drop/(1 + exp(k·(t - m)))` is at a share of its fall where its gravity says so, and
//! steepest at m with `drop·k/4`.

use super::band::{By, Side, usual};
use super::*;
use crate::deed::{Deed, What};
use crate::hours::{HourGravity, HourTemperature};

const START: Moment = Moment(1_790_000_000_000 / HOUR_MS * HOUR_MS);
const END: f64 = 1.002;
const DROP: f64 = 0.098;
const K: f64 = 0.9;
const MIDDLE: f64 = 5.0;

fn logistic(days: f64) -> f64 {
    END + DROP / (1.0 + (K * (days - MIDDLE)).exp())
}

/// When the logistic is at this gravity, days.
fn when(gravity: f64) -> f64 {
    MIDDLE + (DROP / (gravity - END) - 1.0).ln() / K
}

fn hours(days: f64, gravity: impl Fn(f64) -> f64) -> Vec<Hour> {
    let all = 0..(days * 24.0) as i64;
    all.map(|i| {
        let at = Moment(START.0 + i * HOUR_MS + HOUR_MS / 2);
        let value = gravity(at.since(START).as_days());
        Hour {
            index: at.0 / HOUR_MS,
            gravity: Some(HourGravity {
                n: 4,
                median: value,
                min: value,
                max: value,
                at,
            }),
            temperature: Some(HourTemperature {
                median: 18.0 + (i % 24) as f64 / 12.0,
                min: 17.0,
                max: 21.0,
            }),
        }
    })
    .collect()
}

fn told<'a>(hours: &'a [Hour], deeds: &'a [Deed], days: f64) -> Told<'a> {
    Told {
        hours,
        deeds,
        started: START,
        original: None,
        ended: Some(START + Span::from_days(days)),
        now: START + Span::from_days(days + 100.0),
    }
}

fn reviewed(told: &Told) -> Review {
    review(told, Course::of(told).as_ref(), &Ledger::default())
}

fn deed(days: f64, what: What) -> Deed {
    Deed::new(START + Span::from_days(days), what)
}

fn days(span: Option<Span>) -> f64 {
    span.expect("it is known").as_days()
}

#[track_caller]
fn near(a: f64, b: f64, by: f64) {
    assert!((a - b).abs() <= by, "{a} is not within {by} of {b}");
}

/// Noise of about 0.0006 SG, the same each time.
fn stirred(i: f64) -> f64 {
    let turned = (i * 7919.0 * 24.0).round() as i64 % 101;
    (turned as f64 / 101.0 - 0.5) * 0.002
}

#[track_caller]
fn as_the_logistic(r: &Review, hours: f64) {
    // The level it began at is that of the first quarter day.
    let began = logistic(0.125);
    let fall = began - logistic(29.5);
    near(r.fall.unwrap(), fall, 0.0008);
    let at = |share: f64| when(began - share * fall);
    let by = hours / 24.0;
    near(days(r.lag), at(0.02), 2.0 * by);
    near(days(r.half), at(0.5), by);
    near(days(r.ninety), at(0.9), by);
    near(days(r.ninety_nine), at(0.99), 6.0 * by);
    let steepest = r.steepest.unwrap();
    near(steepest.a_day, DROP * K / 4.0, 0.02 * DROP * K / 4.0);
    near(steepest.at.since(START).as_days(), MIDDLE, 0.4);
}

#[test]
fn a_logistic_fall_is_measured_as_its_formula_says() {
    let hours = hours(30.0, logistic);
    let told = told(&hours, &[], 30.0);
    let r = reviewed(&told);
    as_the_logistic(&r, 0.5);
    near(r.steepest.unwrap().a_day, DROP * K / 4.0, 0.0001);
    assert_eq!(r.days, 30.0);
    assert!(r.over && r.stood_still.is_empty());
    let warmth = r.warmth.unwrap();
    assert_eq!(warmth.low.get(), 18.0);
    near(warmth.high.get(), 18.0 + 23.0 / 12.0, 1e-9);
    near(warmth.median.get(), 18.96, 0.1);
}

#[test]
fn noise_spikes_and_gaps_hardly_move_it() {
    let mut hours = hours(30.0, |d| logistic(d) + stirred(d));
    hours.retain(|h| {
        let day = (h.index * HOUR_MS - START.0) as f64 / 86_400_000.0;
        !(3.0..3.4).contains(&day) && !(12.0..14.0).contains(&day)
    });
    for spike in [20, 100, 300] {
        hours[spike].gravity.as_mut().unwrap().median += 0.03;
    }
    let told = told(&hours, &[], 30.0);
    let r = reviewed(&told);
    let began = logistic(0.125);
    let fall = began - logistic(29.5);
    near(r.fall.unwrap(), fall, 0.001);
    near(days(r.half), when(began - 0.5 * fall), 0.1);
    near(days(r.ninety), when(began - 0.9 * fall), 0.2);
    near(days(r.ninety_nine), when(began - 0.99 * fall), 1.0);
    near(
        r.steepest.unwrap().a_day,
        DROP * K / 4.0,
        0.08 * DROP * K / 4.0,
    );
    assert!(r.stood_still.is_empty(), "{:?}", r.stood_still);
}

#[test]
fn what_was_put_in_is_no_rise_and_no_fall() {
    // Honey on the fourth day, water (which lowers it) on the seventh.
    let hours = hours(30.0, |d| {
        let honey = if d >= 4.0 { 0.025 } else { 0.0 };
        let water = if d >= 7.0 { -0.012 } else { 0.0 };
        logistic(d) + honey + water
    });
    let deeds = [deed(4.0, What::Addition), deed(7.0, What::Addition)];
    let told = told(&hours, &deeds, 30.0);
    as_the_logistic(&reviewed(&told), 1.0);
}

#[test]
fn sweetening_after_stabilising_is_no_part_of_it() {
    let plain = hours(30.0, logistic);
    let sweet = hours(40.0, |d| logistic(d) + if d > 30.5 { 0.02 } else { 0.0 });
    let deeds = [deed(30.0, What::Stabilise), deed(30.5, What::Sweeten)];
    let r = reviewed(&told(&sweet, &deeds, 40.0));
    let bare = reviewed(&told(&plain, &[], 30.0));
    assert_eq!(r.fall, bare.fall);
    assert_eq!(r.half, bare.half);
    assert_eq!(r.ended_at, bare.ended_at);
    assert_eq!((r.days, bare.days), (40.0, 30.0));
    // Put in at the very end without stabilising: the last level is the one before.
    let only = [deed(30.0, What::Sweeten)];
    let r = reviewed(&told(&plain, &only, 30.2));
    near(r.fall.unwrap(), bare.fall.unwrap(), 1e-9);
}

/// The fall rests for nine days at its half, then goes on.
fn with_a_rest(days: f64) -> f64 {
    if days < MIDDLE {
        logistic(days)
    } else {
        logistic((days - 9.0).max(MIDDLE))
    }
}

#[test]
fn where_it_stood_still_and_went_on() {
    let hours = hours(40.0, |d| with_a_rest(d) + 0.2 * stirred(d));
    let r = reviewed(&told(&hours, &[], 40.0));
    let [spell] = r.stood_still.as_slice() else {
        panic!("{:?}", r.stood_still);
    };
    near(spell.from.since(START).as_days(), MIDDLE, 0.3);
    near(
        spell.until.unwrap().since(START).as_days(),
        MIDDLE + 9.0,
        0.3,
    );
    near(spell.gravity.get(), logistic(MIDDLE), 0.0005);
}

#[test]
fn what_was_done_and_got_more_sugar_was_not_stuck() {
    let hours = hours(40.0, |d| {
        if d < 20.0 {
            logistic(d)
        } else {
            logistic(19.9) + 0.02 * (1.0 - ((d - 20.0) / 3.0).tanh())
        }
    });
    let deeds = [deed(20.0, What::Addition)];
    let r = reviewed(&told(&hours, &deeds, 40.0));
    near(
        r.fall.unwrap(),
        logistic(0.125) - logistic(29.5) + 0.02,
        0.001,
    );
    assert_eq!(r.stood_still, []);
    // Without it noted, it is a rest.
    let r = reviewed(&told(&hours, &[], 40.0));
    assert_eq!(r.stood_still.len(), 1, "{:?}", r.stood_still);
}

#[test]
fn where_it_stopped_too_high() {
    let high = |d: f64| logistic(d) + 0.03;
    let hours = hours(30.0, high);
    let told = told(&hours, &[], 30.0);
    let course = Course::of(&told);
    let gravity = |g| Some(Gravity::new(g).unwrap());
    let told = Told {
        original: gravity(1.13),
        ..told
    };
    let with = |expected_final| {
        let ledger = Ledger {
            expected_final,
            ..Ledger::default()
        };
        review(&told, course.as_ref(), &ledger).stood_still
    };
    let stood = with(gravity(1.002));
    assert_eq!(stood.len(), 1, "{stood:?}");
    assert_eq!(stood[0].until, None);
    near(stood[0].gravity.get(), 1.032, 0.0005);
    assert!(with(gravity(1.030)).is_empty());
    assert!(with(None).is_empty(), "at the strength the yeast bears");
}

fn by_hand(every: f64, until: f64) -> Vec<Deed> {
    let count = (until / every) as usize;
    let days = (0..=count).map(|i| i as f64 * every);
    days.map(|d| Deed {
        gravity: Some(Gravity::computed(logistic(d))),
        ..deed(d, What::HandReading)
    })
    .collect()
}

#[test]
fn hand_readings_alone_tell_nearly_the_same() {
    let deeds = by_hand(1.0, 30.0);
    let r = reviewed(&told(&[], &deeds, 30.0));
    let fall = logistic(0.0) - logistic(29.5);
    near(days(r.half), when(logistic(0.0) - 0.5 * fall), 0.1);
    near(days(r.ninety), when(logistic(0.0) - 0.9 * fall), 0.2);
    near(
        r.steepest.unwrap().a_day,
        DROP * K / 4.0,
        0.1 * DROP * K / 4.0,
    );
    assert_eq!(r.warmth, None);
}

#[test]
fn hand_readings_stand_in_where_the_float_is_silent() {
    let float = hours(4.0, logistic);
    let deeds: Vec<Deed> = by_hand(1.0, 30.0).into_iter().skip(6).collect();
    let r = reviewed(&told(&float, &deeds, 30.0));
    near(days(r.half), MIDDLE, 0.3);
    near(r.fall.unwrap(), DROP, 0.003);
}

#[test]
fn one_that_still_falls_has_no_times_to_a_share() {
    let hours = hours(5.0, logistic);
    let told = Told {
        ended: None,
        now: START + Span::days(5),
        ..told(&hours, &[], 5.0)
    };
    let r = reviewed(&told);
    assert!(!r.over);
    assert_eq!((r.half, r.ninety, r.ninety_nine), (None, None, None));
    assert!(r.lag.is_some() && r.steepest.is_some());
    // Weeks later it lies still, and they are known.
    let hours = super::tests::hours(30.0, logistic);
    let later = Told {
        hours: &hours,
        now: START + Span::days(30),
        ..told
    };
    let r = reviewed(&later);
    assert!(r.over && r.half.is_some());
}

#[test]
fn what_began_unseen_is_not_guessed() {
    let mut hours = hours(30.0, logistic);
    hours.drain(..5 * 24);
    let unseen = told(&hours, &[], 30.0);
    assert_eq!(Course::of(&unseen), None);
    let r = reviewed(&unseen);
    assert_eq!((r.fall, r.half, r.lag), (None, None, None));
    let known = Told {
        original: Some(Gravity::computed(logistic(0.0))),
        ..unseen
    };
    let r = reviewed(&known);
    near(r.fall.unwrap(), logistic(0.0) - logistic(29.5), 0.0005);
    near(
        days(r.ninety),
        when(logistic(0.0) - 0.9 * r.fall.unwrap()),
        0.05,
    );
    assert_eq!(r.lag, None);
    assert_eq!(Course::of(&told(&[], &[], 3.0)), None);
}

#[test]
fn lag_counts_from_the_pitch_in_the_log() {
    let hours = hours(30.0, logistic);
    let deeds = [deed(1.0, What::Pitch)];
    let late = reviewed(&told(&hours, &deeds, 30.0));
    let plain = reviewed(&told(&hours, &[], 30.0));
    near(days(plain.half) - days(late.half), 1.0, 0.05);
    assert_eq!(late.days, 29.0);
}

#[test]
fn a_drawing_gets_few_points_and_no_spike() {
    let mut hours = hours(30.0, logistic);
    hours[200].gravity.as_mut().unwrap().median = 1.2;
    let told = told(&hours, &[], 30.0);
    let course = Course::of(&told).unwrap();
    let points = points(&told, &course);
    assert!((100..=120).contains(&points.len()), "{}", points.len());
    for p in &points {
        near(p.gravity, logistic(p.days), 0.0015);
        assert!(p.warmth.is_some());
    }
    assert!(points.is_sorted_by(|a, b| a.days < b.days));
}

fn pace(middle: f64, k: f64) -> Pace {
    let hours = hours(60.0, |d| END + DROP / (1.0 + (k * (d - middle)).exp()));
    Pace::of(&Course::of(&told(&hours, &[], 60.0)).unwrap()).unwrap()
}

/// Meads of one kind: each a half day later than the one before.
fn cellar() -> Vec<Pace> {
    (0..11).map(|i| pace(8.0 + 0.5 * f64::from(i), K)).collect()
}

#[test]
fn a_pace_and_back() {
    let pace = pace(8.0, K);
    for share in [0.05, 0.3, 0.5, 0.72, 0.95] {
        near(pace.share_after(pace.at_share(share)), share, 1e-9);
        // The logistic's own: k·s·(1 - s) of its fall a day.
        let speed = K * share * (1.0 - share);
        if (0.1..0.9).contains(&share) {
            near(pace.speed_at(share), speed, 0.02 * speed);
        }
    }
    assert_eq!(pace.share_after(-1.0), 0.0);
    assert_eq!(pace.share_after(900.0), 0.99);
    assert_eq!(Pace::from_days(pace.days().to_vec()), Some(pace.clone()));
    assert_eq!(Pace::from_days(vec![1.0; 98]), None);
    let mut broken = pace.days().to_vec();
    broken[50] = f64::NAN;
    assert_eq!(Pace::from_days(broken), None);
}

#[test]
fn few_meads_have_no_usual_way() {
    let cellar = cellar();
    assert_eq!(usual(&cellar[..4]), None);
    assert_eq!(usual(&cellar[..5]).unwrap().of, 5);
}

#[test]
fn the_band_holds_eight_in_ten() {
    let band = usual(&cellar()).unwrap();
    // Middles of 8.0, 8.5 … 13.0: of eleven evenly spaced values the tenth hundredth is the second
    // (8.5), the ninetieth the last but one (12.5), the middle 10.5. By time the early ones are
    // high.
    let at = |middle: f64, day: f64| pace(middle, K).share_after(day);
    for place in band.by_time.iter().filter(|p| p.x > 5.0 && p.x < 14.0) {
        near(place.high, at(8.5, place.x), 1e-9);
        near(place.low, at(12.5, place.x), 1e-9);
        near(place.middle, at(10.5, place.x), 1e-9);
    }
    // All have the same speed at a share.
    for place in band.by_sugar.iter().filter(|p| p.x > 0.15 && p.x < 0.85) {
        near(place.high / place.low, 1.0, 0.02);
    }
}

#[test]
fn where_a_mead_left_the_band() {
    let band = usual(&cellar()).unwrap();
    assert_eq!(band.left(&pace(10.5, K), By::Time), []);
    assert_eq!(band.left(&pace(10.5, K), By::Sugar), []);
    let hours = hours(60.0, |d| {
        let rested = if d < 10.5 { d } else { (d - 9.0).max(10.5) };
        END + DROP / (1.0 + (K * (rested - 10.5)).exp())
    });
    let rested = Pace::of(&Course::of(&told(&hours, &[], 60.0)).unwrap()).unwrap();
    let left = band.left(&rested, By::Time);
    assert_eq!(left.len(), 1, "{left:?}");
    assert_eq!(left[0].side, Side::Below);
    // Half done when it stopped; the slow edge of the band passes the half at 12.5 days.
    near(left[0].from, 12.5, 0.3);
    near(left[0].from_share, 0.5, 0.02);
    assert!(left[0].until > 19.5, "{left:?}");
    // By sugar it was slow there, and nowhere else.
    let slow = band.left(&rested, By::Sugar);
    assert_eq!(slow.len(), 1, "{slow:?}");
    assert_eq!(slow[0].side, Side::Below);
    assert!(
        slow[0].from_share <= 0.5 && slow[0].until_share >= 0.5,
        "{slow:?}"
    );
    near(slow[0].from, 10.5, 0.1);
    near(slow[0].until, 19.5, 0.1);
    let early = band.left(&pace(6.0, K), By::Time);
    assert_eq!(early.len(), 1);
    assert_eq!(early[0].side, Side::Above);
    let slow = band.left(&pace(10.5, 0.5), By::Sugar);
    assert_eq!(slow.len(), 1, "{slow:?}");
    assert_eq!(slow[0].side, Side::Below);
    near(slow[0].from_share, 0.03, 1e-9);
    near(slow[0].until_share, 0.97, 1e-9);
}

#[test]
fn what_was_done_just_before() {
    let deeds = [
        deed(1.0, What::Nutrient),
        deed(3.2, What::Rack),
        deed(5.0, What::Rouse),
        deed(5.1, What::Taste),
    ];
    let at = START + Span::from_days(5.0);
    let found: Vec<What> = band::done_before(&deeds, at).map(|d| d.what).collect();
    assert_eq!(found, [What::Rack, What::Rouse]);
}
