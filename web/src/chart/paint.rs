//! From the drawing library's SVG to ours: colours become classes, a name and a description go
//! in for who cannot see it, and the size gives way to the space there is.

use std::fmt::Write;

use plotters::style::RGBColor;

use super::Shape;
use super::draw::Places;
use super::marks::Spot;
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
    Gate,
    Wanted,
    WantedEdge,
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
    pub const ALL: [Paint; 27] = [
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
        Paint::Gate,
        Paint::Wanted,
        Paint::WantedEdge,
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
            Paint::Gate => "gate",
            Paint::Wanted => "wanted",
            Paint::WantedEdge => "wanted-edge",
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

/// `size` in units; `places`: where a finger and the script find things.
pub(super) fn finish(
    raw: &str,
    said: &Said,
    shape: Shape,
    size: (i32, i32),
    places: Option<&Places>,
) -> String {
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
    let spots = match shape {
        Shape::Picture => &[],
        _ => places.map_or(&[][..], |p| &p.spots),
    };
    // What can be walked into is no picture.
    let role = if spots.is_empty() { "img" } else { "group" };
    let mut out = String::with_capacity(body.len() + 512);
    let _ = write!(
        out,
        "<svg class=\"chart {name}\" viewBox=\"0 0 {width} {height}\" role=\"{role}\"{} \
         aria-labelledby=\"chart-{name}-title chart-{name}-desc\" \
         xmlns=\"http://www.w3.org/2000/svg\">\
         <title id=\"chart-{name}-title\">{}</title><desc id=\"chart-{name}-desc\">{}</desc>",
        places.map_or_else(String::new, panels),
        escape(said.title),
        escape(said.description),
    );
    match (
        spots,
        body.strip_suffix("</svg>\n")
            .or(body.strip_suffix("</svg>")),
    ) {
        ([_, ..], Some(open)) => {
            out.push_str(open);
            let below = places.map_or(0, |p| p.upper.0);
            for spot in spots {
                out.push_str(&link(spot, below));
            }
            out.push_str("</svg>");
        }
        _ => out.push_str(&body),
    }
    out
}

/// Where the panels lie, for the script that reads them out.
fn panels(places: &Places) -> String {
    let (top, bottom) = places.upper;
    let (lower_top, lower_bottom) = places.lower.unwrap_or_default();
    format!(
        " data-panels=\"{} {} {top} {bottom} {lower_top} {lower_bottom}\"",
        places.left, places.right
    )
}

/// Over the names and down to the panel.
fn link(spot: &Spot, below: i32) -> String {
    let says = spot.says.join("; ");
    let (x, width) = (spot.from * FINE, (spot.to - spot.from) * FINE);
    maud::html! {
        a.mark href=(spot.leads_to) aria-label=(says) {
            title { (says) }
            rect.hit x=(x) y="0" width=(width) height=(below + 4 * FINE) {}
        }
    }
    .into_string()
}

fn escape(text: &str) -> String {
    maud::html! { (text) }.into_string()
}
