//! Draws a plot with the library's elements, in our own pixel scales.

use ebbmark_core::time::Moment;
use plotters::style::Color;
use plotters::style::text_anchor::{HPos, VPos};

use super::axes::{time_ticks, value_ticks};
use super::envelope::fold;
use super::paint::Paint;
use super::pen::{FINE, Outcome, Pen, drawn};
use super::scale::{self, Panel};
use super::{Plot, Sample, Shape};

const ROW: i32 = 17;

struct Layout {
    width: i32,
    height: i32,
    left: i32,
    /// Mean width of a letter, for keeping labels apart.
    letter: i32,
    /// Rows for the names of what was done.
    rows: usize,
    time_ticks: usize,
    /// Of gravity and of temperature, about.
    value_ticks: (usize, usize),
    /// Share of the height the temperature gets.
    temperature_part: f64,
}

fn layout(shape: Shape) -> Layout {
    match shape {
        Shape::Wide => Layout {
            width: 900,
            height: 440,
            left: 52,
            letter: 7,
            rows: 3,
            time_ticks: 9,
            value_ticks: (7, 3),
            temperature_part: 0.26,
        },
        Shape::Tall => Layout {
            width: 360,
            height: 470,
            left: 46,
            letter: 7,
            rows: 4,
            time_ticks: 5,
            value_ticks: (7, 3),
            temperature_part: 0.26,
        },
        Shape::Low => Layout {
            width: 900,
            height: 250,
            left: 52,
            letter: 7,
            rows: 2,
            time_ticks: 9,
            value_ticks: (4, 2),
            temperature_part: 0.3,
        },
        Shape::Picture => Layout {
            width: 640,
            height: 500,
            left: 56,
            // Its font is wider than what most systems write with.
            letter: 8,
            rows: 3,
            time_ticks: 7,
            value_ticks: (7, 3),
            temperature_part: 0.26,
        },
    }
}

/// Of the finished drawing, in units.
pub(super) fn size(shape: Shape) -> (i32, i32) {
    let layout = layout(shape);
    (layout.width, layout.height)
}

pub(super) fn draw(plot: &Plot, shape: Shape) -> Result<String, Box<dyn std::error::Error>> {
    drawn(size(shape), |pen| {
        let layout = layout(shape);
        let alone = shape == Shape::Picture;
        Drawing {
            plot,
            layout,
            pen,
            alone,
        }
        .all()
    })
}

struct Drawing<'a, 'b> {
    plot: &'a Plot<'a>,
    layout: Layout,
    pen: &'a Pen<'a, 'b>,
    /// No page around it says what it is.
    alone: bool,
}

impl Drawing<'_, '_> {
    fn all(&self) -> Outcome {
        let plot = self.plot;
        let columns = (self.layout.width - self.layout.left).unsigned_abs();
        let runs = |samples: &[Sample], scale: &dyn Fn(f64) -> f64| -> Vec<Vec<Sample>> {
            fold(samples, plot.from, plot.to, columns)
                .into_iter()
                .map(|run| run.into_iter().map(|s| s.map(scale)).collect())
                .collect()
        };
        let to_gravity = |sg: f64| scale::gravity(sg, plot.prefs);
        let to_temperature = |c: f64| scale::temperature(c, plot.prefs);
        let gravity = runs(&plot.gravity, &to_gravity);
        let temperature = runs(&plot.temperature, &to_temperature);

        let shown = |at: Moment| at >= plot.from && at <= plot.to;
        let curve: Vec<_> = plot.curve.iter().filter(|p| shown(p.at)).collect();
        let hand: Vec<_> = plot.hand.iter().filter(|(at, _)| shown(*at)).collect();
        let also = curve
            .iter()
            .map(|p| p.mid)
            .chain(hand.iter().map(|(_, sg)| *sg))
            .chain(plot.expected)
            .map(to_gravity);
        let least = to_gravity(1.006) - to_gravity(1.0);
        let gravity_range = scale::range(&gravity, also, least);
        let temperature_range = scale::range(&temperature, std::iter::empty(), 4.0);

        let marked = self.marks();
        let used_rows = marked
            .iter()
            .filter_map(|m| m.row)
            .max()
            .map_or(0, |r| r + 1);
        let (head, foot) = if self.alone {
            (ROW + 12, ROW + 6)
        } else {
            (0, 0)
        };
        let top = head + used_rows as i32 * ROW + ROW + 4;
        let bottom = self.layout.height - foot - ROW - 8;
        let between = ROW + 10;
        let cut = match temperature_range {
            Some(_) => bottom - ((bottom - top) as f64 * self.layout.temperature_part) as i32,
            None => bottom + between,
        };
        let panel = |top: i32, bottom: i32, (low, high): (f64, f64)| Panel {
            left: self.layout.left * FINE,
            right: (self.layout.width - 10) * FINE,
            top: top * FINE,
            bottom: bottom * FINE,
            from: plot.from,
            to: plot.to,
            low,
            high,
        };
        let upper = panel(top, cut - between, gravity_range.unwrap_or((0.0, 1.0)));
        let lower = temperature_range.map(|r| panel(cut, bottom, r));

        let (gravity_ticks, temperature_ticks) = self.layout.value_ticks;
        self.frame(&upper, gravity_range.is_some(), gravity_ticks)?;
        if let Some(lower) = &lower {
            self.frame(lower, true, temperature_ticks)?;
        }
        self.times(&upper, lower.as_ref(), bottom)?;
        self.names(&upper, lower.as_ref())?;
        for mark in &marked {
            self.mark(mark, head, &upper, lower.as_ref())?;
        }

        let to_xy = |at: Moment, sg: f64| (upper.x(at), upper.y(to_gravity(sg)));
        self.spread(&upper, &gravity, Paint::GravitySpread)?;
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
        self.expected(&upper, to_gravity)?;
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
        Ok(())
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
        let entries = [
            (gravity, "gravity", Paint::Gravity),
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
        name(upper, "gravity")?;
        if let Some(lower) = lower {
            name(lower, "temperature")?;
        }
        let plot = self.plot;
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

    /// Gives each mark a row for its name where it does not run into another; a mark whose name
    /// finds no room keeps its line (the log below the drawing names it).
    fn marks(&self) -> Vec<Placed<'_>> {
        let plot = self.plot;
        let left = self.layout.left;
        let right = self.layout.width - 10;
        let width = plot.to.since(plot.from).0.max(1) as f64;
        let mut taken_to = vec![i32::MIN; self.layout.rows];
        let shown = |m: &&super::Mark| m.at >= plot.from && m.at <= plot.to;
        let mut marks: Vec<&super::Mark> = plot.marks.iter().filter(shown).collect();
        marks.sort_by_key(|m| m.at);
        marks
            .into_iter()
            .map(|mark| {
                let part = mark.at.since(plot.from).0 as f64 / width;
                let x = left + (f64::from(right - left) * part).round() as i32;
                let long = i32::try_from(mark.label.chars().count()).unwrap_or(i32::MAX / 64);
                let room = long.saturating_mul(self.layout.letter);
                let start = (x - room / 2)
                    .clamp(left.min(right - room), right - room)
                    .max(0);
                let row = taken_to.iter().position(|to| start > to.saturating_add(8));
                if let Some(taken) = row.and_then(|r| taken_to.get_mut(r)) {
                    *taken = start + room;
                }
                Placed {
                    at: mark.at,
                    label: &mark.label,
                    middle: start + room / 2,
                    row,
                }
            })
            .collect()
    }

    fn mark(&self, mark: &Placed, head: i32, upper: &Panel, lower: Option<&Panel>) -> Outcome {
        let x = upper.x(mark.at);
        for panel in std::iter::once(upper).chain(lower) {
            self.pen
                .path(vec![(x, panel.top), (x, panel.bottom)], Paint::Mark, 1)?;
        }
        if let Some(row) = mark.row {
            let y = (head + row as i32 * ROW + 2) * FINE;
            let at = (mark.middle * FINE, y);
            self.pen
                .words(mark.label, at, Paint::MarkWords, HPos::Center, VPos::Top)?;
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

struct Placed<'a> {
    at: Moment,
    label: &'a str,
    /// Where the middle of the name goes, in units.
    middle: i32,
    row: Option<usize>,
}
