use ebbmark_core::time::Span;

use super::*;

fn mark(at: Moment, label: &str) -> Mark {
    Mark {
        at,
        label: label.to_owned(),
        says: format!("{label}, with care"),
        leads_to: "#line-1".to_owned(),
        kind: MarkKind::Deed,
    }
}

/// A year of minute readings would be half a million samples; the page draws such a span from
/// hours, each with its extremes.
fn year() -> Plot<'static> {
    const UTC: &TimeZone = &TimeZone::UTC;
    let from = Moment::parse_rfc3339("2026-01-01T00:00:00Z").unwrap();
    let hours = 365 * 24;
    let sample = |i: i64, mid: f64, spread: f64| Sample {
        at: from + Span::hours(i),
        low: mid - spread,
        mid,
        high: mid + spread,
    };
    let now = from + Span::hours(hours);
    Plot {
        from,
        to: now + Span::days(20),
        now,
        zone: UTC,
        prefs: Preferences::default(),
        upper: Upper::Gravity,
        unsure: false,
        wanted: (Some(16.0), Some(22.0)),
        gravity: (0..hours)
            .map(|i| sample(i, 1.0 + 0.1 * (-i as f64 / 300.0).exp(), 0.001))
            .collect(),
        temperature: (0..hours)
            .map(|i| sample(i, 18.0 + (i as f64 / 24.0).sin(), 0.2))
            .collect(),
        curve: &[],
        hand: vec![(from + Span::days(40), 1.05)],
        marks: vec![
            mark(from, "pitched"),
            mark(from + Span::days(100), "racked <&\" onmouseover=\"x"),
        ],
        expected: Some(1.0),
        heading: String::new(),
        title: "Gravity of <script>alert(1)</script>".to_owned(),
        description: "From \"here\" to <there>.".to_owned(),
    }
}

#[test]
fn a_year_stays_small() {
    for shape in [Shape::Wide, Shape::Tall] {
        let svg = svg(&year(), shape).unwrap();
        assert!(svg.len() < 200_000, "{shape:?}: {} bytes", svg.len());
    }
}

#[test]
fn no_colour_of_its_own_and_a_name_for_who_cannot_see_it() {
    let svg = svg(&year(), Shape::Wide).unwrap();
    assert!(!svg.contains("=\"#0"), "a colour was left in: {svg}");
    assert!(svg.contains("role=\"group\""));
    assert!(svg.contains("viewBox=\"0 0 3600 1760\""));
    assert!(!svg.contains(" width=\"3600\""));
    assert!(
        !svg.contains("style="),
        "the content policy forbids style attributes"
    );
    assert!(svg.contains("class=\"s-gravity\""));
    assert!(svg.contains("class=\"f-temperature-spread\""));
    assert!(svg.contains("class=\"f-hand\""));
    assert!(svg.contains("expected end"));
}

#[test]
fn words_from_outside_are_escaped() {
    let svg = svg(&year(), Shape::Tall).unwrap();
    assert!(!svg.contains("<script"));
    assert!(svg.contains("Gravity of &lt;script&gt;"));
    assert!(svg.contains("racked &lt;&amp;&quot; onmouseover=&quot;x"));
}

#[test]
fn forecast_and_band_lie_ahead_of_now() {
    let mut plot = year();
    let curve: Vec<BandPoint> = (-5..20)
        .map(|d| BandPoint {
            at: plot.now + Span::days(d),
            mid: 1.01,
            low: 1.005,
            high: 1.02,
        })
        .collect();
    plot.curve = &curve;
    let drawn = svg(&plot, Shape::Wide).unwrap();
    for class in ["s-curve", "s-forecast", "f-band"] {
        assert!(drawn.contains(&format!("class=\"{class}\"")), "{class}");
    }
    assert!(drawn.contains(">\nnow\n<"));
    plot.to = plot.now;
    let without = svg(&plot, Shape::Wide).unwrap();
    assert!(
        !without.contains("f-band"),
        "nothing is drawn beyond the end"
    );
}

#[test]
fn nothing_to_draw_is_drawn_as_nothing() {
    let mut plot = year();
    plot.gravity.clear();
    plot.temperature.clear();
    plot.hand.clear();
    plot.expected = None;
    plot.to = plot.from;
    plot.now = plot.from;
    assert!(svg(&plot, Shape::Tall).is_ok());
}

/// Pixels of a picture that are of this colour, within that many steps of each part.
fn pixels_of(picture: &resvg::tiny_skia::Pixmap, colour: (u8, u8, u8), within: u8) -> usize {
    let near = |a: u8, b: u8| a.abs_diff(b) <= within;
    let is_it = |p: &&resvg::tiny_skia::PremultipliedColorU8| {
        near(p.red(), colour.0) && near(p.green(), colour.1) && near(p.blue(), colour.2)
    };
    picture.pixels().iter().filter(is_it).count()
}

#[test]
fn the_picture_is_light_has_lines_and_words_and_stays_small() {
    let mut plot = year();
    let (bare, ..) = png(&plot).unwrap();
    plot.heading = "Cask: Linden, żółć".to_owned();
    let (bytes, width, height) = png(&plot).unwrap();
    assert!(bytes.len() < 200_000, "{} bytes", bytes.len());
    let picture = resvg::tiny_skia::Pixmap::decode_png(&bytes).unwrap();
    assert_eq!((picture.width(), picture.height()), (width, height));
    assert_eq!((width, height), (1280, 1000));
    // The colours of the light book: gravity, temperature, and white paper under it all.
    assert!(pixels_of(&picture, (0x7a, 0x41, 0x08), 8) > 1000);
    assert!(pixels_of(&picture, (0x2f, 0x64, 0x74), 8) > 1000);
    assert!(pixels_of(&picture, (255, 255, 255), 0) > 640_000);
    // What the heading adds is ink.
    let bare = resvg::tiny_skia::Pixmap::decode_png(&bare).unwrap();
    let ink = |p| pixels_of(p, (0x2b, 0x25, 0x1d), 40);
    assert!(
        ink(&picture) > ink(&bare) + 300,
        "{} {}",
        ink(&picture),
        ink(&bare)
    );
}

#[test]
fn a_spike_of_one_minute_in_a_year_is_in_the_picture() {
    let plain = year();
    let mut spiked = year();
    // One reading of the hour stood high: its hour's extreme, whatever its middle.
    spiked.gravity[4000].high = 1.09;
    let spread = |plot: &Plot| {
        let picture = resvg::tiny_skia::Pixmap::decode_png(&png(plot).unwrap().0).unwrap();
        let (width, rows) = (picture.width() as usize, picture.height() as usize);
        let at = |x: usize, y: usize| picture.pixels()[y * width + x];
        // Along the line half way up the panel, right of where the curve has come down.
        (width / 3..width - 20)
            .flat_map(|x| (rows / 4..rows / 3).map(move |y| (x, y)))
            .filter(|(x, y)| {
                let p = at(*x, *y);
                p.red() > p.blue().saturating_add(60)
            })
            .count()
    };
    assert_eq!(spread(&plain), 0);
    assert!(spread(&spiked) > 20, "{}", spread(&spiked));
}
