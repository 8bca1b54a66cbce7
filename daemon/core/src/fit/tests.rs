//! The whole fit, on invented vessels: known curve, known noise, fixed generator.

use proptest::prelude::*;

use super::draw::Draws;
use super::*;

const LOGISTIC: [f64; 4] = [1.100, 1.002, -1.2, 3.2];

/// First-order noise of the given sd and correlation, one reading in `spikes` 0.012 too high.
fn readings(
    curve: &Curve,
    end: f64,
    n: usize,
    (sd, rho, spikes): (f64, f64, usize),
    seed: u64,
) -> Vec<Point> {
    let mut source = Draws::new(seed);
    let mut noise = 0.0;
    (0..n)
        .map(|i| {
            let [z] = source.normal_vector::<1>();
            noise = rho * noise + (1.0 - rho * rho).sqrt() * z;
            let days = end * i as f64 / (n - 1) as f64;
            let spike = if (i + 1).is_multiple_of(spikes) {
                0.012
            } else {
                0.0
            };
            Point {
                days,
                gravity: curve.value(days) + sd * noise + spike,
                sd: 0.001,
            }
        })
        .collect()
}

const NEVER: usize = usize::MAX;

#[test]
fn a_finished_fall_is_known_closely() {
    let truth = Curve::logistic(&LOGISTIC);
    let end = 1.3 * truth.time_within(0.001);
    let points = readings(&truth, end, 300, (0.001, 0.3, 50), 1);
    let fitted = fit(&points, &Prior::from_original(1.100)).unwrap();
    let last = fitted.final_gravity();
    assert!(
        last.low < truth.last && truth.last < last.high && last.high - last.low < 0.001,
        "{last:?}"
    );
    let settles = fitted.settles(0.001, 0.0).unwrap();
    let (low, high) = (settles.low, settles.high);
    let truly = truth.time_within(0.001);
    assert!(
        low < truly && truly < high && high - low < 0.3 * truly,
        "{settles:?} for {truly}"
    );
    let (when, rate) = fitted.steepest();
    assert!((when.mid - truth.steepest()).abs() < 0.5, "{when:?}");
    assert!(
        (rate.mid / truth.rate(truth.steepest()) - 1.0).abs() < 0.1,
        "{rate:?}"
    );
    assert!(fitted.fraction_done(end).low > 0.98);
    assert!(fitted.left_after(end).high < 0.001);
    assert_eq!(fitted.settles(0.001, 500.0).unwrap().mid, 500.0);
    let total: f64 = fitted.families.iter().map(|f| f.weight).sum();
    assert!((total - 1.0).abs() < 1e-9);
    assert!(
        fitted
            .families
            .iter()
            .all(|f| (0.0003..0.003).contains(&f.residual_sd))
    );
}

#[test]
fn an_early_fall_is_answered_widely_but_sanely() {
    let truth = Curve::logistic(&LOGISTIC);
    for done in [0.1, 0.25] {
        let end = truth.time_within((1.0 - done) * (truth.original - truth.last));
        let points = readings(&truth, end, 120, (0.001, 0.3, 40), 2);
        let fitted = fit(&points, &Prior::from_original(1.100)).unwrap();
        let last = fitted.final_gravity();
        assert!(last.low < truth.last && truth.last < last.high, "{last:?}");
        assert!(last.high - last.low > 0.015, "{last:?}");
        assert!(last.low > 0.96 && last.high < 1.06, "{last:?}");
        // What was measured is known all the same.
        let now = fitted.at(end);
        assert!(
            now.high - now.low < 0.002 && (now.mid - truth.value(end)).abs() < 0.001,
            "{now:?}"
        );
    }
}

/// Nine times in ten, more or less: 40 vessels each of three stages, all three families of curve, priors
/// that are off by as much as they say. The bound leaves three standard errors (0.05 each).
#[test]
fn ninety_per_cent_means_it() {
    let mut source = Draws::new(99);
    for stage in [0.5, 0.9, 0.99] {
        let (mut covered, mut told) = (0, 0);
        for vessel in 0..40_u64 {
            let [a, b, c, d, e, f] = source.normal_vector::<6>();
            let original = 1.09 + 0.01 * a;
            let last = (original - 0.105).max(0.996) + 0.01 * b;
            let ln_k = -1.2 + 0.7 * c;
            let truth = match vessel % 3 {
                0 => Curve::logistic(&[original, last, ln_k, 3.0 + d]),
                1 => Curve::gompertz(&[original, last, ln_k, 1.5 + 0.6 * d]),
                _ => Curve::asymmetric(&[original, last, ln_k, 3.0 + d, 0.7 * e]),
            };
            let end = truth.time_within((1.0 - stage) * (original - last));
            let points = readings(&truth, end, 200, (0.001, 0.6, 60), vessel);
            let prior = Prior::from_original(original + 0.001 * f);
            if let Ok(fitted) = fit(&points, &prior) {
                let range = fitted.final_gravity();
                told += 1;
                covered += i32::from(range.low < last && last < range.high);
            }
        }
        assert!(told >= 38, "{told} of 40 told at {stage}");
        assert!(
            f64::from(covered) >= 0.75 * f64::from(told),
            "{covered} of {told} at {stage}"
        );
    }
}

#[test]
fn a_batch_that_sticks_ends_where_it_sticks() {
    let truth = Curve::logistic(&[1.100, 1.030, -1.0, 3.0]);
    let points = readings(&truth, 40.0, 200, (0.001, 0.3, NEVER), 3);
    let prior = Prior::from_original(1.100).expecting(1.000, 0.005);
    let last = fit(&points, &prior).unwrap().final_gravity();
    assert!((last.mid - 1.030).abs() < 0.001, "{last:?}");
}

#[test]
fn readings_after_the_fall_alone_still_tell_its_end() {
    let points: Vec<Point> = readings(
        &Curve::logistic(&LOGISTIC),
        60.0,
        300,
        (0.001, 0.0, NEVER),
        4,
    )
    .into_iter()
    .filter(|p| p.days > 40.0)
    .collect();
    let fitted = fit(&points, &Prior::from_original(1.100)).unwrap();
    let last = fitted.final_gravity();
    assert!((last.mid - 1.002).abs() < 0.001, "{last:?}");
    // When it fell is not in the readings.
    let (when, _) = fitted.steepest();
    assert!(when.high - when.low > 5.0, "{when:?}");
}

#[test]
fn spikes_hardly_move_the_curve() {
    let truth = Curve::logistic(&LOGISTIC);
    let end = truth.time_within(0.002);
    let fitted = |spikes| {
        let points = readings(&truth, end, 200, (0.001, 0.0, spikes), 5);
        fit(&points, &Prior::from_original(1.100))
            .unwrap()
            .final_gravity()
            .mid
    };
    assert!((fitted(12) - fitted(NEVER)).abs() < 0.0005);
}

#[test]
fn correlated_readings_widen_the_answer() {
    let truth = Curve::logistic(&LOGISTIC);
    let end = truth.time_within(0.001);
    let width = |rho| {
        let points = readings(&truth, end, 400, (0.001, rho, NEVER), 6);
        let fitted = fit(&points, &Prior::from_original(1.100)).unwrap();
        let last = fitted.final_gravity();
        (last.high - last.low, fitted.effective_readings)
    };
    let (independent, n) = width(0.0);
    let (correlated, fewer) = width(0.8);
    assert!(correlated > 1.7 * independent, "{correlated} {independent}");
    assert!(n > 250.0 && fewer < 100.0, "{n} {fewer}");
}

#[test]
fn a_handful_of_hand_readings_is_enough() {
    let truth = Curve::logistic(&LOGISTIC);
    let points: Vec<Point> = [0.0, 3.0, 7.0, 12.0, 18.0, 30.0]
        .map(|days| Point {
            days,
            gravity: (truth.value(days) * 1000.0).round() / 1000.0,
            sd: 0.001,
        })
        .into();
    let last = fit(&points, &Prior::from_original(1.100))
        .unwrap()
        .final_gravity();
    assert!(
        last.low < 1.002 && 1.002 < last.high && last.high - last.low < 0.008,
        "{last:?}"
    );
}

#[test]
fn a_perfect_series_is_not_refused() {
    let points = readings(
        &Curve::gompertz(&[1.1, 1.0, -1.5, 1.4]),
        40.0,
        500,
        (0.0, 0.0, NEVER),
        7,
    );
    let last = fit(&points, &Prior::from_original(1.100))
        .unwrap()
        .final_gravity();
    assert!((last.mid - 1.000).abs() < 0.0003, "{last:?}");
}

#[test]
fn refusals_say_why() {
    let prior = Prior::from_original(1.100);
    let truth = Curve::logistic(&LOGISTIC);
    let good = readings(&truth, 20.0, 50, (0.001, 0.0, NEVER), 8);

    assert_eq!(fit(&[], &prior), Err(Refusal::TooFew { have: 0, need: 4 }));
    assert_eq!(
        fit(&good[..3], &prior),
        Err(Refusal::TooFew { have: 3, need: 4 })
    );
    // Ten readings of one moment are one.
    assert_eq!(
        fit(&[good[0]; 10], &prior),
        Err(Refusal::TooFew { have: 1, need: 4 })
    );

    let level = Curve::logistic(&[1.100, 1.0999, -1.0, 3.0]);
    let flat = readings(&level, 3.0, 70, (0.001, 0.4, NEVER), 9);
    assert_eq!(fit(&flat, &prior), Err(Refusal::NoFall));

    for (days, gravity, sd, text) in [
        (
            f64::NAN,
            1.05,
            0.001,
            "reading 51: its time, NaN days, is not a time",
        ),
        (
            1.0,
            f64::INFINITY,
            0.001,
            "reading 51: gravity inf is not a gravity",
        ),
        (1.0, 1.05, 0.0, "reading 51: noise 0 is not a noise"),
    ] {
        let mut bad = good.clone();
        bad.push(Point { days, gravity, sd });
        assert_eq!(fit(&bad, &prior).unwrap_err().to_string(), text);
    }
    let upside_down = Prior::from_original(1.000).expecting(1.010, 0.002);
    assert!(matches!(
        fit(&good, &upside_down),
        Err(Refusal::Nonsense(_))
    ));

    let mut source = Draws::new(10);
    let scattered: Vec<Point> = good
        .iter()
        .map(|p| {
            let [z] = source.normal_vector::<1>();
            Point {
                gravity: 1.05 + 0.05 * z.clamp(-1.8, 1.8),
                ..*p
            }
        })
        .collect();
    let why = fit(&scattered, &prior).unwrap_err().to_string();
    assert!(why.contains("scatter"), "{why}");
}

fn some_vessel() -> impl Strategy<Value = (Vec<Point>, Prior)> {
    (
        0.0..0.03_f64,
        -1.8..-0.4_f64,
        1.5..4.5_f64,
        0.3..1.5_f64,
        any::<u64>(),
    )
        .prop_map(|(last, ln_k, u, stage, seed)| {
            let truth = Curve::logistic(&[1.095, 0.99 + last, ln_k, u]);
            let end = stage * truth.time_within(0.002);
            let points = readings(&truth, end, 80, (0.001, 0.3, 30), seed);
            (points, Prior::from_original(1.094))
        })
}

/// The same within a hundredth of the range's width (or the size of a rounding).
fn same(a: crate::verdict::outcome::Range<f64>, b: crate::verdict::outcome::Range<f64>) -> bool {
    let width = (a.high - a.low).abs() + 1e-9;
    let near = |x: f64, y: f64| (x - y).abs() < 0.01 * width;
    near(a.low, b.low) && near(a.mid, b.mid) && near(a.high, b.high)
}

fn by(
    range: crate::verdict::outcome::Range<f64>,
    f: impl Fn(f64) -> f64,
) -> crate::verdict::outcome::Range<f64> {
    crate::verdict::outcome::Range {
        mid: f(range.mid),
        low: f(range.low),
        high: f(range.high),
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn the_order_of_readings_does_not_matter((points, prior) in some_vessel(), seed in any::<u64>()) {
        let mut shuffled = points.clone();
        let mut source = Draws::new(seed);
        for i in (1..shuffled.len()).rev() {
            let [z] = source.normal_vector::<1>();
            shuffled.swap(i, (z.abs() * 1000.0) as usize % (i + 1));
        }
        prop_assert_eq!(fit(&points, &prior), fit(&shuffled, &prior));
    }

    #[test]
    fn a_constant_moves_the_end_and_nothing_else((points, prior) in some_vessel(), by_much in -0.02..0.05_f64) {
        let moved: Vec<Point> =
            points.iter().map(|p| Point { gravity: p.gravity + by_much, ..*p }).collect();
        let prior_moved = Prior {
            original: Gaussian { mean: prior.original.mean + by_much, ..prior.original },
            last: Gaussian { mean: prior.last.mean + by_much, ..prior.last },
            ..prior
        };
        if let (Ok(a), Ok(b)) = (fit(&points, &prior), fit(&moved, &prior_moved)) {
            prop_assert!(same(by(a.final_gravity().range(), |g| g + by_much), b.final_gravity().range()));
            prop_assert!(same(a.rate_at(5.0), b.rate_at(5.0)));
            prop_assert!(same(a.left_after(8.0), b.left_after(8.0)));
            prop_assert!(same(a.steepest().0, b.steepest().0));
        }
    }

    #[test]
    fn stretching_time_stretches_everything((points, prior) in some_vessel(), stretch in 0.4..3.0_f64) {
        let slower: Vec<Point> = points.iter().map(|p| Point { days: p.days * stretch, ..*p }).collect();
        let prior_slower = Prior {
            ln_rate: Gaussian { mean: prior.ln_rate.mean - stretch.ln(), ..prior.ln_rate },
            ..prior
        };
        if let (Ok(a), Ok(b)) = (fit(&points, &prior), fit(&slower, &prior_slower)) {
            prop_assert!(same(a.final_gravity().range(), b.final_gravity().range()));
            prop_assert!(same(by(a.rate_at(5.0), |r| r / stretch), b.rate_at(5.0 * stretch)));
            prop_assert!(same(by(a.steepest().0, |t| t * stretch), b.steepest().0));
        }
    }

    #[test]
    fn bands_are_nested_and_falling((points, prior) in some_vessel()) {
        if let Ok(fitted) = fit(&points, &prior) {
            let mut before = f64::INFINITY;
            for day in 0..60 {
                let b = fitted.at(f64::from(day));
                prop_assert!(b.low <= b.half_low && b.half_low <= b.mid);
                prop_assert!(b.mid <= b.half_high && b.half_high <= b.high);
                prop_assert!(b.mid <= before + 1e-12);
                before = b.mid;
            }
        }
    }

    /// Whatever comes in: an answer in finite numbers or a refusal, never a panic.
    #[test]
    fn anything_is_answered_or_refused(
        points in proptest::collection::vec(
            (-10.0..400.0_f64, 0.9..1.3_f64, 1e-6..0.1_f64)
                .prop_map(|(days, gravity, sd)| Point { days, gravity, sd }),
            0..40,
        ),
        original in 0.95..1.2_f64,
    ) {
        if let Ok(fitted) = fit(&points, &Prior::from_original(original)) {
            let now = fitted.at(10.0);
            let settles = fitted.settles(0.001, 0.0);
            prop_assert!(now.low.is_finite() && now.high.is_finite());
            prop_assert!(fitted.final_gravity().mid.is_finite());
            prop_assert!(settles.is_none_or(|s| s.low >= 0.0));
        }
    }
}
