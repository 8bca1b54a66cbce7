use ebbmark_core::time::Span;

use super::*;

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
        gravity: (0..hours)
            .map(|i| sample(i, 1.0 + 0.1 * (-i as f64 / 300.0).exp(), 0.001))
            .collect(),
        temperature: (0..hours)
            .map(|i| sample(i, 18.0 + (i as f64 / 24.0).sin(), 0.2))
            .collect(),
        curve: &[],
        hand: vec![(from + Span::days(40), 1.05)],
        marks: vec![
            Mark {
                at: from,
                label: "pitched".to_owned(),
            },
            Mark {
                at: from + Span::days(100),
                label: "racked <&\" onmouseover=\"x".to_owned(),
            },
        ],
        expected: Some(1.0),
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
    assert!(!svg.contains("=\"#"), "a colour was left in");
    assert!(svg.contains("role=\"img\""));
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
