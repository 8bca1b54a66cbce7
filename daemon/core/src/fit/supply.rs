//! The fourth family: what the yeast can still do against what there is to eat.
//!
//! The sigmoids of [`super::curve`] come down to their end as an exponential tied to the rest of
//! the curve. Real musts often do neither: they fall almost straight and stop within a day when
//! the sugar is gone, or they die away slowly because the yeast tires while sugar is left. Both
//! are one curve here: sugar is taken up by an enzyme that saturates,
//!
//! ```text
//! dS/dt = -r(t) · S/(κ + S)      so that      S + κ ln S = D + κ ln D - U(t),   U = ∫ r dt
//! ```
//!
//! the integrated Michaelis-Menten equation, whose solution is a Lambert W (Schnell & Mendoza
//! 1997, J. Theor. Biol. 187:207-212; from memory, the test solves the equation numerically);
//! and the yeast's capacity r sets in after a lag λ and then dies away with a constant rate.
//!
//! Everything is reckoned in shares of the whole fall D and in x = k·t, k the first full rate in
//! D per day, so that a broad prior suits any pace and any must:
//!
//! - l = k·λ, the lag; the onset is a softened corner of width [`CORNER`]·l;
//! - d, the share of its capacity that the yeast loses while it could ferment the whole must once:
//!   its capacity in all is 1/d musts, and with d > 1 it stops short;
//! - c = κ/D, where the sugar begins to run short: near nought a sharp stop, near one an exponential.

use super::elementary::{exp, ln};
use super::solve::{Gaussian, Model};

/// Width of the onset in lags.
const CORNER: f64 = 0.35;
/// ln l: the first full rate is reached after a third of the time a straight fall would take.
/// This and the next two: chosen here, wide.
pub(super) const LN_LAG: Gaussian = Gaussian {
    mean: -1.2,
    sd: 0.8,
};
/// ln d: capacity for three musts.
pub(super) const LN_TIRING: Gaussian = Gaussian {
    mean: -1.1,
    sd: 0.9,
};
/// ln c: a half-saturation of a few grams of sugar in a must of some two hundred.
pub(super) const LN_SHORT: Gaussian = Gaussian {
    mean: -2.8,
    sd: 0.8,
};

/// original, dry end, ln k, ln l, ln d, ln c.
pub struct Supply;

/// ω(v): the w with w + ln w = v. One step of Fritsch, Shafer & Crowley (1973, Commun. ACM
/// 16:123; from memory) from a start good to half a percent; its error goes with the fourth power.
#[inline(always)]
fn omega(v: f64) -> f64 {
    let v = v.clamp(-60.0, 1e6);
    // ln(1 + e^v) is near ω below 1 and too large by about ln ω above; the two numbers were fitted.
    let soft = softplus(v);
    let w = soft * (1.0 - 0.447 * ln(1.0 + soft) / (1.0 + 0.4175 * soft)) + 1e-30;
    let r = v - w - ln(w);
    let w1 = 1.0 + w;
    let t = w1 * (w1 + 2.0 / 3.0 * r);
    w * (1.0 + r * (t - 0.5 * r) / (w1 * (t - r)))
}

/// ln(1 + eˣ).
#[inline(always)]
fn softplus(x: f64) -> f64 {
    let over = if x > 0.0 { x } else { 0.0 };
    let e = exp(-x.abs());
    // Where e is lost in 1 + e, ln(1 + e) is e.
    over + if e < 1e-9 { e } else { ln(1.0 + e) }
}

#[inline(always)]
fn sigmoid(x: f64) -> f64 {
    1.0 / (1.0 + exp(-x))
}

/// [`softplus`] and its slope [`sigmoid`], which share their exponential.
#[inline(always)]
fn softplus_and_slope(x: f64) -> (f64, f64) {
    let over = if x > 0.0 { x } else { 0.0 };
    let e = exp(-x.abs());
    let small = if e < 1e-9 { e } else { ln(1.0 + e) };
    let upper = if x > 0.0 { 1.0 } else { e };
    (over + small, upper / (1.0 + e))
}

/// The curve in shares of the fall against x = k·t.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Shape {
    lag: f64,
    tiring: f64,
    short: f64,
    /// Width of the onset. It and the next three are divided once: a division costs as much as
    /// the rest of a line.
    width: f64,
    by_width: f64,
    by_tiring: f64,
    by_short: f64,
    /// softplus(-1/CORNER): what makes U(0) nought.
    start: f64,
    /// v at x = 0.
    full: f64,
}

impl Shape {
    pub fn new(ln_lag: f64, ln_tiring: f64, ln_short: f64) -> Shape {
        let short = ln_short.clamp(-7.0, 4.0).exp();
        let lag = ln_lag.clamp(-12.0, 12.0).exp();
        let tiring = ln_tiring.clamp(-12.0, 6.0).exp();
        let width = CORNER * lag;
        Shape {
            lag,
            tiring,
            short,
            width,
            by_width: 1.0 / width,
            by_tiring: 1.0 / tiring,
            by_short: 1.0 / short,
            start: softplus(-1.0 / CORNER),
            full: 1.0 / short - short.ln(),
        }
    }

    /// Time since the onset, in x.
    #[inline(always)]
    fn worked(&self, x: f64) -> f64 {
        self.width * (softplus(x * self.by_width - 1.0 / CORNER) - self.start)
    }

    /// Capacity spent after so much work, and what is fresh of it: (1 - e^(-d·y))/d and e^(-d·y).
    #[inline(always)]
    fn spent(&self, worked: f64) -> (f64, f64) {
        let z = self.tiring * worked;
        let fresh = exp(-z);
        // 1 - e^-z loses its digits near nought.
        let spent = if z < 1e-4 {
            worked * (1.0 - 0.5 * z)
        } else {
            (1.0 - fresh) * self.by_tiring
        };
        (spent, fresh)
    }

    /// Share of the fall left for a given capacity spent.
    #[inline(always)]
    fn left(&self, spent: f64) -> f64 {
        self.short * omega(self.full - spent * self.by_short)
    }

    #[inline(always)]
    pub fn share(&self, x: f64) -> f64 {
        self.left(self.spent(self.worked(x)).0)
    }

    /// What is left for ever.
    pub fn end(&self) -> f64 {
        self.left(1.0 / self.tiring)
    }

    /// -d(share)/dx.
    pub fn rate(&self, x: f64) -> f64 {
        let worked = self.worked(x);
        let (spent, fresh) = self.spent(worked);
        let w = omega(self.full - spent * self.by_short);
        let onset = sigmoid((x / self.lag - 1.0) / CORNER);
        w / (1.0 + w) * fresh * onset
    }

    /// x at which so much is left. Infinite at or below the end.
    pub fn x_at(&self, share: f64) -> f64 {
        let w = share / self.short;
        let spent = (self.full - w - w.ln()) * self.short;
        let z = 1.0 - self.tiring * spent;
        if z <= 0.0 {
            return f64::INFINITY;
        }
        let worked = if self.tiring * spent < 1e-9 {
            spent
        } else {
            -z.ln() / self.tiring
        };
        let soft = worked / (CORNER * self.lag) + self.start;
        // The inverse of softplus.
        let x = if soft > 30.0 {
            soft
        } else {
            soft.exp_m1().ln()
        };
        (self.lag * (1.0 + CORNER * x)).max(0.0)
    }
}

impl Model<6> for Supply {
    fn at(&self, p: &[f64; 6]) -> impl Fn(f64) -> (f64, [f64; 6]) {
        let &[original, last, ln_k, ln_lag, ln_tiring, ln_short] = p;
        let shape = Shape::new(ln_lag, ln_tiring, ln_short);
        let k = ln_k.exp();
        let drop = original - last;
        move |t| {
            let x = k * t;
            let (soft, onset) = softplus_and_slope(x * shape.by_width - 1.0 / CORNER);
            let worked = shape.width * (soft - shape.start);
            let (spent, fresh) = shape.spent(worked);
            let w = omega(shape.full - spent * shape.by_short);
            let share = shape.short * w;
            let by_spent = -w / (1.0 + w);
            let by_worked = by_spent * fresh;
            (
                last + drop * share,
                [
                    share,
                    1.0 - share,
                    drop * by_worked * onset * x,
                    drop * by_worked * (worked - onset * x),
                    drop * by_spent * (worked * fresh - spent),
                    drop * (share + by_spent * (1.0 + shape.short - spent)),
                ],
            )
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn omega_solves_its_equation() {
        for i in -500..4000 {
            let v = f64::from(i) * 0.1;
            let w = omega(v);
            let off = (w + w.ln() - v).abs();
            assert!(off < 1e-10 * v.abs().max(1.0), "{v}: {w}, off by {off}");
        }
    }

    /// Against the differential equation itself, by fourth-order Runge-Kutta.
    #[test]
    fn the_share_solves_the_rate_equation() {
        for (lag, tiring, short) in [(-1.2, -1.1, -2.8), (-0.2, 0.5, -1.0), (-2.0, -6.0, -4.0)] {
            let shape = Shape::new(lag, tiring, short);
            let slope = |x: f64, s: f64| {
                let onset = sigmoid((x / shape.lag - 1.0) / CORNER);
                -onset * exp(-shape.tiring * shape.worked(x)) * s / (shape.short + s)
            };
            let (mut s, mut x, h) = (1.0, 0.0, 0.002);
            for _ in 0..1500 {
                let a = slope(x, s);
                let b = slope(x + h / 2.0, s + h / 2.0 * a);
                let c = slope(x + h / 2.0, s + h / 2.0 * b);
                let d = slope(x + h, s + h * c);
                s += h / 6.0 * (a + 2.0 * b + 2.0 * c + d);
                x += h;
                assert!(
                    (shape.share(x) - s).abs() < 1e-8,
                    "{x}: {} {s}",
                    shape.share(x)
                );
                assert!((shape.rate(x) + slope(x, s)).abs() < 1e-7);
            }
        }
    }

    #[test]
    fn x_at_turns_the_share_round() {
        let shape = Shape::new(-1.0, 0.2, -2.0);
        for x in [0.1, 0.5, 1.0, 3.0, 8.0] {
            assert!((shape.x_at(shape.share(x)) - x).abs() < 1e-6, "{x}");
        }
        assert!(shape.end() > 0.01 && shape.x_at(0.5 * shape.end()).is_infinite());
    }
}
