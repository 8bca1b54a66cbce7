//! The drawing of gravity and temperature over time, as SVG for the page.
//!
//! The library draws whole pixels and fixed colours. So it draws at four times the size, which
//! makes its pixels fine enough, in colours that stand for a meaning; `paint` then turns those
//! into classes, and the style sheet colours them for light and dark.

mod axes;
mod bitmap;
mod draw;
mod envelope;
mod layout;
mod many;
mod marks;
mod paint;
mod pen;
mod scale;
mod spark;

use ebbmark_core::time::Moment;
use ebbmark_core::units::Preferences;
use ebbmark_core::verdict::outcome::BandPoint;
use jiff::tz::TimeZone;
use paint::Said;

pub(crate) use bitmap::can_write;
pub(crate) use envelope::{Sample, gravity_of_hours, of_readings, temperature_of_hours};
pub(crate) use many::{Axis, Band, Line, MOST as MOST_LINES, Many, Part, class as line_class};
pub(crate) use marks::{Mark, MarkKind};
pub(crate) use scale::{Scales, gravity as gravity_shown, temperature as temperature_shown};
pub(crate) use spark::{SPARK_POINTS, spark};

/// What the upper panel shows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Upper {
    /// SG, shown in the visitor's scale.
    #[default]
    Gravity,
    /// How much it falls a day, in the visitor's scale already.
    Fall,
}

/// What is drawn. Gravity in SG, temperature in °C; shown in the visitor's scales.
pub(crate) struct Plot<'a> {
    pub from: Moment,
    pub to: Moment,
    pub now: Moment,
    pub zone: &'a TimeZone,
    pub prefs: Preferences,
    pub upper: Upper,
    /// The samples of the upper panel.
    pub gravity: Vec<Sample>,
    /// Their lows and highs are what is not known, rather than how far readings spread.
    pub unsure: bool,
    pub temperature: Vec<Sample>,
    pub curve: &'a [BandPoint],
    /// Readings taken by hand: when, and SG.
    pub hand: Vec<(Moment, f64)>,
    pub marks: Vec<Mark>,
    /// Where the maker expects it to end, SG.
    pub expected: Option<f64>,
    /// How warm it is wanted, from and to.
    pub wanted: (Option<f64>, Option<f64>),
    /// Over a picture that is sent alone.
    pub heading: String,
    pub title: String,
    /// In words, for who cannot see it.
    pub description: String,
}

impl Plot<'_> {
    /// From a value of the upper panel to what is shown.
    pub fn upper_shown(&self, value: f64) -> f64 {
        match self.upper {
            Upper::Gravity => scale::gravity(value, self.prefs),
            Upper::Fall => value,
        }
    }

    pub fn shows(&self, at: Moment) -> bool {
        at >= self.from && at <= self.to
    }

    pub fn is_empty(&self) -> bool {
        self.gravity.is_empty() && self.temperature.is_empty() && self.hand.is_empty()
    }
}

/// The samples of a stretch, at most so many to a run.
pub(crate) fn folded(samples: &[Sample], plot: &Plot, places: u32) -> Vec<Sample> {
    let runs = envelope::fold(samples, plot.from, plot.to, places);
    runs.into_iter().flatten().collect()
}

/// One drawing for a wide window and one for a phone: scaling a single one down would leave its
/// letters too small to read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Shape {
    Wide,
    Tall,
    /// For a card, on paper too: a strip.
    Low,
    /// To be sent alone, with a heading and what its lines mean.
    Picture,
}

#[derive(Debug, thiserror::Error)]
#[error("the chart could not be drawn: {0}")]
pub(crate) struct ChartError(String);

/// # Errors
/// The drawing library gave up.
pub(crate) fn svg(plot: &Plot, shape: Shape) -> Result<String, ChartError> {
    let drawing = draw::draw(plot, shape).map_err(|e| ChartError(e.to_string()))?;
    let said = Said {
        title: &plot.title,
        description: &plot.description,
    };
    Ok(paint::finish(
        &drawing.raw,
        &said,
        shape,
        layout::layout(shape).size(),
        Some(&drawing.places),
    ))
}

/// As a PNG in light colours: its bytes, width and height.
///
/// # Errors
/// The drawing library gave up.
pub(crate) fn png(plot: &Plot) -> Result<(Vec<u8>, u32, u32), ChartError> {
    bitmap::of(&svg(plot, Shape::Picture)?).map_err(ChartError)
}

/// Several meads over one another.
///
/// # Errors
/// The drawing library gave up.
pub(crate) fn svg_of_many(many: &Many, shape: Shape) -> Result<String, ChartError> {
    let raw = many::draw(many, shape).map_err(|e| ChartError(e.to_string()))?;
    let said = Said {
        title: &many.title,
        description: &many.description,
    };
    Ok(paint::finish(&raw, &said, shape, many::size(shape), None))
}

#[cfg(test)]
mod tests;
