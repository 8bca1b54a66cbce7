//! How large each form of the drawing is, and what it has room for.

use super::Shape;

pub(super) const ROW: i32 = 17;

pub(super) struct Layout {
    pub width: i32,
    pub height: i32,
    pub left: i32,
    /// Mean width of a letter, for keeping labels apart.
    pub letter: i32,
    /// Rows for the names of what was done.
    pub rows: usize,
    pub time_ticks: usize,
    /// Of the upper panel and of temperature, about.
    pub value_ticks: (usize, usize),
    /// Share of the height the temperature gets.
    pub temperature_part: f64,
    /// Above all else, for a heading, and below all else, for what the lines mean.
    pub head: i32,
    pub foot: i32,
}

impl Layout {
    pub fn right(&self) -> i32 {
        self.width - 10
    }

    /// Of the finished drawing, in units.
    pub fn size(&self) -> (i32, i32) {
        (self.width, self.height)
    }
}

pub(super) fn layout(shape: Shape) -> Layout {
    let wide = Layout {
        width: 900,
        height: 440,
        left: 52,
        letter: 7,
        rows: 3,
        time_ticks: 9,
        value_ticks: (7, 4),
        temperature_part: 0.26,
        head: 0,
        foot: 0,
    };
    match shape {
        Shape::Wide => wide,
        Shape::Tall => Layout {
            width: 360,
            height: 470,
            left: 46,
            rows: 4,
            time_ticks: 5,
            ..wide
        },
        Shape::Low => Layout {
            height: 250,
            rows: 2,
            value_ticks: (4, 2),
            temperature_part: 0.3,
            ..wide
        },
        Shape::Picture => Layout {
            width: 640,
            height: 500,
            left: 56,
            // Its font is wider than what most systems write with.
            letter: 8,
            time_ticks: 7,
            head: ROW + 12,
            foot: ROW + 6,
            ..wide
        },
    }
}
