//! The families of curve that gravity is believed to follow, against days since pitching.
//!
//! All have the form
//!
//! ```text
//! G(t) = final + (original - final) · S(k·t - u) / S(-u)
//! ```
//!
//! with S a falling shape between 1 and 0:
//!
//! - **logistic**, S(x) = 1/(1 + eˣ): the four-parameter curve brewers use (ASBC method Yeast-14; Speers, Rogers &
//!   Smith 2003, J. Inst. Brew. 109:229-235);
//! - **asymmetric**, S(x) = (1 + s·eˣ)^(-1/s): the same with one more parameter; s = 1 is the
//!   logistic, s → 0 turns steeper at the end, large s leaves a long exponential tail behind a corner
//!   (form from memory);
//! - **Gompertz**, S(x) = 1 - exp(-e⁻ˣ): the modified Gompertz of Zwietering et al. 1990 (Appl. Environ. Microbiol.
//!   56:1875-1881) turned upside down; its lag λ and greatest slope μ are k·λ = u - 1, μ = k·drop/e.
//!
//! Why this parametrisation:
//!
//! - the usual curves do not pass through the original gravity at t = 0, although that is the one number always
//!   measured. Dividing by S(-u) makes `original` exactly G(0), so its prior is a plain Gaussian. It is a
//!   change of parameters, not of curve: the free fit is the textbook one, with upper asymptote
//!   `final + (original - final)/S(-u)`;
//! - u = k · (time of steepest fall) and ln s have no unit, so a broad prior on them suits any pace;
//! - u below nought means no lag at all, and the curve passes over into exponential decay.
//!
//! Shaky: no family is the truth (which fits best differs from batch to batch), they differ most
//! in the tail, and s is hardly determined before ten or so points past the steepest fall. Hence
//! the averaging in [`super`].

use super::elementary::{exp, ln};
use super::solve::Model;
use super::supply;

/// Beyond this the shapes are at their asymptotes to the last bit, and squares still fit an `f64`.
const FAR: f64 = 300.0;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Family {
    Logistic,
    Asymmetric,
    Gompertz,
    /// Sugar taken up by tiring yeast ([`super::supply`]).
    Supply,
}

impl Family {
    pub const ALL: [Family; 4] = [
        Family::Logistic,
        Family::Asymmetric,
        Family::Gompertz,
        Family::Supply,
    ];
}

/// original, final, ln k, u.
pub struct Logistic;
/// original, final, ln k, u, ln s.
pub struct Asymmetric;
/// original, final, ln k, u.
pub struct Gompertz;

/// S and dS/dx.
#[inline(always)]
fn logistic(x: f64) -> (f64, f64) {
    let s = 1.0 / (1.0 + exp(x));
    (s, -s * (1.0 - s))
}

/// S and dS/dx.
#[inline(always)]
fn gompertz(x: f64) -> (f64, f64) {
    let e = exp(-x.clamp(-FAR, FAR));
    let left = exp(-e);
    // 1 - exp(-e) loses its digits in the tail.
    let s = if e < 1e-5 {
        e * (1.0 - 0.5 * e)
    } else {
        1.0 - left
    };
    (s, -e * left)
}

/// S, dS/dx and dS/d(ln s).
#[inline(always)]
fn asymmetric(x: f64, s: f64) -> (f64, f64, f64) {
    let e = exp(x.clamp(-FAR, FAR));
    let q = s * e;
    let log = ln(1.0 + q);
    let value = exp(-log / s);
    let ratio = e / (1.0 + q);
    (value, -value * ratio, value * (log / s - ratio))
}

/// S and dS/dx of one of the sigmoids.
#[inline]
fn sigmoid(family: Family, x: f64, s: f64) -> (f64, f64) {
    match family {
        Family::Gompertz => gompertz(x),
        Family::Asymmetric => {
            let (value, slope, _) = asymmetric(x, s);
            (value, slope)
        }
        Family::Logistic | Family::Supply => logistic(x),
    }
}

/// The gradient of `final + (original - final)·S/S0` by original, final, ln k, u.
#[inline(always)]
fn chain(
    [original, last]: [f64; 2],
    (s, slope): (f64, f64),
    (s0, slope0): (f64, f64),
    kt: f64,
) -> (f64, [f64; 4]) {
    let inverse = 1.0 / s0;
    let left = s * inverse;
    let drop = original - last;
    let down = drop * inverse;
    (
        last + drop * left,
        [
            left,
            1.0 - left,
            down * slope * kt,
            down * (left * slope0 - slope),
        ],
    )
}

impl Model<4> for Logistic {
    fn at(&self, p: &[f64; 4]) -> impl Fn(f64) -> (f64, [f64; 4]) {
        let &[original, last, ln_k, u] = p;
        let k = ln_k.exp();
        let zero = logistic(-u);
        move |t| {
            let kt = k * t;
            chain([original, last], logistic(kt - u), zero, kt)
        }
    }
}

impl Model<4> for Gompertz {
    fn at(&self, p: &[f64; 4]) -> impl Fn(f64) -> (f64, [f64; 4]) {
        let &[original, last, ln_k, u] = p;
        let k = ln_k.exp();
        let zero = gompertz(-u);
        move |t| {
            let kt = k * t;
            chain([original, last], gompertz(kt - u), zero, kt)
        }
    }
}

impl Model<5> for Asymmetric {
    fn at(&self, p: &[f64; 5]) -> impl Fn(f64) -> (f64, [f64; 5]) {
        let &[original, last, ln_k, u, ln_s] = p;
        let (k, shape) = (ln_k.exp(), ln_s.exp());
        let (s0, slope0, by_shape0) = asymmetric(-u, shape);
        move |t| {
            let kt = k * t;
            let (s, slope, by_shape) = asymmetric(kt - u, shape);
            let (value, [a, b, c, d]) = chain([original, last], (s, slope), (s0, slope0), kt);
            let e = (original - last) / s0 * (by_shape - s / s0 * by_shape0);
            (value, [a, b, c, d, e])
        }
    }
}

/// One curve with its numbers in. Times are days since pitching; before it, gravity is the original.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Curve {
    pub family: Family,
    pub original: f64,
    pub last: f64,
    /// Per day.
    k: f64,
    form: Form,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Form {
    Sigmoid {
        u: f64,
        /// Asymmetry; 1 where the family has none.
        s: f64,
        /// S(-u), the share of the shape left at t = 0.
        s0: f64,
    },
    Supply {
        shape: supply::Shape,
        /// Share of the sugar that is never taken up.
        end: f64,
    },
}

impl Curve {
    pub fn logistic(p: &[f64; 4]) -> Curve {
        Curve::new(Family::Logistic, [p[0], p[1], p[2], p[3], 0.0])
    }

    pub fn gompertz(p: &[f64; 4]) -> Curve {
        Curve::new(Family::Gompertz, [p[0], p[1], p[2], p[3], 0.0])
    }

    pub fn asymmetric(p: &[f64; 5]) -> Curve {
        Curve::new(Family::Asymmetric, *p)
    }

    /// original, dry end, ln k, ln l, ln d, ln c; `last` becomes where it really ends.
    pub fn supply(p: &[f64; 6]) -> Curve {
        let &[original, dry, ln_k, ln_lag, ln_tiring, ln_short] = p;
        let shape = supply::Shape::new(ln_lag, ln_tiring, ln_short);
        let end = shape.end();
        Curve {
            family: Family::Supply,
            original,
            last: dry + (original - dry) * end,
            k: ln_k.exp(),
            form: Form::Supply { shape, end },
        }
    }

    fn new(family: Family, [original, last, ln_k, u, ln_s]: [f64; 5]) -> Curve {
        let s = ln_s.exp();
        Curve {
            family,
            original,
            last,
            k: ln_k.exp(),
            form: Form::Sigmoid {
                u,
                s,
                s0: sigmoid(family, -u, s).0,
            },
        }
    }

    pub fn value(&self, days: f64) -> f64 {
        self.last + self.left_after(days)
    }

    /// [`Curve::value`] at many times.
    pub fn values(&self, days: &[f64], out: &mut [f64]) {
        // The choice of family stands outside the loop, so that each loop is vectorised.
        match (self.form, self.family) {
            (Form::Supply { shape, end }, _) => {
                let each = 1.0 / (1.0 - end);
                self.fill(days, out, 0.0, each, |x| shape.share(x) - end);
            }
            (Form::Sigmoid { u, s0, .. }, Family::Gompertz) => {
                self.fill(days, out, u, 1.0 / s0, |x| gompertz(x).0);
            }
            (Form::Sigmoid { u, s, s0 }, Family::Asymmetric) => {
                self.fill(days, out, u, 1.0 / s0, |x| asymmetric(x, s).0);
            }
            (Form::Sigmoid { u, s0, .. }, _) => {
                self.fill(days, out, u, 1.0 / s0, |x| logistic(x).0);
            }
        }
    }

    fn fill(&self, days: &[f64], out: &mut [f64], u: f64, each: f64, shape: impl Fn(f64) -> f64) {
        let drop = (self.original - self.last) * each;
        for (slot, days) in out.iter_mut().zip(days) {
            *slot = self.last + drop * shape(self.k * days.max(0.0) - u);
        }
    }

    /// Gravity still to fall.
    pub fn left_after(&self, days: f64) -> f64 {
        (self.original - self.last) * self.share_left(days)
    }

    /// 1 at the pitch, 0 at the end.
    pub fn share_left(&self, days: f64) -> f64 {
        let kt = self.k * days.max(0.0);
        match self.form {
            Form::Sigmoid { u, s, s0 } => sigmoid(self.family, kt - u, s).0 / s0,
            Form::Supply { shape, end } => (shape.share(kt) - end) / (1.0 - end),
        }
    }

    /// Fall per day; positive while falling.
    pub fn rate(&self, days: f64) -> f64 {
        if days < 0.0 {
            return 0.0;
        }
        let kt = self.k * days;
        let share = match self.form {
            Form::Sigmoid { u, s, s0 } => -sigmoid(self.family, kt - u, s).1 / s0,
            Form::Supply { shape, end } => shape.rate(kt) / (1.0 - end),
        };
        (self.original - self.last) * self.k * share
    }

    /// Days at which gravity comes within `step` of the end. Nought when it starts there.
    pub fn time_within(&self, step: f64) -> f64 {
        let drop = self.original - self.last;
        if drop <= step {
            return 0.0;
        }
        let (u, shape, s0) = match self.form {
            Form::Supply { shape, end } => {
                return shape.x_at(end + step / drop * (1.0 - end)) / self.k;
            }
            Form::Sigmoid { u, s, s0 } => (u, s, s0),
        };
        let s = step / drop * s0;
        let x = match self.family {
            Family::Gompertz => -(-(-s).ln_1p()).ln(),
            Family::Asymmetric => ((-shape * s.ln()).exp_m1() / shape).ln(),
            Family::Logistic | Family::Supply => (1.0 / s - 1.0).ln(),
        };
        ((x + u) / self.k).max(0.0)
    }

    /// When the fall is steepest. The sigmoids are steepest at x = 0; the fourth family where its
    /// onset is over and its sugar not yet short, found by trying.
    pub fn steepest(&self) -> f64 {
        match self.form {
            Form::Sigmoid { u, .. } => (u / self.k).max(0.0),
            Form::Supply { shape, .. } => {
                let tries = (0..=400).map(|i| f64::from(i) * 0.01);
                let best = tries.max_by(|a, b| shape.rate(*a).total_cmp(&shape.rate(*b)));
                best.unwrap_or(0.0) / self.k
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curves() -> [Curve; 6] {
        [
            Curve::logistic(&[1.100, 1.004, 0.3_f64.ln(), 3.5]),
            Curve::logistic(&[1.100, 1.004, 0.3_f64.ln(), -2.0]),
            Curve::gompertz(&[1.100, 1.004, 0.2_f64.ln(), 1.2]),
            Curve::asymmetric(&[1.100, 1.004, 0.3_f64.ln(), 2.5, 1.1]),
            Curve::asymmetric(&[1.100, 1.004, 0.3_f64.ln(), 2.5, -1.5]),
            // Its capacity is for seven musts, so it ends where the sugar does.
            Curve::supply(&[1.100, 1.004, 0.1_f64.ln(), -1.0, -2.0, -2.5]),
        ]
    }

    fn gradients_hold<M: Model<P>, const P: usize>(model: &M, p: [f64; P]) {
        for t in [0.0, 0.3, 2.0, 7.0, 11.0, 30.0, 90.0] {
            let (_, gradient) = model.at(&p)(t);
            for j in 0..P {
                let h = 1e-5;
                let moved = |by: f64| {
                    let mut q = p;
                    q[j] += by;
                    model.at(&q)(t).0
                };
                // Five-point differences: error of order h⁴, so rounding (1e-11) is what is left.
                let by_hand = (8.0 * (moved(h) - moved(-h)) - (moved(2.0 * h) - moved(-2.0 * h)))
                    / (12.0 * h);
                assert!(
                    (gradient[j] - by_hand).abs() < 2e-10,
                    "parameter {j} at day {t}: {} against {by_hand}",
                    gradient[j]
                );
            }
        }
    }

    #[test]
    fn gradients_agree_with_differences() {
        for u in [-3.0, 0.2, 4.0] {
            gradients_hold(&Logistic, [1.1, 1.01, -1.2, u]);
            gradients_hold(&Gompertz, [1.1, 1.01, -1.2, u]);
            for ln_s in [-2.0, 0.0, 1.5] {
                gradients_hold(&Asymmetric, [1.1, 1.01, -1.2, u, ln_s]);
            }
        }
        for (lag, tiring, short) in [(-1.2, -1.1, -2.8), (0.3, 0.8, -0.5), (-3.0, -4.0, -1.5)] {
            gradients_hold(&supply::Supply, [1.1, 1.01, -1.2, lag, tiring, short]);
        }
    }

    #[test]
    fn a_curve_and_its_model_are_one() {
        let p = [1.09, 1.0, -1.0, 3.0];
        let q = [1.09, 1.0, -1.0, 3.0, 0.7];
        let r = [1.09, 1.0, -1.5, -1.0, 0.3, -1.0];
        for t in [0.0, 1.0, 5.0, 40.0] {
            assert!((Curve::supply(&r).value(t) - supply::Supply.at(&r)(t).0).abs() < 1e-12);
            assert!((Curve::logistic(&p).value(t) - Logistic.at(&p)(t).0).abs() < 1e-15);
            assert!((Curve::gompertz(&p).value(t) - Gompertz.at(&p)(t).0).abs() < 1e-15);
            assert!((Curve::asymmetric(&q).value(t) - Asymmetric.at(&q)(t).0).abs() < 1e-15);
        }
        for c in curves() {
            let (days, mut out) = ([-1.0, 0.0, 1.5, 60.0], [0.0; 4]);
            c.values(&days, &mut out);
            assert!(
                days.iter()
                    .zip(out)
                    .all(|(t, v)| (c.value(*t) - v).abs() < 1e-15)
            );
        }
    }

    #[test]
    fn asymmetry_of_one_is_the_logistic() {
        let (a, b) = (
            Curve::logistic(&[1.1, 1.0, -1.0, 3.0]),
            Curve::asymmetric(&[1.1, 1.0, -1.0, 3.0, 0.0]),
        );
        for t in [0.0, 4.0, 8.0, 20.0] {
            assert!((a.value(t) - b.value(t)).abs() < 1e-15);
        }
    }

    #[test]
    fn starts_at_the_original_and_ends_at_the_final() {
        for c in curves() {
            assert!((c.value(0.0) - 1.100).abs() < 1e-12);
            assert_eq!(c.value(-3.0), c.value(0.0));
            assert!((c.value(1e4) - 1.004).abs() < 1e-12);
            assert!(c.value(1e9).is_finite());
        }
    }

    #[test]
    fn time_within_turns_the_curve_round() {
        for c in curves() {
            for step in [0.05, 0.01, 0.001, 1e-6] {
                let t = c.time_within(step);
                assert!((c.left_after(t) - step).abs() < 1e-12, "{c:?} {step}");
            }
            assert_eq!(c.time_within(0.2), 0.0);
        }
    }

    #[test]
    fn steepest_is_steepest_and_rates_are_slopes() {
        for c in curves() {
            let t = c.steepest();
            assert!(c.rate(t) >= c.rate(t + 0.1) && c.rate(t) >= c.rate((t - 0.1).max(0.0)));
            let h = 1e-5;
            let slope = (c.value(t + 1.0 - h) - c.value(t + 1.0 + h)) / (2.0 * h);
            assert!((slope - c.rate(t + 1.0)).abs() < 1e-9);
        }
    }

    #[test]
    fn gompertz_is_zwieterings() {
        // Gi - D·exp(-exp(μ·e/D·(λ - t) + 1)), with our original as the value at t = 0.
        let (start, drop, mu, lag) = (1.100_f64, 0.095_f64, 0.012_f64, 1.5_f64);
        let e = std::f64::consts::E;
        let theirs = |t: f64| start - drop * (-(mu * e / drop * (lag - t) + 1.0).exp()).exp();
        let k = mu * e / drop;
        let ours = Curve::gompertz(&[theirs(0.0), start - drop, k.ln(), k * lag + 1.0]);
        for t in [0.0, 1.0, 3.0, 10.0, 30.0] {
            assert!((ours.value(t) - theirs(t)).abs() < 1e-14);
        }
        assert!((ours.rate(ours.steepest()) - mu).abs() < 1e-14);
    }
}
