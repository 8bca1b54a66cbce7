//! Pasteurisation units add up from a vessel's own temperature readings.

use ebbmark_tests::cellar::Cellar;

use crate::common::{local, now_ms, rfc3339, text};

/// From the answer on the page of the reckoning for that vessel: "56.5 PU".
fn units(page: &str) -> f64 {
    let (_, told) = page.split_once("id=\"told\"").expect("there is an answer");
    let (before, _) = told.split_once(" PU").expect("units are told");
    let number = before.rsplit(['>', ' ']).next().unwrap_or_default();
    number
        .parse()
        .unwrap_or_else(|_| panic!("\"{number}\" is no number of units in {told}"))
}

#[test]
fn a_hold_adds_up_as_its_readings_come() {
    let cellar = Cellar::new();
    let (_daemon, visitor) = cellar.open();
    let vessel = visitor.add_vessel("Kettle");
    let start = now_ms() / 1000 - 3600;
    visitor.start_mead(&vessel, &local(start - 3600), "1.090", "1.000");
    let come = |minutes: std::ops::RangeInclusive<i64>| {
        let rows = minutes.map(|m| format!("{},,62\n", rfc3339(start + 60 * m)));
        let csv = format!("at,gravity,temperature\n{}", rows.collect::<String>());
        let file = cellar.file("hold.csv", csv);
        let said = cellar.import(&file, "Kettle");
        assert!(
            text(&said).contains("0 lines could not be read"),
            "{said:?}"
        );
    };
    let address = format!("{vessel}/reckon/pasteurise?heated-in=open");
    come(0..=20);
    let first = units(&visitor.page(&address));
    // 20 minutes at 62 °C: 20 · 1.393² (Del Vecchio, Dayharsh & Baselt 1951).
    assert!((first - 20.0 * 1.393f64.powi(2)).abs() < 0.2, "{first}");
    come(21..=40);
    let then = units(&visitor.page(&address));
    assert!((then - 40.0 * 1.393f64.powi(2)).abs() < 0.2, "{then}");
}
