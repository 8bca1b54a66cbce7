//! A drawing for who cannot see it.

use ebbmark_core::units::{Celsius, Gravity};

use crate::chart::Plot;
use crate::visitor::Visitor;

pub(super) fn of(visitor: &Visitor, plot: &Plot) -> String {
    let mut words = format!(
        "From {} to {}.",
        visitor.day_and_time(plot.from),
        visitor.day_and_time(plot.now)
    );
    let sg = |sg: f64| visitor.gravity(Gravity::computed(sg));
    if let (Some(first), Some(last)) = (plot.gravity.first(), plot.gravity.last()) {
        words += &format!(" Gravity from {} to {}.", sg(first.mid), sg(last.mid));
    }
    let warmth = plot
        .temperature
        .iter()
        .fold(None, |range: Option<(f64, f64)>, s| {
            let (low, high) = range.unwrap_or((s.low, s.high));
            Some((low.min(s.low), high.max(s.high)))
        });
    if let Some((low, high)) = warmth {
        let t = |c: f64| visitor.temperature(Celsius::computed(c));
        words += &format!(" Temperature between {} and {}.", t(low), t(high));
    }
    if let Some(end) = plot.curve.last().filter(|p| p.at > plot.now) {
        words += &format!(
            " The forecast reaches {} on {}, likely within {} and {}.",
            sg(end.mid),
            visitor.day(end.at),
            sg(end.low),
            sg(end.high)
        );
    }
    if !plot.marks.is_empty() || !plot.hand.is_empty() {
        words += &format!(
            " {} deeds and {} hand readings are marked; the log lists them.",
            plot.marks.len(),
            plot.hand.len()
        );
    }
    words
}
