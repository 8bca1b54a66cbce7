//! From the drawing library's SVG to ours: colours become classes, a name and a description go
//! in for who cannot see it, and the size gives way to the space there is.

use std::fmt::Write;

use plotters::style::RGBColor;

use super::Shape;
use super::pen::FINE;

/// What a stroke or an area means. Each has a colour no drawing would use, to be found again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Paint {
    Grid,
    Frame,
    Words,
    Gravity,
    GravitySpread,
    Temperature,
    TemperatureSpread,
    Curve,
    Forecast,
    Band,
    Hand,
    Mark,
    MarkWords,
    Expected,
    Now,
    Usual,
    UsualMiddle,
    One,
    Two,
    Three,
    Four,
    Five,
    Six,
    LineWords,
}

/// What a drawing says of itself, for who cannot see it.
pub(super) struct Said<'a> {
    pub title: &'a str,
    pub description: &'a str,
}

impl Paint {
    pub const ALL: [Paint; 24] = [
        Paint::Grid,
        Paint::Frame,
        Paint::Words,
        Paint::Gravity,
        Paint::GravitySpread,
        Paint::Temperature,
        Paint::TemperatureSpread,
        Paint::Curve,
        Paint::Forecast,
        Paint::Band,
        Paint::Hand,
        Paint::Mark,
        Paint::MarkWords,
        Paint::Expected,
        Paint::Now,
        Paint::Usual,
        Paint::UsualMiddle,
        Paint::One,
        Paint::Two,
        Paint::Three,
        Paint::Four,
        Paint::Five,
        Paint::Six,
        Paint::LineWords,
    ];

    /// Curves of several meads, to be told apart.
    pub const LINES: [Paint; 6] = [
        Paint::One,
        Paint::Two,
        Paint::Three,
        Paint::Four,
        Paint::Five,
        Paint::Six,
    ];

    pub fn colour(self) -> RGBColor {
        RGBColor(1, 0, self as u8)
    }

    pub fn class(self) -> &'static str {
        match self {
            Paint::Grid => "grid",
            Paint::Frame => "frame",
            Paint::Words => "words",
            Paint::Gravity => "gravity",
            Paint::GravitySpread => "gravity-spread",
            Paint::Temperature => "temperature",
            Paint::TemperatureSpread => "temperature-spread",
            Paint::Curve => "curve",
            Paint::Forecast => "forecast",
            Paint::Band => "band",
            Paint::Hand => "hand",
            Paint::Mark => "mark",
            Paint::MarkWords => "mark-words",
            Paint::Expected => "expected",
            Paint::Now => "now",
            Paint::Usual => "usual",
            Paint::UsualMiddle => "usual-middle",
            Paint::One => "one",
            Paint::Two => "two",
            Paint::Three => "three",
            Paint::Four => "four",
            Paint::Five => "five",
            Paint::Six => "six",
            Paint::LineWords => "line-words",
        }
    }
}

/// `size` in units.
pub(super) fn finish(raw: &str, said: &Said, shape: Shape, size: (i32, i32)) -> String {
    // Text inside the drawing is escaped by the library, quotes included, so none of these
    // patterns can be met in a vessel's name.
    let mut body = raw
        .split_once('>')
        .map_or("", |(_, rest)| rest)
        .replace(" opacity=\"1\"", "")
        .replace(" font-family=\"sans-serif\"", "")
        .replace(" stroke=\"none\"", "")
        .replace(" \"/>", "\"/>");
    for paint in Paint::ALL {
        let RGBColor(r, g, b) = paint.colour();
        for (attribute, prefix) in [("stroke", "s"), ("fill", "f")] {
            body = body.replace(
                &format!("{attribute}=\"#{r:02X}{g:02X}{b:02X}\""),
                &format!("class=\"{prefix}-{}\"", paint.class()),
            );
        }
    }
    let (width, height) = (size.0 * FINE, size.1 * FINE);
    let name = match shape {
        Shape::Wide => "wide",
        Shape::Tall => "tall",
        Shape::Low => "low",
        Shape::Picture => "picture",
    };
    let mut out = String::with_capacity(body.len() + 512);
    let _ = write!(
        out,
        "<svg class=\"chart {name}\" viewBox=\"0 0 {width} {height}\" role=\"img\" \
         aria-labelledby=\"chart-{name}-title chart-{name}-desc\" \
         xmlns=\"http://www.w3.org/2000/svg\">\
         <title id=\"chart-{name}-title\">{}</title><desc id=\"chart-{name}-desc\">{}</desc>",
        escape(said.title),
        escape(said.description),
    );
    out.push_str(&body);
    out
}

fn escape(text: &str) -> String {
    maud::html! { (text) }.into_string()
}
