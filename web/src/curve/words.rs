//! A drawing for who cannot see it.

use ebbmark_core::units::{Celsius, Gravity};

use crate::chart::{Plot, Sample, Upper};
use crate::visitor::Visitor;

pub(super) fn of(visitor: &Visitor, plot: &Plot) -> String {
    let until = plot.to.min(plot.now);
    let mut words = format!(
        "From {} to {}.",
        visitor.day_and_time(plot.from),
        visitor.day_and_time(until)
    );
    let sg = |sg: f64| visitor.gravity(Gravity::computed(sg));
    let shown: Vec<&Sample> = plot.gravity.iter().filter(|s| plot.shows(s.at)).collect();
    if let (Some(first), Some(last)) = (shown.first(), shown.last()) {
        match plot.upper {
            Upper::Gravity => {
                words += &format!(" Gravity from {} to {}.", sg(first.mid), sg(last.mid));
            }
            Upper::Fall => {
                let most = shown.iter().max_by(|a, b| a.mid.total_cmp(&b.mid));
                let most = most.map_or(*first, |most| *most);
                words += &format!(
                    " At most it fell {} a day, {}; at last {} a day.",
                    visitor.a_day(most.mid),
                    visitor.day(most.at),
                    visitor.a_day(last.mid)
                );
            }
        }
    }
    let warmth = plot
        .temperature
        .iter()
        .fold(None, |range: Option<(f64, f64)>, s| {
            let (low, high) = range.unwrap_or((s.low, s.high));
            Some((low.min(s.low), high.max(s.high)))
        });
    let celsius = |c: f64| visitor.temperature(Celsius::computed(c));
    if let Some((low, high)) = warmth {
        words += &format!(
            " Temperature between {} and {}.",
            celsius(low),
            celsius(high)
        );
        match plot.wanted {
            (Some(low), Some(high)) => {
                words += &format!(" Wanted from {} to {}.", celsius(low), celsius(high));
            }
            (Some(low), None) => words += &format!(" Wanted above {}.", celsius(low)),
            (None, Some(high)) => words += &format!(" Wanted below {}.", celsius(high)),
            (None, None) => {}
        }
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
    let marks = plot.marks.iter().filter(|m| plot.shows(m.at)).count();
    let hand = plot.hand.iter().filter(|(at, _)| plot.shows(*at)).count();
    if marks + hand > 0 {
        words +=
            &format!(" {marks} deeds and {hand} hand readings are marked; the log lists them.");
    }
    words
}
