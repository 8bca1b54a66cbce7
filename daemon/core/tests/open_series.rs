//! Verdicts on real ferments: the open wine series of Stellenbosch University (2022; source and
//! licence at the head of the file), one sample a day with sugar by infrared. The series knows what
//! sugar was left; the verdict sees only gravity.
//!
//! Gravity is reckoned from sugar and alcohol by SG = 1 + 3.86e-4·S - 1.62e-4·E (g/L; slopes of
//! handbook density tables, good to about 0.001), as in `tests/oracles/series_gravity.py`.

use ebbmark_core::files::Row;
use ebbmark_core::replay::{Known, replay};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Celsius, Gravity};
use ebbmark_core::verdict::outcome::Phase;

const SERIES: &str = include_str!("data/series/wine_stellenbosch_2022_sugar.csv");
/// g/L of alcohol in 1 % vol: 789.24 kg/m³ (OIML R 22).
const ETHANOL: f64 = 7.8924;

struct Sample {
    row: Row,
    /// g/L.
    sugar: f64,
}

fn start() -> Moment {
    Moment::parse_rfc3339("2026-01-01T00:00:00Z").expect("a valid instant")
}

fn ferment(id: &str) -> Vec<Sample> {
    let lines = SERIES.lines().filter(|l| l.starts_with(&format!("{id},")));
    lines
        .map(|line| {
            let f: Vec<&str> = line.split(',').collect();
            let number = |i: usize| f[i].parse::<f64>().expect("a number in the series");
            let (day, warmth, sugar, alcohol) = (number(4), number(5), number(7), number(10));
            let gravity = 1.0 + 3.86e-4 * sugar - 1.62e-4 * alcohol * ETHANOL;
            let row = Row {
                at: start() + Span::from_days(day),
                gravity: Gravity::new(gravity).ok(),
                temperature: Celsius::new(warmth).ok(),
            };
            Sample { row, sugar }
        })
        .collect()
}

#[test]
fn no_ferment_is_called_finished_while_sugar_is_left() {
    let mut racked = std::collections::BTreeSet::new();
    for id in [
        "C_17L_A", "C_17L_B", "C_17L_C", "S_17L_A", "S_17L_B", "S_17L_C",
    ] {
        let samples = ferment(id);
        assert!(samples.len() >= 6, "{id} is in the series");
        let rows: Vec<Row> = samples.iter().map(|s| s.row).collect();
        let known = Known {
            original: rows[0].gravity,
            ..Known::default()
        };
        for line in replay(&rows, &[], known) {
            let at = Moment::parse_rfc3339(&line.at).expect("RFC 3339");
            let sugar = samples
                .iter()
                .rfind(|s| s.row.at <= at)
                .map_or(0.0, |s| s.sugar);
            if line.phase == Phase::Settled {
                assert!(sugar < 5.0, "{id} at {}: {sugar} g/L left", line.at);
            }
            if line.gates.rack.open {
                racked.insert(id);
            }
            assert!(line.phase != Phase::Restarted, "{id} at {}", line.at);
        }
    }
    // Each ends within a few daily samples of going dry: too few to settle it, but enough to rack.
    assert_eq!(racked.len(), 6, "{racked:?}");
}
