//! Ours beside what was published, value by value.
//!
//! The table in `daemon/core/CHECKS.md` is made from this same data, and this test fails when a
//! value leaves its tolerance or the table is not the one these data make. Made anew with
//! `EBBMARK_WRITE=1 cargo test -p ebbmark-core --test published`.

mod acid;
mod additives;
mod carbonation;
mod density;
mod heat;
mod optical;
mod room;
mod strength;
mod sugar;
mod table;

/// One published value and ours.
pub struct Check {
    /// What it is, with its inputs: "sucrose solution of 10 % by mass at 20 °C".
    pub what: String,
    pub unit: &'static str,
    pub published: f64,
    pub ours: f64,
    pub tolerance: f64,
}

/// Checks against one source. `source` says what was read; a value that was typed out by somebody
/// else says so. `why` tells why this tolerance.
pub struct Source {
    pub topic: &'static str,
    pub source: &'static str,
    pub why: &'static str,
    pub checks: Vec<Check>,
}

/// In the order of the table.
fn all() -> Vec<Source> {
    [
        density::sources(),
        sugar::sources(),
        strength::sources(),
        optical::sources(),
        additives::sources(),
        acid::sources(),
        heat::sources(),
        carbonation::sources(),
        room::sources(),
    ]
    .into_iter()
    .flatten()
    .collect()
}

#[test]
fn every_published_value_is_met() {
    let mut missed = Vec::new();
    for source in all() {
        for check in &source.checks {
            let off = (check.ours - check.published).abs();
            if off.is_nan() || off > check.tolerance {
                missed.push(format!(
                    "{}: {} {} against {} published ({})",
                    check.what, check.ours, check.unit, check.published, source.source
                ));
            }
        }
    }
    assert!(missed.is_empty(), "{}", missed.join("\n"));
}

#[test]
fn the_table_is_true() {
    table::compare_or_write(&all());
}
