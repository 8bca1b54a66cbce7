//! The drawing, and the record it is drawn from.

use ebbmark_core::deed::What;
use ebbmark_core::hours::Hour;
use ebbmark_core::ids::VesselId;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Celsius, Gravity};
use ebbmark_store::model::StoredReading;
use ebbmark_store::{Reader, StoreError};
use maud::{Markup, html};

use super::{Story, Stretch};
use crate::chart::{self, Mark, Plot, Shape};
use crate::fault::Fault;
use crate::page::drawing;
use crate::visitor::Visitor;

/// Up to this long every reading is drawn, beyond it the hours are.
const SINGLE_READINGS: Span = Span::days(4);

/// What is drawn: from when, and the hours or readings since.
pub(super) struct Record {
    pub from: Moment,
    pub hours: Vec<Hour>,
    readings: Option<Vec<StoredReading>>,
}

impl Record {
    pub fn load(
        reader: &Reader,
        spans: &[(VesselId, Moment, Moment)],
        from: Moment,
        now: Moment,
    ) -> Result<Record, StoreError> {
        let mut hours = Vec::new();
        let mut readings = (now.since(from) <= SINGLE_READINGS).then(Vec::new);
        for (vessel, since, to) in spans {
            let since = (*since).max(from);
            hours.extend(reader.vessel_hours(*vessel, since, *to)?);
            if let Some(readings) = &mut readings {
                readings.extend(reader.vessel_readings(*vessel, since, *to)?);
            }
        }
        Ok(Record {
            from,
            hours,
            readings,
        })
    }
}

pub(super) fn show(visitor: &Visitor, story: &Story, stretch: Stretch) -> Result<Markup, Fault> {
    let plot = plot(visitor, story, stretch);
    let drawn = |shape| {
        chart::svg(&plot, shape)
            .map(drawing)
            .map_err(|e| Fault::broken(e.to_string()))
    };
    let id = story.vessel.id;
    let nothing = plot.gravity.is_empty() && plot.temperature.is_empty() && plot.hand.is_empty();
    Ok(html! {
        h2 #drawing { "The curve" }
        nav.stretches aria-label="Stretch of time" {
            @for (which, key, name) in Stretch::ALL {
                a href={ "/vessel/" (id) "?span=" (key) "#drawing" }
                    aria-current=[(which == stretch).then_some("true")] { (name) }
            }
        }
        @if nothing {
            p.aside { "No readings in this stretch of time." }
        } @else {
            figure {
                (drawn(Shape::Wide)?)
                (drawn(Shape::Tall)?)
                figcaption { (key(&plot, put_right(story))) }
            }
        }
        p.links {
            a href={ "/vessel/" (id) "/readings.csv" } download { "All readings as CSV" }
            a href={ "/vessel/" (id) "/hours.csv" } download { "By hours" }
            a href={ "/vessel/" (id) "/log.csv" } download { "The log as CSV" }
            @if let Some(batch) = &story.vessel.batch {
                a href={ "/archive?mead=" (batch.id) } { "Lay it beside others" }
            }
        }
    })
}

/// The curve is that of the mead, beside what the float reads.
fn put_right(story: &Story) -> bool {
    let float = story
        .verdict
        .as_ref()
        .and_then(|s| s.verdict.float.as_ref());
    float.is_some_and(|f| f.trued.is_some() || !f.jumps.is_empty())
}

fn key(plot: &Plot, put_right: bool) -> Markup {
    let forecast = plot.curve.iter().any(|p| p.at > plot.now);
    html! {
        @if !plot.gravity.is_empty() { span { i.key.gravity {} "gravity, shaded as far as readings spread" } }
        @if !plot.curve.is_empty() { span {
            i.key.fitted {} "fitted curve"
            @if put_right { ", the float put right" }
        } }
        @if forecast { span { i.key.ahead {} "forecast, and what the fitted curves leave open" } }
        @if !plot.hand.is_empty() { span { i.key.hand {} "read by hand" } }
        @if !plot.temperature.is_empty() { span { i.key.warmth {} "temperature" } }
    }
}

fn plot<'a>(visitor: &'a Visitor, story: &'a Story, stretch: Stretch) -> Plot<'a> {
    let record = &story.record;
    let (gravity, temperature) = match &record.readings {
        Some(readings) => (
            chart::of_readings(readings, |r| r.gravity),
            chart::of_readings(readings, |r| r.temperature),
        ),
        None => (
            chart::gravity_of_hours(&record.hours),
            chart::temperature_of_hours(&record.hours),
        ),
    };
    let verdict = story.verdict.as_ref().map(|s| &s.verdict);
    let curve = verdict.map_or(&[][..], |v| &v.curve);
    let lines = || story.mead_lines().filter(|l| l.deed.at >= record.from);
    let hand = lines()
        .filter(|l| l.deed.what == What::HandReading)
        .filter_map(|l| l.deed.gravity.map(|g| (l.deed.at, g.get())));
    let marks = lines()
        // Pushed down every other day, the drawing would be all marks.
        .filter(|l| {
            !matches!(
                l.deed.what,
                What::HandReading | What::PushDown | What::Clean | What::Taste | What::Remark
            )
        })
        .map(|l| Mark {
            at: l.deed.at,
            label: l.deed.what.label().to_owned(),
        });
    // Ahead of now at most half as far as behind, or the past would be pressed to the side.
    let behind = visitor.now.since(record.from);
    let ahead = curve.last().map_or(Span::ZERO, |p| p.at.since(visitor.now));
    let ahead = Span(ahead.0.clamp(0, behind.0 / 2));
    let batch = story.vessel.batch.as_ref();
    let mut plot = Plot {
        from: record.from,
        to: visitor.now + ahead,
        now: visitor.now,
        zone: &visitor.zone,
        prefs: visitor.prefs,
        gravity,
        temperature,
        curve,
        hand: hand.collect(),
        marks: marks.collect(),
        // In a close look it would only press the readings together.
        expected: batch
            .filter(|_| stretch == Stretch::All)
            .and_then(|b| b.facts.expected_final)
            .map(Gravity::get),
        title: format!("Gravity and temperature of {}", story.vessel.facts.name),
        description: String::new(),
    };
    plot.description = in_words(visitor, &plot);
    plot
}

/// The drawing for who cannot see it.
fn in_words(visitor: &Visitor, plot: &Plot) -> String {
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
