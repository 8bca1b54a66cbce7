//! Draws a plot with the library's elements, in our own pixel scales.

use ebbmark_core::time::Moment;
use ebbmark_core::units::{Celsius, Gravity, Quantity};
use plotters::style::Color;
use plotters::style::text_anchor::{HPos, VPos};

use super::axes::{time_ticks, value_ticks};
use super::envelope::fold;
use super::layout::{Layout, ROW, layout};
use super::marks::{self, MarkKind, Placed, Spot};
use super::paint::Paint;
use super::pen::{FINE, Outcome, Pen, drawn};
use super::scale::{self, Panel, Scales};
use super::{Plot, Sample, Shape, Upper};

/// The drawing as the library wrote it, and where on it things are.
pub(super) struct Drawn {
    pub raw: String,
    pub places: Places,
}

/// In the library's pixels.
#[derive(Debug, Default, PartialEq)]
pub(super) struct Places {
    pub left: i32,
    pub right: i32,
    /// Top and bottom of the panels.
    pub upper: (i32, i32),
    pub lower: Option<(i32, i32)>,
    pub spots: Vec<Spot>,
}

pub(super) fn draw(plot: &Plot, shape: Shape) -> Result<Drawn, Box<dyn std::error::Error>> {
    let layout = layout(shape);
    let mut places = Places::default();
    let raw = drawn(layout.size(), |pen| {
        let alone = shape == Shape::Picture;
        let drawing = Drawing {
            plot,
            layout: &layout,
            pen,
            alone,
        };
        places = drawing.all()?;
        Ok(())
    })?;
    Ok(Drawn { raw, places })
}

struct Drawing<'a, 'b> {
    plot: &'a Plot<'a>,
    layout: &'a Layout,
    pen: &'a Pen<'a, 'b>,
    /// No page around it says what it is.
    alone: bool,
}

impl Drawing<'_, '_> {
    fn all(&self) -> Result<Places, Box<dyn std::error::Error>> {
        let plot = self.plot;
        let columns = (self.layout.width - self.layout.left).unsigned_abs();
        let to_upper = |value: f64| plot.upper_shown(value);
        let to_temperature = |c: f64| scale::temperature(c, plot.prefs);
        let gravity = shown(plot, &plot.gravity, columns, &to_upper);
        let temperature = shown(plot, &plot.temperature, columns, &to_temperature);
        let scales = Scales::of(plot);

        let curve: Vec<_> = plot.curve.iter().filter(|p| plot.shows(p.at)).collect();
        let hand: Vec<_> = plot.hand.iter().filter(|(at, _)| plot.shows(*at)).collect();

        let marked = marks::place(plot, self.layout);
        let used_rows = marked
            .iter()
            .filter_map(|m| m.row)
            .max()
            .map_or(0, |r| r + 1);
        let Layout { head, foot, .. } = *self.layout;
        let top = head + used_rows as i32 * ROW + ROW + 4;
        let bottom = self.layout.height - foot - ROW - 8;
        let between = ROW + 10;
        let cut = match scales.temperature {
            Some(_) => bottom - ((bottom - top) as f64 * self.layout.temperature_part) as i32,
            None => bottom + between,
        };
        let panel = |top: i32, bottom: i32, (low, high): (f64, f64)| Panel {
            left: self.layout.left * FINE,
            right: self.layout.right() * FINE,
            top: top * FINE,
            bottom: bottom * FINE,
            from: plot.from,
            to: plot.to,
            low,
            high,
        };
        let upper = panel(top, cut - between, scales.upper.unwrap_or((0.0, 1.0)));
        let lower = scales.temperature.map(|r| panel(cut, bottom, r));

        let (gravity_ticks, temperature_ticks) = self.layout.value_ticks;
        self.frame(&upper, scales.upper.is_some(), gravity_ticks)?;
        // A fall may be a rise: where that begins is to be seen.
        if plot.upper == Upper::Fall {
            let y = upper.y(0.0);
            let level = vec![(upper.left, y), (upper.right, y)];
            self.pen.path(level, Paint::Frame, 1)?;
        }
        if let Some(lower) = &lower {
            self.wanted(lower, to_temperature)?;
            self.frame(lower, true, temperature_ticks)?;
        }
        self.times(&upper, lower.as_ref(), bottom)?;
        self.names(&upper, lower.as_ref())?;
        for mark in &marked {
            self.mark(mark, &upper, lower.as_ref())?;
        }

        let to_xy = |at: Moment, sg: f64| (upper.x(at), upper.y(to_upper(sg)));
        let shading = match plot.unsure {
            true => Paint::Band,
            false => Paint::GravitySpread,
        };
        self.spread(&upper, &gravity, shading)?;
        // From the last point before now, so that the forecast hangs together with the curve.
        let behind = curve.partition_point(|p| p.at <= plot.now);
        let ahead = match curve.get(behind..) {
            Some([_, ..]) => curve.get(behind.saturating_sub(1)..).unwrap_or_default(),
            _ => &[],
        };
        if ahead.len() > 1 {
            let rim = ahead
                .iter()
                .map(|p| to_xy(p.at, p.high))
                .chain(ahead.iter().rev().map(|p| to_xy(p.at, p.low)));
            self.pen.polygon(rim.collect(), Paint::Band)?;
        }
        self.line(&upper, &gravity, Paint::Gravity)?;
        let behind = curve.iter().take(behind);
        self.pen.path(
            behind.map(|p| to_xy(p.at, p.mid)).collect(),
            Paint::Curve,
            2,
        )?;
        self.pen.path(
            ahead.iter().map(|p| to_xy(p.at, p.mid)).collect(),
            Paint::Forecast,
            2,
        )?;
        // After the lines: its words stand on a rim of paper where one crosses them.
        self.expected(&upper, to_upper)?;
        for (at, sg) in hand {
            self.pen
                .dot(to_xy(*at, *sg), 5, Paint::Hand.colour().filled())?;
        }
        if let Some(lower) = &lower {
            self.spread(lower, &temperature, Paint::TemperatureSpread)?;
            self.line(lower, &temperature, Paint::Temperature)?;
        }
        if self.alone {
            self.heading()?;
            self.key(!gravity.is_empty(), ahead.len() > 1)?;
        }
        Ok(Places {
            left: upper.left,
            right: upper.right,
            upper: (upper.top, upper.bottom),
            lower: lower.map(|panel| (panel.top, panel.bottom)),
            spots: marks::spots(&marked),
        })
    }

    fn heading(&self) -> Outcome {
        let at = (10 * FINE, 4 * FINE);
        self.pen.words(
            &self.plot.heading,
            at,
            Paint::MarkWords,
            HPos::Left,
            VPos::Top,
        )
    }

    /// What the lines mean, in a row at the lower edge.
    fn key(&self, gravity: bool, forecast: bool) -> Outcome {
        let plot = self.plot;
        let upper = match plot.upper {
            Upper::Gravity => "gravity",
            Upper::Fall => "fall per day",
        };
        let entries = [
            (gravity, upper, Paint::Gravity),
            (!plot.curve.is_empty(), "fitted", Paint::Curve),
            (forecast, "forecast", Paint::Forecast),
            (!plot.hand.is_empty(), "by hand", Paint::Hand),
            (
                !plot.temperature.is_empty(),
                "temperature",
                Paint::Temperature,
            ),
        ];
        let y = (self.layout.height - ROW / 2 - 4) * FINE;
        let mut x = self.layout.left;
        for (_, words, paint) in entries.into_iter().filter(|(there, ..)| *there) {
            if paint == Paint::Hand {
                let at = ((x + 13) * FINE, y);
                self.pen.dot(at, 5, paint.colour().filled())?;
            } else {
                let sample = vec![(x * FINE, y), ((x + 26) * FINE, y)];
                self.pen.path(sample, paint, 2)?;
            }
            let at = ((x + 32) * FINE, y);
            self.pen
                .words(words, at, Paint::Words, HPos::Left, VPos::Center)?;
            let long = i32::try_from(words.chars().count()).unwrap_or_default();
            x += 32 + long * self.layout.letter + 14;
        }
        Ok(())
    }

    fn frame(&self, panel: &Panel, has_values: bool, most: usize) -> Outcome {
        if has_values {
            for tick in value_ticks(panel.low, panel.high, most) {
                let y = panel.y(tick.at);
                self.pen
                    .path(vec![(panel.left, y), (panel.right, y)], Paint::Grid, 1)?;
                let at = (panel.left - 7 * FINE, y);
                self.pen
                    .words(&tick.label, at, Paint::Words, HPos::Right, VPos::Center)?;
            }
        }
        let corner = vec![(panel.left, panel.bottom), (panel.right, panel.bottom)];
        self.pen.path(corner, Paint::Frame, 1)
    }

    fn times(&self, upper: &Panel, lower: Option<&Panel>, bottom: i32) -> Outcome {
        let plot = self.plot;
        for tick in time_ticks(plot.from, plot.to, plot.zone, self.layout.time_ticks) {
            let x = upper.x(tick.at);
            for panel in std::iter::once(upper).chain(lower) {
                self.pen
                    .path(vec![(x, panel.top), (x, panel.bottom)], Paint::Grid, 1)?;
            }
            let at = (x, (bottom + 6) * FINE);
            self.pen
                .words(&tick.label, at, Paint::Words, HPos::Center, VPos::Top)?;
        }
        Ok(())
    }

    /// What the panels show, and where now is.
    fn names(&self, upper: &Panel, lower: Option<&Panel>) -> Outcome {
        let name = |panel: &Panel, text: &str| {
            let at = (panel.left, panel.top - 6 * FINE);
            self.pen
                .words(text, at, Paint::Words, HPos::Left, VPos::Bottom)
        };
        let plot = self.plot;
        let sign = Gravity::MEASURE.sign(plot.prefs);
        match plot.upper {
            Upper::Gravity => name(upper, &format!("gravity, {sign}"))?,
            Upper::Fall => name(upper, &format!("fall per day, {sign}"))?,
        }
        if let Some(lower) = lower {
            let words = format!("temperature, {}", Celsius::MEASURE.sign(plot.prefs));
            match plot.wanted {
                (None, None) => name(lower, &words)?,
                _ => name(lower, &format!("{words}; shaded: as wanted"))?,
            }
        }
        // Only where the drawing goes on after it: at the right edge everybody knows.
        let ahead = plot.to.since(plot.now).0 as f64 / plot.to.since(plot.from).0.max(1) as f64;
        if ahead > 0.02 && plot.now > plot.from {
            let x = upper.x(plot.now);
            for panel in std::iter::once(upper).chain(lower) {
                self.pen
                    .path(vec![(x, panel.top), (x, panel.bottom)], Paint::Now, 1)?;
            }
            let at = (x, upper.top - 6 * FINE);
            self.pen
                .words("now", at, Paint::Words, HPos::Center, VPos::Bottom)?;
        }
        Ok(())
    }

    /// How warm it is wanted.
    fn wanted(&self, panel: &Panel, scale: impl Fn(f64) -> f64) -> Outcome {
        let (low, high) = self.plot.wanted;
        if low.or(high).is_none() {
            return Ok(());
        }
        let edge = |value: Option<f64>, otherwise| value.map_or(otherwise, |c| panel.y(scale(c)));
        let (top, bottom) = (edge(high, panel.top), edge(low, panel.bottom));
        let (left, right) = (panel.left, panel.right);
        let corners = vec![(left, top), (right, top), (right, bottom), (left, bottom)];
        self.pen.polygon(corners, Paint::Wanted)?;
        for y in [high.map(|_| top), low.map(|_| bottom)]
            .into_iter()
            .flatten()
        {
            self.pen
                .path(vec![(left, y), (right, y)], Paint::WantedEdge, 1)?;
        }
        Ok(())
    }

    fn expected(&self, panel: &Panel, scale: impl Fn(f64) -> f64) -> Outcome {
        let Some(sg) = self.plot.expected else {
            return Ok(());
        };
        let y = panel.y(scale(sg));
        self.pen
            .path(vec![(panel.left, y), (panel.right, y)], Paint::Expected, 1)?;
        let at = (panel.left + 6 * FINE, y - 4 * FINE);
        self.pen
            .words("expected end", at, Paint::Words, HPos::Left, VPos::Bottom)
    }

    fn mark(&self, placed: &Placed, upper: &Panel, lower: Option<&Panel>) -> Outcome {
        let x = upper.x(placed.mark.at);
        let paint = match placed.mark.kind {
            MarkKind::Deed => Paint::Mark,
            MarkKind::Gate => Paint::Gate,
        };
        for panel in std::iter::once(upper).chain(lower) {
            self.pen
                .path(vec![(x, panel.top), (x, panel.bottom)], paint, 1)?;
        }
        self.pen.dot((x, upper.top), 3, paint.colour().filled())?;
        if let Some(row) = placed.row {
            let y = (self.layout.head + row as i32 * ROW + 2) * FINE;
            let at = (placed.middle * FINE, y);
            let label = &placed.mark.label;
            self.pen
                .words(label, at, Paint::MarkWords, HPos::Center, VPos::Top)?;
        }
        Ok(())
    }

    fn spread(&self, panel: &Panel, runs: &[Vec<Sample>], paint: Paint) -> Outcome {
        for run in runs {
            if run.iter().all(|s| s.high <= s.low) {
                continue;
            }
            let rim = run
                .iter()
                .map(|s| (panel.x(s.at), panel.y(s.high)))
                .chain(run.iter().rev().map(|s| (panel.x(s.at), panel.y(s.low))));
            self.pen.polygon(rim.collect(), paint)?;
        }
        Ok(())
    }

    fn line(&self, panel: &Panel, runs: &[Vec<Sample>], paint: Paint) -> Outcome {
        for run in runs {
            let points: Vec<_> = run
                .iter()
                .map(|s| (panel.x(s.at), panel.y(s.mid)))
                .collect();
            match points.as_slice() {
                // A lone reading between two silences would be a line of no length.
                [lone] => {
                    self.pen.dot(*lone, 2, paint.colour())?;
                }
                _ => self.pen.path(points, paint, 2)?,
            }
        }
        Ok(())
    }
}

/// The runs of a line, in the visitor's scale.
fn shown(
    plot: &Plot,
    samples: &[Sample],
    columns: u32,
    scale: &dyn Fn(f64) -> f64,
) -> Vec<Vec<Sample>> {
    fold(samples, plot.from, plot.to, columns)
        .into_iter()
        .map(|run| run.into_iter().map(|s| s.map(scale)).collect())
        .collect()
}
