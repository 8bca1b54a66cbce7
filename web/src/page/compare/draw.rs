//! The drawing.

use ebbmark_core::units::Quantity;
use ebbmark_core::units::{Celsius, Gravity};
use maud::{Markup, html};

use crate::chart::{self, Axis, Band, Line, Many, Part, Shape};
use crate::compared::{Compared, Mead, View};
use crate::fault::Fault;
use crate::page::drawing;
use crate::visitor::Visitor;

/// Air above and below the values, as a part of their range.
const AIR: f64 = 0.05;
/// The least that is shown of each, in whatever scale.
const LEAST_GRAVITY: f64 = 0.004;
const LEAST_WARMTH: f64 = 4.0;

pub(super) fn charts(visitor: &Visitor, compared: &Compared) -> Result<Markup, Fault> {
    let many = many(visitor, compared);
    let drawn = |shape| {
        chart::svg_of_many(&many, shape)
            .map(drawing)
            .map_err(|e| Fault::broken(e.to_string()))
    };
    Ok(html! {
        @if many.upper.lines.iter().all(|l| l.points.is_empty()) {
            p.sentence { "Nothing of these can be drawn this way." }
        } @else {
            (drawn(Shape::Wide)?)
            (drawn(Shape::Tall)?)
        }
    })
}

fn many(visitor: &Visitor, compared: &Compared) -> Many {
    let view = compared.view;
    let prefs = visitor.prefs;
    let shown = |value: f64| match view {
        View::Gravity => chart::gravity_shown(value, prefs),
        View::Time | View::Sugar => value,
    };
    let lines = |of: &dyn Fn(&Mead) -> Vec<(f64, f64)>| -> Vec<Line> {
        let meads = compared.meads.iter().enumerate();
        meads
            .map(|(which, mead)| Line {
                which,
                letter: mead.letter,
                points: of(mead),
            })
            .collect()
    };
    let upper = lines(&|m| {
        let curve = m.curve(view).into_iter();
        curve.map(|(x, y)| (x, shown(y))).collect()
    });
    let lower = lines(&|m| {
        let warmth = m.warmth(view).into_iter();
        let shown = warmth.map(|(x, c)| (x, chart::temperature_shown(c, prefs)));
        shown.collect()
    });
    let usual = compared.usual();
    let end = match view {
        View::Sugar => 100.0,
        View::Time | View::Gravity => {
            let xs = upper.iter().flat_map(|l| &l.points).map(|(x, _)| *x);
            xs.chain(usual.iter().map(|p| p[0])).fold(1.0, f64::max)
        }
    };
    let (name, low, high) = match view {
        View::Time => ("sugar left, % of what it took".to_owned(), 0.0, 100.0),
        View::Sugar => {
            let values = values(&upper).chain(usual.iter().map(|p| p[3]));
            let most = values.fold(1.0, f64::max);
            (
                "sugar used a day, % of what it took".to_owned(),
                0.0,
                most * (1.0 + AIR),
            )
        }
        View::Gravity => {
            let (low, high) = range(&upper, LEAST_GRAVITY);
            (named("gravity", Gravity::MEASURE.sign(prefs)), low, high)
        }
    };
    let (coolest, warmest) = range(&lower, LEAST_WARMTH);
    let across = match view {
        View::Time | View::Gravity => "days since the pitch",
        View::Sugar => "sugar used, % of what it took",
    };
    Many {
        title: format!("{} of {} meads", view.label(), compared.meads.len()),
        description: in_words(compared),
        across: Axis {
            name: across.to_owned(),
            from: 0.0,
            to: end,
        },
        upper: Part {
            name,
            low,
            high,
            lines: upper,
        },
        lower: Part {
            name: named("temperature", Celsius::MEASURE.sign(prefs)),
            low: coolest,
            high: warmest,
            lines: lower,
        },
        band: (!usual.is_empty()).then_some(Band { places: usual }),
    }
}

fn named(what: &str, unit: &str) -> String {
    if unit.is_empty() {
        what.to_owned()
    } else {
        format!("{what}, {unit}")
    }
}

fn values(lines: &[Line]) -> impl Iterator<Item = f64> {
    lines.iter().flat_map(|l| &l.points).map(|(_, y)| *y)
}

/// Where the values lie, with some air; at least so high, or a draught would look like a season.
fn range(lines: &[Line], least: f64) -> (f64, f64) {
    let low = values(lines).fold(f64::INFINITY, f64::min);
    let high = values(lines).fold(f64::NEG_INFINITY, f64::max);
    if low > high {
        return (0.0, least);
    }
    let spare = (least - (high - low)).max(0.0) / 2.0;
    let air = AIR * (high - low).max(least);
    (low - spare - air, high + spare + air)
}

/// The drawing for who cannot see it.
fn in_words(compared: &Compared) -> String {
    let mut words = String::new();
    for mead in &compared.meads {
        words += &format!("{}: {}", mead.letter, mead.batch.facts.name);
        let review = &mead.summary.review;
        if let (Some(half), Some(most)) = (review.half, review.ninety_nine) {
            words += &format!(
                ", half of its sugar used after {:.1} days and 99 % after {:.1}",
                half.as_days(),
                most.as_days()
            );
        }
        words += ". ";
    }
    if let Some(band) = &compared.band {
        words += &format!("Behind them lies what is usual of {} others. ", band.of);
    }
    words += "The table below has the figures.";
    words
}
