//! The curve of a mead's whole life, as a strip.

use ebbmark_core::card::Record;
use ebbmark_core::deed::What;
use ebbmark_core::hours::{HOUR_MS, Hour};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::Gravity;
use maud::{Markup, html};

use crate::chart::{self, Mark, MarkKind, Plot, Shape, Upper};
use crate::fault::Fault;
use crate::page::drawing;
use crate::visitor::Visitor;

pub(super) fn show(visitor: &Visitor, record: &Record) -> Result<Markup, Fault> {
    let plot = plot(visitor, record);
    if plot.is_empty() {
        return Ok(html! {});
    }
    let drawn = |shape| {
        chart::svg(&plot, shape)
            .map(drawing)
            .map_err(|e| Fault::broken(e.to_string()))
    };
    Ok(html! { figure { (drawn(Shape::Low)?) (drawn(Shape::Tall)?) } })
}

/// What would only crowd the drawing.
fn crowds(what: What) -> bool {
    matches!(
        what,
        What::HandReading
            | What::TestFerment
            | What::Rouse
            | What::PushDown
            | What::Clean
            | What::Taste
            | What::Remark
    )
}

/// What goes on after a mead is closed up.
fn waits(what: What) -> bool {
    matches!(what, What::Taste | What::Clean | What::Remark)
}

fn plot<'a>(visitor: &'a Visitor, record: &Record) -> Plot<'a> {
    let until = record.ended.unwrap_or(record.now);
    let within = |h: &&Hour| {
        let at = h.index * HOUR_MS;
        at >= record.pitched.0 && at <= until.0
    };
    let hours: Vec<_> = record.hours.iter().filter(within).copied().collect();
    let deeds = || {
        let all = record.deeds.iter();
        all.filter(|d| d.at >= record.pitched && d.at <= until)
    };
    let hand: Vec<_> = deeds()
        .filter_map(|d| Some((d.at, d.read()?.get())))
        .collect();
    let marks = deeds().filter(|d| !crowds(d.what)).map(|d| Mark {
        at: d.at,
        label: d.what.label().to_owned(),
        says: String::new(),
        leads_to: String::new(),
        kind: MarkKind::Deed,
    });
    let gravity = chart::gravity_of_hours(&hours);
    // Months in the bottle would only press the rest together.
    let told = hours.iter().rev().find(|h| h.gravity.is_some());
    let told = told.map(|h| Moment((h.index + 1) * HOUR_MS));
    let done = deeds().filter(|d| !waits(d.what)).map(|d| d.at);
    let last = done.chain(told).max().unwrap_or(until);
    let to = (last + Span(last.since(record.pitched).0 / 30)).min(until);
    let mut description = format!(
        "From {} to {}.",
        visitor.date(record.pitched),
        visitor.date(to)
    );
    let sg = |sg: f64| visitor.gravity(Gravity::computed(sg));
    if let (Some(first), Some(last)) = (gravity.first(), gravity.last()) {
        description += &format!(" Gravity from {} to {}.", sg(first.mid), sg(last.mid));
    }
    Plot {
        from: record.pitched,
        to,
        now: to,
        zone: &visitor.zone,
        prefs: visitor.prefs,
        temperature: chart::temperature_of_hours(&hours),
        gravity,
        curve: &[],
        hand,
        marks: marks.collect(),
        upper: Upper::Gravity,
        unsure: false,
        expected: None,
        wanted: (None, None),
        heading: String::new(),
        title: format!("Gravity and temperature of {}", record.name),
        description,
    }
}
