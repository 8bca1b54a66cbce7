//! Whatever is typed into any reckoning, it answers with numbers or says which field is wrong.

use ebbmark_core::measure::Measure;
use ebbmark_core::reckon::{ALL, Asked, Asker, Field, Kind, Known, Reckoning, Refusal, reckon};
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use ebbmark_core::units::Preferences;
use jiff::tz::TimeZone;
use proptest::prelude::*;

/// Where makers live; the ranges of the fields are wider.
fn likely(measure: &Measure) -> (f64, f64) {
    match measure.name {
        "gravity" => (0.994, 1.13),
        "volume" => (0.5, 60.0),
        "mass" => (0.002, 6.0),
        "strength" => (0.0, 16.0),
        "temperature" => (4.0, 30.0),
        "refractometer reading" => (3.0, 25.0),
        "refractive index" => (1.335, 1.5),
        "share by mass" => (10.0, 25.0),
        "pH" => (2.9, 4.2),
        "number" => (0.0, 40.0),
        _ => (
            measure.low,
            measure.low + (measure.high - measure.low) * 0.1,
        ),
    }
}

/// What might be typed into a field: likely for the most part, anywhere in range, or beyond.
fn typed(field: &'static Field) -> BoxedStrategy<String> {
    let nothing = Just(String::new()).boxed();
    match &field.kind {
        Kind::Number(m) => {
            let (low, high) = (m.low, m.high);
            let (a, b) = likely(m);
            prop_oneof![
                100 => (a..b).prop_map(|v| format!("{v:.4}")),
                6 => (low..high).prop_map(|v| format!("{v:.6}")),
                2 => prop_oneof![Just(low), Just(high), Just(high * 2.0 + 1.0), Just(-1.0)]
                    .prop_map(|v| format!("{v}")),
                20 => nothing,
                1 => "[0-9.,%a-z° -]{0,6}",
            ]
            .boxed()
        }
        Kind::Choice(choices) => {
            let keys: Vec<String> = choices.iter().map(|c| c.key.to_owned()).collect();
            prop_oneof![20 => prop::sample::select(keys), 1 => nothing].boxed()
        }
        Kind::When => prop_oneof![
            Just("2026-02-20T08:00".to_owned()),
            Just("2027-01-01T00:00".to_owned()),
            nothing
        ]
        .boxed(),
        Kind::Words => "[a-z ]{0,12}".boxed(),
        Kind::Rows { .. } => nothing,
    }
}

fn all_typed(reckoning: &'static Reckoning) -> BoxedStrategy<Vec<(String, String)>> {
    let mut fields: Vec<BoxedStrategy<(String, String)>> = Vec::new();
    for field in reckoning.fields {
        if let Kind::Rows { of, most, .. } = &field.kind {
            for row in 1..=(*most).min(2) {
                for cell in *of {
                    let path = format!("{}.{row}.{}", field.key, cell.key);
                    fields.push(typed(cell).prop_map(move |t| (path.clone(), t)).boxed());
                }
            }
        } else {
            fields.push(typed(field).prop_map(|t| (field.key.to_owned(), t)).boxed());
        }
    }
    fields.boxed()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn it_answers_or_names_a_field((reckoning, fields) in (0..ALL.len()).prop_flat_map(|i| {
        (Just(ALL[i]), all_typed(ALL[i]))
    })) {
        let asker = Asker {
            now: Moment::parse_rfc3339("2026-03-01T12:00:00Z").expect("an instant"),
            style: Style { units: Preferences::USUAL, zone: &TimeZone::UTC },
        };
        match reckon(reckoning, &Asked::new(fields), "a trial", &Known::default(), &asker) {
            Ok(told) => {
                prop_assert!(!told.sentence.is_empty() && !told.sentence.contains("NaN") && !told.sentence.contains("inf "));
                for r in &told.results {
                    prop_assert!(r.unit.is_empty() || r.value.is_some(), "{} {:?}", reckoning.key, r);
                    prop_assert!(!r.range.contains("NaN") && !r.range.contains("inf"), "{} {:?}", reckoning.key, r);
                }
                prop_assert!(!told.how_sure.is_empty() && !told.formulas.is_empty());
            }
            Err(Refusal::Fields(all)) => {
                prop_assert!(all.iter().next().is_some());
                for c in all.iter() {
                    prop_assert!(c.say.contains(": ") && !c.say.contains("NaN"), "{}", c.say);
                }
            }
            Err(Refusal::Shut { .. }) => prop_assert!(false, "no vessel, so no gate"),
        }
    }
}
