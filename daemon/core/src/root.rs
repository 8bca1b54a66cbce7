//! Where a function that runs one way crosses zero.

/// Steps before it is given up; a smooth function needs about ten.
const STEPS: usize = 200;

/// The x between `low` and `high` at which `f` is zero, to the last bits of x.
///
/// Ridders' method (IEEE Trans. Circuits Syst. 26 (1979) 979, from memory): keeps the crossing
/// between two points as bisection does, and comes down nearly as quickly as Newton's method.
/// `None` when `f` has the same sign at both ends or gives no number.
pub(crate) fn root(low: f64, high: f64, mut f: impl FnMut(f64) -> f64) -> Option<f64> {
    let (mut a, mut b) = (low, high);
    let (mut at_a, mut at_b) = (f(a), f(b));
    if at_a == 0.0 {
        return Some(a);
    }
    if at_b == 0.0 {
        return Some(b);
    }
    if at_a.is_nan() || at_b.is_nan() || (at_a > 0.0) == (at_b > 0.0) {
        return None;
    }
    let resolution = 4.0 * f64::EPSILON * low.abs().max(high.abs());
    let mut last = f64::INFINITY;
    for _ in 0..STEPS {
        let middle = 0.5 * (a + b);
        let at_middle = f(middle);
        // Of opposite signs at a and b, so the root is of a positive number.
        let turn = (at_middle * at_middle - at_a * at_b).sqrt();
        let x = middle + (middle - a) * (at_a - at_b).signum() * at_middle / turn;
        let at_x = f(x);
        if at_x.is_nan() {
            return None;
        }
        if at_x == 0.0 || (x - last).abs() <= resolution {
            return Some(x);
        }
        last = x;
        for (point, at_point) in [(middle, at_middle), (x, at_x)] {
            if (at_point > 0.0) == (at_a > 0.0) {
                if (point > a) == (high > low) {
                    (a, at_a) = (point, at_point);
                }
            } else if (point < b) == (high > low) {
                (b, at_b) = (point, at_point);
            }
        }
    }
    Some(last)
}

/// Where `x = f(x)` comes to rest, from `start`; for an `f` that brings neighbours closer.
pub(crate) fn settle(start: f64, mut f: impl FnMut(f64) -> f64) -> f64 {
    let mut x = start;
    for _ in 0..STEPS {
        let next = f(x);
        let still = (next - x).abs() <= 2.0 * f64::EPSILON * next.abs();
        x = next;
        if still {
            break;
        }
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_it_to_the_last_bits() {
        let cube = root(0.0, 9.0, |x| x * x * x - 2.0).unwrap();
        assert!((cube - 2f64.cbrt()).abs() < 1e-14);
        let steep = root(0.0, 40.0, |x| x.exp() - 5.0).unwrap();
        assert!((steep - 5f64.ln()).abs() < 1e-13);
        assert_eq!(root(0.0, 1.0, |x| x), Some(0.0));
        assert_eq!(root(0.0, 1.0, |x| x - 1.0), Some(1.0));
    }

    #[test]
    fn says_when_there_is_none() {
        assert_eq!(root(0.0, 1.0, |x| x + 1.0), None);
        assert_eq!(root(0.0, 1.0, |_| f64::NAN), None);
    }

    #[test]
    fn settles() {
        assert!((settle(1.0, |x| x.cos()) - 0.739_085_133_215_160_6).abs() < 1e-14);
    }
}
