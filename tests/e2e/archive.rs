//! Years of meads, found and laid over one another, in a real browser. All of them are invented.

use std::fmt::Write;

use ebbmark_core::time::Moment;
use ebbmark_tests::cellar::{Cellar, PASSWORD};
use ebbmark_tests::page::Visitor;

use crate::common::{days_ago, local};
use crate::pages::browse;

const DAY: i64 = 86_400;

/// A logistic fall that is half done after `middle` days, read every hour for 30 days. What rested
/// lay still for nine days from half a day before that on.
fn readings(begun: i64, middle: f64, rested: bool) -> String {
    let mut file = "at,gravity,temperature\n".to_owned();
    for hour in 0..30 * 24 {
        let days = f64::from(hour) / 24.0;
        let rests = middle - 0.5;
        let on = match days {
            d if !rested || d < rests => d,
            d => (d - 9.0).max(rests),
        };
        let gravity = 1.0 + 0.1 / (1.0 + (0.9 * (on - middle)).exp());
        let at = Moment((begun + i64::from(hour) * 3600) * 1000).to_rfc3339();
        writeln!(file, "{at},{gravity:.5},{:.1}", 17.0 + middle / 6.0).expect("memory");
    }
    file
}

struct Mead {
    name: &'static str,
    honey: &'static str,
    days_ago: i64,
    middle: f64,
    rested: bool,
}

fn mead(name: &'static str, honey: &'static str, days_ago: i64, middle: f64) -> Mead {
    Mead {
        name,
        honey,
        days_ago,
        middle,
        rested: false,
    }
}

fn finished(cellar: &Cellar, visitor: &Visitor, mead: &Mead) {
    let begun = days_ago(mead.days_ago) / 60 * 60;
    let vessel_name = format!("Jar of {}", mead.name);
    let vessel = visitor.add_vessel(&vessel_name);
    let start = visitor
        .form(&vessel, &format!("{vessel}/batch"))
        .with("name", mead.name)
        .with("honey", mead.honey)
        .with("yeast", "wine yeast, invented")
        .with("started", &local(begun))
        .with("original", "1.100");
    visitor.submit(&start);
    let file = cellar.file("readings.csv", readings(begun, mead.middle, mead.rested));
    let taken = cellar.import(&file, &vessel_name);
    assert!(taken.status.success(), "{taken:?}");
    if mead.rested {
        let racked = visitor
            .form(&vessel, &format!("{vessel}/deed"))
            .with("what", "rack")
            .with("at", &local(begun + 6 * DAY))
            .with("note", "off the lees into the cold");
        visitor.submit(&racked);
    }
    let end = visitor.form_where(&vessel, |form| form.action.ends_with("/end"));
    let end = end.expect("a mead can be ended");
    visitor.submit(&end.with("at", &local(begun + 35 * DAY)));
}

#[test]
fn meads_of_years_are_found_and_compared() {
    let cellar = Cellar::new();
    let (daemon, visitor) = cellar.open();
    for (n, name) in [
        "Linden",
        "Clover",
        "Acacia",
        "Chestnut",
        "Buckwheat",
        "Orange blossom",
    ]
    .into_iter()
    .enumerate()
    {
        let n = n as i64;
        let usual = mead(name, "from the garden", 900 - 120 * n, 6.0 + 0.3 * n as f64);
        finished(&cellar, &visitor, &usual);
    }
    let rested = Mead {
        rested: true,
        ..mead("Abendrot", "Höhenhonig", 50, 6.6)
    };
    finished(&cellar, &visitor, &rested);
    for scripts in ["off", "on"] {
        browse("archive.mjs", &daemon.page, PASSWORD, scripts);
    }
}
