//! Several meads over one another: each has a dash and a letter of its own, so that they are told
//! apart in grey too; the cellar's usual band lies behind them.

use plotters::style::text_anchor::{HPos, VPos};

use super::Shape;
use super::axes::value_ticks;
use super::paint::Paint;
use super::pen::{FINE, Outcome, Pen, drawn};
use super::scale::place;

/// Meads in one drawing.
pub(crate) const MOST: usize = Paint::LINES.len();

/// Values as they are shown, in the visitor's scales.
pub(crate) struct Many {
    pub title: String,
    pub description: String,
    /// What lies across.
    pub across: Axis,
    /// The main panel, then the one below it.
    pub upper: Part,
    pub lower: Part,
    pub band: Option<Band>,
}

pub(crate) struct Axis {
    pub name: String,
    pub from: f64,
    pub to: f64,
}

pub(crate) struct Part {
    pub name: String,
    pub low: f64,
    pub high: f64,
    pub lines: Vec<Line>,
}

pub(crate) struct Line {
    /// Which of [`Paint::LINES`] it is drawn with.
    pub which: usize,
    pub letter: char,
    /// In order of their x.
    pub points: Vec<(f64, f64)>,
}

pub(crate) struct Band {
    /// x, low, middle, high.
    pub places: Vec<[f64; 4]>,
}

/// The class that a line is drawn with.
pub(crate) fn class(which: usize) -> &'static str {
    paint(which).class()
}

fn paint(which: usize) -> Paint {
    Paint::LINES[which % Paint::LINES.len()]
}

struct Layout {
    size: (i32, i32),
    left: i32,
    across_ticks: usize,
    lower_part: f64,
}

fn layout(shape: Shape) -> Layout {
    match shape {
        // Several are never drawn low or as a picture: those are of one mead.
        Shape::Wide | Shape::Low | Shape::Picture => Layout {
            size: (900, 480),
            left: 52,
            across_ticks: 12,
            lower_part: 0.24,
        },
        Shape::Tall => Layout {
            size: (360, 500),
            left: 46,
            across_ticks: 6,
            lower_part: 0.24,
        },
    }
}

/// Of the finished drawing, in units.
pub(super) fn size(shape: Shape) -> (i32, i32) {
    layout(shape).size
}

const ROW: i32 = 17;
/// Places along a line at which its letter may stand.
const STANDS: usize = 40;
/// Letters of a line, and how far apart they are at least, in units.
const LETTERS: usize = 2;
const APART: f64 = 90.0;

pub(super) fn draw(many: &Many, shape: Shape) -> Result<String, Box<dyn std::error::Error>> {
    let layout = layout(shape);
    let (width, height) = layout.size;
    let has_lower = many.lower.lines.iter().any(|l| !l.points.is_empty());
    let top = ROW + 6;
    // Ticks, and below them what they are.
    let bottom = height - 2 * ROW - 10;
    let between = ROW + 12;
    let cut = if has_lower {
        bottom - (f64::from(bottom - top) * layout.lower_part) as i32
    } else {
        bottom + between
    };
    let panel = |top: i32, bottom: i32, part: &Part| Panel {
        left: layout.left * FINE,
        right: (width - 12) * FINE,
        top: top * FINE,
        bottom: bottom * FINE,
        x: (many.across.from, many.across.to),
        y: (part.low, part.high),
    };
    let upper = panel(top, cut - between, &many.upper);
    let lower = has_lower.then(|| panel(cut, bottom, &many.lower));
    drawn(layout.size, |pen| {
        if let Some(band) = &many.band {
            upper.band(pen, band)?;
        }
        upper.frame(pen, &many.upper.name, 6)?;
        if let Some(lower) = &lower {
            lower.frame(pen, &many.lower.name, 3)?;
        }
        for tick in value_ticks(many.across.from, many.across.to, layout.across_ticks) {
            let x = upper.x(tick.at);
            for panel in std::iter::once(&upper).chain(&lower) {
                pen.path(vec![(x, panel.top), (x, panel.bottom)], Paint::Grid, 1)?;
            }
            let at = (x, (bottom + 6) * FINE);
            pen.words(&tick.label, at, Paint::Words, HPos::Center, VPos::Top)?;
        }
        let middle = (upper.left + upper.right) / 2;
        let at = (middle, (bottom + 8 + ROW) * FINE);
        pen.words(&many.across.name, at, Paint::Words, HPos::Center, VPos::Top)?;
        if let Some(lower) = &lower {
            lower.lines(pen, &many.lower.lines)?;
        }
        upper.lines(pen, &many.upper.lines)?;
        upper.letters(pen, &many.upper.lines)
    })
}

struct Panel {
    left: i32,
    right: i32,
    top: i32,
    bottom: i32,
    x: (f64, f64),
    y: (f64, f64),
}

impl Panel {
    fn x(&self, x: f64) -> i32 {
        place(
            self.left,
            self.right,
            (x - self.x.0) / (self.x.1 - self.x.0),
        )
    }

    fn y(&self, y: f64) -> i32 {
        place(
            self.bottom,
            self.top,
            (y - self.y.0) / (self.y.1 - self.y.0),
        )
    }

    fn frame(&self, pen: &Pen, name: &str, ticks: usize) -> Outcome {
        for tick in value_ticks(self.y.0, self.y.1, ticks) {
            let y = self.y(tick.at);
            pen.path(vec![(self.left, y), (self.right, y)], Paint::Grid, 1)?;
            let at = (self.left - 7 * FINE, y);
            pen.words(&tick.label, at, Paint::Words, HPos::Right, VPos::Center)?;
        }
        let floor = vec![(self.left, self.bottom), (self.right, self.bottom)];
        pen.path(floor, Paint::Frame, 1)?;
        let at = (self.left, self.top - 6 * FINE);
        pen.words(name, at, Paint::Words, HPos::Left, VPos::Bottom)
    }

    fn band(&self, pen: &Pen, band: &Band) -> Outcome {
        let rim = |of: usize| {
            band.places
                .iter()
                .map(move |p| (self.x(p[0]), self.y(p[of])))
        };
        pen.polygon(rim(3).chain(rim(1).rev()).collect(), Paint::Usual)?;
        pen.path(rim(2).collect(), Paint::UsualMiddle, 1)
    }

    fn shown(&self, line: &Line) -> Vec<(i32, i32)> {
        let inside = |(x, _): &&(f64, f64)| *x >= self.x.0 && *x <= self.x.1;
        let points = line.points.iter().filter(inside);
        points.map(|(x, y)| (self.x(*x), self.y(*y))).collect()
    }

    fn lines(&self, pen: &Pen, lines: &[Line]) -> Outcome {
        for line in lines {
            pen.path(self.shown(line), paint(line.which), 2)?;
        }
        Ok(())
    }

    /// Each letter where its line is furthest from the others and from the letters that stand.
    fn letters(&self, pen: &Pen, lines: &[Line]) -> Outcome {
        let stands: Vec<Vec<(f64, f64)>> =
            lines.iter().map(|line| along(&self.shown(line))).collect();
        let mut taken: Vec<(f64, f64)> = Vec::new();
        for (n, line) in lines.iter().enumerate() {
            let mut own: Vec<(f64, f64)> = Vec::new();
            for _ in 0..LETTERS {
                let room = |at: (f64, f64)| {
                    let others = stands.iter().enumerate().filter(|(o, _)| *o != n);
                    let others = others.flat_map(|(_, s)| s).chain(&taken);
                    others.map(|o| apart(at, *o)).fold(f64::INFINITY, f64::min)
                };
                let far =
                    |at: &(f64, f64)| own.iter().all(|o| apart(*at, *o) > APART * f64::from(FINE));
                let free = stands[n].iter().copied().filter(far);
                let Some(best) = free.max_by(|a, b| room(*a).total_cmp(&room(*b))) else {
                    continue;
                };
                own.push(best);
                taken.push(best);
                let at = (best.0 as i32, best.1 as i32);
                let word = line.letter.to_string();
                pen.words(&word, at, Paint::LineWords, HPos::Center, VPos::Center)?;
            }
        }
        Ok(())
    }
}

fn apart(a: (f64, f64), b: (f64, f64)) -> f64 {
    (a.0 - b.0).hypot(a.1 - b.1)
}

/// Places evenly spaced along a path, without its very ends.
fn along(path: &[(i32, i32)]) -> Vec<(f64, f64)> {
    let path: Vec<(f64, f64)> = path
        .iter()
        .map(|(x, y)| (f64::from(*x), f64::from(*y)))
        .collect();
    let steps = path.windows(2).map(|w| apart(w[0], w[1]));
    let whole: f64 = steps.clone().sum();
    if whole <= 0.0 {
        return Vec::new();
    }
    let step = whole / (STANDS + 1) as f64;
    let (mut gone, mut next, mut found) = (0.0, step, Vec::with_capacity(STANDS));
    for (w, length) in path.windows(2).zip(steps) {
        while next <= gone + length && length > 0.0 && found.len() < STANDS {
            let part = (next - gone) / length;
            found.push((
                w[0].0 + (w[1].0 - w[0].0) * part,
                w[0].1 + (w[1].1 - w[0].1) * part,
            ));
            next += step;
        }
        gone += length;
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(which: usize, letter: char, end: f64) -> Line {
        Line {
            which,
            letter,
            points: (0..=20)
                .map(|i| (f64::from(i), 100.0 - end * f64::from(i) / 20.0))
                .collect(),
        }
    }

    fn many() -> Many {
        Many {
            title: "Linden & <figs>".to_owned(),
            description: "Two meads.".to_owned(),
            across: Axis {
                name: "days since the pitch".to_owned(),
                from: 0.0,
                to: 20.0,
            },
            upper: Part {
                name: "sugar left, %".to_owned(),
                low: 0.0,
                high: 100.0,
                lines: vec![line(0, 'A', 100.0), line(1, 'B', 40.0)],
            },
            lower: Part {
                name: "temperature".to_owned(),
                low: 10.0,
                high: 20.0,
                lines: Vec::new(),
            },
            band: Some(Band {
                places: vec![[0.0, 90.0, 95.0, 100.0], [20.0, 10.0, 20.0, 30.0]],
            }),
        }
    }

    #[test]
    fn each_line_has_its_class_and_letters_and_the_band_lies_behind() {
        for shape in [Shape::Wide, Shape::Tall] {
            let svg = crate::chart::svg_of_many(&many(), shape).unwrap();
            for class in [
                "s-one",
                "s-two",
                "f-usual",
                "s-usual-middle",
                "f-line-words",
            ] {
                assert!(
                    svg.contains(&format!("class=\"{class}\"")),
                    "{class}: {svg}"
                );
            }
            assert!(svg.find("f-usual").unwrap() < svg.find("s-one").unwrap());
            assert_eq!(svg.matches("\nA\n").count(), LETTERS, "{svg}");
            assert!(svg.contains("Linden &amp; &lt;figs&gt;"));
            assert!(!svg.contains("#0100"), "a colour without a class");
            assert!(!svg.contains("temperature"));
            assert!(svg.len() < 30_000);
        }
    }

    #[test]
    fn letters_stand_apart() {
        let path = [(0, 0), (100, 0), (100, 300)];
        let places = along(&path);
        assert_eq!(places.len(), STANDS);
        let step = 400.0 / (STANDS + 1) as f64;
        assert!(apart(places[0], (step, 0.0)) < 1e-9);
        assert!(apart(places[STANDS - 1], (100.0, 300.0 - step)) < 1e-6);
        assert!(along(&[(5, 5), (5, 5)]).is_empty());
    }

    #[test]
    fn a_line_beyond_the_sides_ends_there() {
        let mut many = many();
        many.across.to = 10.0;
        many.band = None;
        let svg = crate::chart::svg_of_many(&many, Shape::Wide).unwrap();
        assert!(!svg.contains("usual"));
        let numbers = svg
            .split(|c: char| !c.is_ascii_digit())
            .filter_map(|n| n.parse::<i32>().ok());
        assert!(numbers.max().unwrap() <= 3600);
    }
}
