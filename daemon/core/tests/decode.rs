//! Payloads in, readings and problems out: one table of what comes from a cellar, good and bad.

use ebbmark_core::decode::{decode, decode_copy};
use ebbmark_core::feed::{FeedMap, Format, Pick, Quantity};
use ebbmark_core::reading::{ProblemKind, TimeFrom};
use ebbmark_core::time::Moment;
use proptest::prelude::*;

fn now() -> Moment {
    Moment::parse_rfc3339("2026-11-25T12:00:00Z").expect("a valid instant")
}

fn senml() -> FeedMap {
    FeedMap {
        format: Format::Senml { picks: vec![] },
        tilt_polynomial: vec![],
    }
}

fn json(picks: &[(&str, Quantity)]) -> FeedMap {
    let picks = picks.iter().map(|(from, quantity)| Pick {
        from: (*from).into(),
        quantity: *quantity,
    });
    FeedMap {
        format: Format::Json {
            picks: picks.collect(),
        },
        tilt_polynomial: vec![],
    }
}

fn number(quantity: Quantity) -> FeedMap {
    FeedMap {
        format: Format::Number { quantity },
        tilt_polynomial: vec![],
    }
}

#[test]
fn senml_with_its_own_time() {
    let text = r#"[{"bn":"float7/","bt":1764075600,"n":"gravity","u":"/","v":1.0521},
                   {"n":"temperature","u":"Cel","v":18.25},
                   {"n":"battery","u":"%EL","v":81},
                   {"n":"gravity","u":"/","t":-900,"v":1.0523},
                   {"n":"label","vs":"cellar"}]"#;
    let got = decode(&senml(), text.as_bytes(), Some(now()));
    assert_eq!(got.problems, vec![]);
    assert_eq!(got.readings.len(), 2);
    assert_eq!(got.readings[0].at, Moment(1_764_075_600_000));
    assert_eq!(got.readings[0].time_from, TimeFrom::Payload);
    assert_eq!(got.readings[0].gravity.unwrap().get(), 1.0521);
    assert_eq!(got.readings[0].temperature.unwrap().get(), 18.25);
    assert_eq!(got.readings[1].at, Moment(1_764_074_700_000));
}

#[test]
fn pointers_units_and_arrival_time() {
    let map = json(&[
        ("/liquid/p", Quantity::GravityPlato),
        ("/liquid/f", Quantity::TemperatureFahrenheit),
        ("/pack/0", Quantity::BatteryVolts),
    ]);
    let got = decode(
        &map,
        br#"{"liquid":{"p":"10,0","f":68},"pack":[3.91]}"#,
        Some(now()),
    );
    assert_eq!(got.problems, vec![]);
    let r = &got.readings[0];
    assert_eq!((r.at, r.time_from), (now(), TimeFrom::Arrival));
    // 10 mass % sucrose: 1.0381 g/cm3 (CRC Handbook, 102nd ed.) over water at 20 °C, 0.99821.
    assert!((r.gravity.unwrap().get() - 1.0381 / 0.998_206_7).abs() < 1e-4);
    assert!((r.temperature.unwrap().get() - 20.0).abs() < 1e-9);
}

#[test]
fn tilt_becomes_gravity_by_the_polynomial() {
    let mut map = json(&[("/angle", Quantity::TiltDegrees)]);
    map.tilt_polynomial = vec![0.92, 0.0015, 1.0e-5];
    let got = decode(&map, br#"{"angle":50}"#, Some(now()));
    let r = &got.readings[0];
    assert_eq!(r.tilt.unwrap().get(), 50.0);
    assert!((r.gravity.unwrap().get() - (0.92 + 0.075 + 0.025)).abs() < 1e-12);
}

/// Each bad payload: the problem it must be called and a piece of what the maker reads.
#[test]
fn bad_input_is_named_never_taken() {
    use ProblemKind::*;
    let j = json(&[
        ("/g", Quantity::GravitySg),
        ("/t", Quantity::TemperatureCelsius),
    ]);
    let timed = json(&[("/g", Quantity::GravitySg), ("/at", Quantity::Time)]);
    let deep = format!("{}1{}", "[".repeat(5000), "]".repeat(5000));
    let cases: Vec<(&FeedMap, Vec<u8>, ProblemKind, &str, usize)> = vec![
        (
            &j,
            br#"{"g":7,"t":18}"#.to_vec(),
            OutOfRange,
            "/g: gravity 7 is outside",
            1,
        ),
        (
            &j,
            br#"{"g":1.05,"t":-300}"#.to_vec(),
            OutOfRange,
            "/t: temperature -300",
            1,
        ),
        (
            &j,
            br#"{"g":"NaN","t":18}"#.to_vec(),
            OutOfRange,
            "/g: gravity NaN",
            1,
        ),
        (
            &j,
            br#"{"g":"inf","t":18}"#.to_vec(),
            OutOfRange,
            "/g: gravity inf",
            1,
        ),
        (
            &j,
            br#"{"g":1e999,"t":18}"#.to_vec(),
            Unreadable,
            "number out of range",
            0,
        ),
        (&j, br#"{"g":1.05"#.to_vec(), Unreadable, "JSON", 0),
        (
            &j,
            br#"{"g":true,"t":18}"#.to_vec(),
            WrongType,
            "/g: true is not a number",
            1,
        ),
        (&j, br#"{"t":18}"#.to_vec(), Missing, "/g: no such field", 1),
        (&j, vec![0x7b, 0xff], Unreadable, "byte 2 is not UTF-8", 0),
        (&j, deep.into_bytes(), Unreadable, "recursion limit", 0),
        (&j, Vec::new(), Unreadable, "JSON", 0),
        (
            &timed,
            br#"{"g":1.05,"at":"1970-01-01T00:10:00Z"}"#.to_vec(),
            BadTime,
            "/at: 1970",
            0,
        ),
        (
            &timed,
            br#"{"g":1.05,"at":3786912000}"#.to_vec(),
            BadTime,
            "/at: 2090",
            0,
        ),
        (
            &timed,
            br#"{"g":1.05,"at":"teatime"}"#.to_vec(),
            BadTime,
            "teatime",
            0,
        ),
        (
            &timed,
            br#"{"g":1.05}"#.to_vec(),
            Missing,
            "/at: no such field",
            0,
        ),
    ];
    for (map, payload, kind, words, readings) in cases {
        let shown = String::from_utf8_lossy(&payload[..payload.len().min(60)]).into_owned();
        let got = decode(map, &payload, Some(now()));
        assert_eq!(got.readings.len(), readings, "{shown}");
        let problem = got
            .problems
            .first()
            .unwrap_or_else(|| panic!("no problem: {shown}"));
        assert_eq!(problem.kind, kind, "{shown}: {}", problem.detail);
        assert!(
            problem.detail.contains(words),
            "{shown}: {}",
            problem.detail
        );
    }
    let wrong_unit = decode(
        &senml(),
        br#"[{"n":"a:temperature","u":"V","v":3}]"#,
        Some(now()),
    );
    assert_eq!(wrong_unit.problems[0].kind, WrongUnit);
    let words = decode(&number(Quantity::GravitySg), b"sweet", Some(now()));
    assert_eq!(words.problems[0].kind, WrongType);
    let none = decode(
        &senml(),
        br#"[{"n":"a:humidity","u":"%RH","v":3}]"#,
        Some(now()),
    );
    assert_eq!(none.problems[0].kind, Empty);
}

#[test]
fn a_kept_copy_speaks_only_of_times_it_names() {
    let got = |map: &FeedMap, payload: &[u8]| decode_copy(map, payload, Some(now()), true);
    let ageless = |map: &FeedMap, payload: &[u8]| {
        let got = got(map, payload);
        assert!(got.readings.is_empty() && !got.needs_time, "{got:?}");
        assert_eq!(got.problems.len(), 1);
        assert_eq!(got.problems[0].kind, ProblemKind::BadTime);
    };
    ageless(&number(Quantity::GravitySg), b"1.050");
    ageless(
        &senml(),
        br#"[{"n":"f:gravity","v":1.05},{"n":"f:temperature","v":18}]"#,
    );
    // Counted from when it was sent, which nobody knows.
    ageless(&senml(), br#"[{"n":"f:gravity","t":-60,"v":1.05}]"#);
    let dated = got(&senml(), br#"[{"n":"f:gravity","t":1764075600,"v":1.05}]"#);
    assert!(dated.problems.is_empty());
    assert_eq!(dated.readings[0].at, Moment(1_764_075_600_000));
}

#[test]
fn without_a_believable_clock_every_reading_waits() {
    let waits = |map: &FeedMap, payload: &[u8]| {
        let got = decode(map, payload, None);
        assert!(got.needs_time && got.readings.is_empty() && got.problems.is_empty());
    };
    waits(&number(Quantity::GravitySg), b"1.050");
    waits(&senml(), br#"[{"n":"f:gravity","t":-60,"v":1.05}]"#);
    // One that says when it was measured as well: its time cannot be checked.
    waits(&senml(), br#"[{"n":"f:gravity","t":1764075600,"v":1.05}]"#);
    // 2090-01-01T00:00:00Z; once the clock is known it is refused.
    let far = br#"[{"n":"f:gravity","t":3786912000,"v":1.05}]"#;
    waits(&senml(), far);
    let dated = decode(&senml(), far, Some(now()));
    assert!(!dated.needs_time && dated.readings.is_empty());
    assert_eq!(dated.problems[0].kind, ProblemKind::BadTime);
}

proptest! {
    /// Whatever the bytes, decoding ends, and what it yields is believable.
    #[test]
    fn any_bytes(payload in proptest::collection::vec(any::<u8>(), 0..300)) {
        for map in [senml(), json(&[("/g", Quantity::GravitySg)]), number(Quantity::GravityPlato)] {
            for r in decode(&map, &payload, Some(now())).readings {
                let g = r.gravity.map_or(1.0, |g| g.get());
                prop_assert!((0.95..=1.25).contains(&g));
            }
        }
    }

    /// JSON-shaped noise reaches deeper than random bytes do.
    #[test]
    fn any_senml_like(n in "[a-z:]{0,8}", v in any::<f64>(), t in any::<f64>(), bt in any::<f64>()) {
        let pack = serde_json::json!([{"bn": n, "n": "gravity", "v": v, "t": t, "bt": bt}]);
        let got = decode(&senml(), pack.to_string().as_bytes(), Some(now()));
        for r in got.readings {
            prop_assert!(r.at >= Moment::EARLIEST_BELIEVABLE);
            prop_assert!(r.at.0 <= now().0 + 86_400_000);
        }
    }
}
