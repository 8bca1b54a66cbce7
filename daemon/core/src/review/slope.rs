//! How fast a curve falls at a place, from the readings around it.

use nalgebra::{DMatrix, DVector};

/// So many readings carry a bend that turns; with fewer a plain one, or a straight line.
const CUBIC: usize = 5;
const QUADRATIC: usize = 4;

/// The slope at `x` of the polynomial that lies closest to the points (third degree where there
/// are enough of them, which leaves the top of a logistic fall as steep as it is). `None` with
/// fewer than two points, or all of them at one x.
pub(super) fn at(x: f64, points: impl Iterator<Item = (f64, f64)>) -> Option<f64> {
    let points: Vec<(f64, f64)> = points.map(|(px, y)| (px - x, y)).collect();
    let width = points.iter().map(|(d, _)| d.abs()).fold(0.0, f64::max);
    if points.len() < 2 || width <= 0.0 {
        return None;
    }
    let degree = match points.len() {
        n if n >= CUBIC => 3,
        n if n >= QUADRATIC => 2,
        _ => 1,
    };
    let design = DMatrix::from_fn(points.len(), degree + 1, |row, power| {
        (points[row].0 / width).powi(power as i32)
    });
    let values = DVector::from_iterator(points.len(), points.iter().map(|(_, y)| *y));
    let turned = design.transpose();
    let solved = (&turned * &design).cholesky()?.solve(&(turned * values));
    Some(solved[1] / width)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn slope(n: i32, f: impl Fn(f64) -> f64) -> f64 {
        let points = (-n..=n).map(|i| f64::from(i) * 0.1 + 2.0);
        at(2.0, points.map(|x| (x, f(x)))).unwrap()
    }

    #[test]
    fn of_polynomials_exactly() {
        assert!((slope(5, |x| x * x * x) - 12.0).abs() < 1e-9);
        assert!((slope(3, |x| x * x) - 4.0).abs() < 1e-9);
        assert!((slope(1, |x| 3.0 * x) - 3.0).abs() < 1e-9);
    }

    #[test]
    fn of_what_is_no_curve_none() {
        assert_eq!(at(1.0, [(1.0, 2.0)].into_iter()), None);
        assert_eq!(at(1.0, [(1.0, 2.0), (1.0, 3.0)].into_iter()), None);
    }
}
