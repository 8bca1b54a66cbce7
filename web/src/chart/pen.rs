//! Strokes, areas and words, in the library's pixels.

use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::paint::Paint;

/// The library's pixels per unit of ours, see the module above.
pub(super) const FINE: i32 = 4;
/// Height of letters in units. The library makes them smaller by 1.24 than asked.
const LETTER: i32 = 13;
const LETTER_ASKED: f64 = (LETTER * FINE) as f64 * 1.24;

pub(super) type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
pub(super) type Outcome = Result<(), Box<dyn std::error::Error>>;

/// A drawing of so many units.
pub(super) fn drawn(
    (width, height): (i32, i32),
    draw: impl FnOnce(&Pen) -> Outcome,
) -> Result<String, Box<dyn std::error::Error>> {
    let mut text = String::new();
    {
        let size = [width, height].map(|units| (units * FINE).unsigned_abs());
        let area = SVGBackend::with_string(&mut text, size.into()).into_drawing_area();
        draw(&Pen { area: &area })?;
        area.present()?;
    }
    Ok(text)
}

pub(super) struct Pen<'a, 'b> {
    area: &'a Area<'b>,
}

impl Pen<'_, '_> {
    pub fn path(&self, points: Vec<(i32, i32)>, paint: Paint, width: i32) -> Outcome {
        if points.len() > 1 {
            let style = paint.colour().stroke_width((width * FINE).unsigned_abs());
            self.area.draw(&PathElement::new(points, style))?;
        }
        Ok(())
    }

    pub fn polygon(&self, points: Vec<(i32, i32)>, paint: Paint) -> Outcome {
        self.area
            .draw(&Polygon::new(points, paint.colour().filled()))?;
        Ok(())
    }

    pub fn words(&self, text: &str, at: (i32, i32), paint: Paint, h: HPos, v: VPos) -> Outcome {
        let style = ("sans-serif", LETTER_ASKED)
            .into_font()
            .color(&paint.colour())
            .pos(Pos::new(h, v));
        self.area.draw(&Text::new(text.to_owned(), at, style))?;
        Ok(())
    }

    pub fn dot(&self, at: (i32, i32), radius: i32, style: impl Into<ShapeStyle>) -> Outcome {
        self.area
            .draw(&Circle::new(at, radius * FINE, style.into()))?;
        Ok(())
    }
}
