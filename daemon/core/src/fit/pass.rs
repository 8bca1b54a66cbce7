//! One pass over the readings: cost, gradient and curvature together.
//!
//! The readings go by in blocks of 64 held on the stack. Each step of a block is a plain loop of
//! fixed length over plain arrays, so the compiler vectorises it; nothing is allocated.
//!
//! With z = w·r²/(ν·s²) and a = (ν + 1)/(ν·s²), Student's t gives, per reading (w its weight, r its residual,
//! J the gradient of the curve),
//!
//! - cost        (ν + 1)/2 · ln(1 + z)
//! - gradient    a·w·r/(1 + z) · J
//! - reweighted  a·w/(1 + z) · JJᵀ          (what iteratively reweighted least squares uses)
//! - Newton      a·w·(1 - z)/(1 + z)² · JJᵀ (its exact derivative but for the curve's own curvature)
//!
//! The logarithms are taken of products, one for every block.

use nalgebra::{SMatrix, SVector};

use super::solve::{Gaussian, Loss, Model, Problem};

const BLOCK: usize = 64;
/// Sums run in this many lanes, or each addition would wait for the one before.
const LANES: usize = 8;

/// The readings, by column. `weight` is empty when all weigh the same.
#[derive(Clone, Copy, Debug)]
pub struct Readings<'a> {
    pub x: &'a [f64],
    pub y: &'a [f64],
    pub weight: &'a [f64],
}

/// Which of the two matrices a pass sums up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Curvature {
    Reweighted,
    Newton,
    /// Newton's for the step, the reweighted for the covariance, when the step may be the last.
    Both,
}

/// What one pass leaves behind.
#[derive(Clone, Debug)]
pub(super) struct Pass<const P: usize> {
    pub cost: f64,
    /// Weighted sum of squared residuals, not robust.
    pub squares: f64,
    pub gradient: SVector<f64, P>,
    /// What the next step is computed from. Lower triangle only.
    pub matrix: SMatrix<f64, P, P>,
    /// The reweighted matrix beside Newton's. Lower triangle only.
    pub beside: Option<SMatrix<f64, P, P>>,
    pub curvature: Curvature,
}

impl<const P: usize> Pass<P> {
    pub fn is_finite(&self) -> bool {
        self.cost.is_finite()
            && self.gradient.iter().all(|v| v.is_finite())
            && self.matrix.iter().all(|v| v.is_finite())
    }
}

struct Block<const P: usize> {
    x: [f64; BLOCK],
    y: [f64; BLOCK],
    w: [f64; BLOCK],
    r: [f64; BLOCK],
    /// Weight times residual: what the gradient is made of.
    g: [f64; BLOCK],
    /// Weight in the matrix, and in the one beside it.
    h: [f64; BLOCK],
    v: [f64; BLOCK],
    j: [[f64; BLOCK]; P],
}

impl<M: Model<P>, const P: usize> Problem<'_, M, P> {
    pub(super) fn pass(&self, p: &[f64; P], curvature: Curvature) -> Pass<P> {
        let curve = self.model.at(p);
        let mut out = Pass {
            cost: 0.0,
            squares: 0.0,
            gradient: SVector::zeros(),
            matrix: SMatrix::zeros(),
            beside: (curvature == Curvature::Both).then(SMatrix::zeros),
            curvature,
        };
        let mut block = Block::new();
        let Readings { x, y, weight } = self.readings;
        for (i, (xs, ys)) in x.chunks(BLOCK).zip(y.chunks(BLOCK)).enumerate() {
            block.load(xs, ys, weight.get(i * BLOCK..).unwrap_or(&[]));
            block.evaluate(&curve);
            match self.loss {
                Loss::Squares => out.squares += block.squares(),
                Loss::StudentT { nu, scale } => {
                    let sums = block.student(1.0 / (nu * scale * scale), curvature);
                    out.cost += sums.0;
                    out.squares += sums.1;
                }
            }
            block.add_to(&mut out);
        }
        let (cost, factor) = match self.loss {
            Loss::Squares => {
                out.cost = out.squares;
                (0.5, 1.0)
            }
            Loss::StudentT { nu, scale } => {
                out.squares *= nu * scale * scale;
                (0.5 * (nu + 1.0), (nu + 1.0) / (nu * scale * scale))
            }
        };
        out.cost *= self.share * cost;
        out.gradient *= self.share * factor;
        out.matrix *= self.share * factor;
        out.beside = out.beside.map(|m| m * (self.share * factor));
        for (i, (gaussian, value)) in self.prior.iter().zip(p).enumerate() {
            if let Some(Gaussian { mean, sd }) = gaussian {
                let z = (value - mean) / sd;
                out.cost += 0.5 * z * z;
                out.gradient[i] += z / sd;
                out.matrix[(i, i)] += 1.0 / (sd * sd);
                if let Some(beside) = &mut out.beside {
                    beside[(i, i)] += 1.0 / (sd * sd);
                }
            }
        }
        out
    }
}

impl<const P: usize> Block<P> {
    fn new() -> Self {
        Block {
            x: [0.0; BLOCK],
            y: [0.0; BLOCK],
            w: [1.0; BLOCK],
            r: [0.0; BLOCK],
            g: [0.0; BLOCK],
            h: [0.0; BLOCK],
            v: [0.0; BLOCK],
            j: [[0.0; BLOCK]; P],
        }
    }

    /// Copies in the next readings; a short last block is padded with readings of weight nought.
    fn load(&mut self, x: &[f64], y: &[f64], w: &[f64]) {
        let n = x.len().min(BLOCK);
        self.x[..n].copy_from_slice(&x[..n]);
        self.y[..n].copy_from_slice(&y[..n]);
        if w.is_empty() {
            self.w = [1.0; BLOCK];
        } else {
            self.w[..n].copy_from_slice(&w[..n]);
        }
        if n < BLOCK {
            self.x[n..].fill(x[0]);
            self.y[n..].fill(y[0]);
            self.w[n..].fill(0.0);
        }
    }

    fn evaluate(&mut self, curve: &impl Fn(f64) -> (f64, [f64; P])) {
        for l in 0..BLOCK {
            let (value, gradient) = curve(self.x[l]);
            self.r[l] = value - self.y[l];
            for (column, g) in self.j.iter_mut().zip(gradient) {
                column[l] = g;
            }
        }
    }

    /// Sets the weights and returns the weighted sum of squares.
    fn squares(&mut self) -> f64 {
        scale_into(&mut self.g, &self.w, &self.r);
        self.h = self.w;
        dot(&self.g, &self.r)
    }

    /// Sets the weights and returns the sums of ln(1 + z) and of z.
    fn student(&mut self, c: f64, curvature: Curvature) -> (f64, f64) {
        let mut zs = [0.0; BLOCK];
        for (l, slot) in zs.iter_mut().enumerate() {
            let z = c * self.w[l] * self.r[l] * self.r[l];
            let inverse = 1.0 / (1.0 + z);
            let weight = self.w[l] * inverse;
            *slot = z;
            self.g[l] = weight * self.r[l];
            self.v[l] = weight;
            self.h[l] = match curvature {
                Curvature::Reweighted => weight,
                Curvature::Newton | Curvature::Both => weight * (1.0 - z) * inverse,
            };
        }
        let mut product = [1.0; LANES];
        let mut sum = [0.0; LANES];
        for chunk in zs.chunks_exact(LANES) {
            for l in 0..LANES {
                product[l] *= 1.0 + chunk[l];
                sum[l] += chunk[l];
            }
        }
        let all: f64 = product.iter().product();
        let logs = if all.is_finite() {
            all.ln()
        } else {
            zs.iter().map(|z| z.ln_1p()).sum()
        };
        (logs, sum.iter().sum())
    }

    fn add_to(&self, out: &mut Pass<P>) {
        for row in 0..P {
            out.gradient[row] += dot(&self.g, &self.j[row]);
        }
        self.add_products(&self.h, &mut out.matrix);
        if let Some(beside) = &mut out.beside {
            self.add_products(&self.v, beside);
        }
    }

    fn add_products(&self, weight: &[f64; BLOCK], matrix: &mut SMatrix<f64, P, P>) {
        let mut pull = [0.0; BLOCK];
        for row in 0..P {
            scale_into(&mut pull, weight, &self.j[row]);
            for column in 0..=row {
                matrix[(row, column)] += dot(&pull, &self.j[column]);
            }
        }
    }
}

fn scale_into(out: &mut [f64; BLOCK], a: &[f64; BLOCK], b: &[f64; BLOCK]) {
    for ((out, a), b) in out.iter_mut().zip(a).zip(b) {
        *out = a * b;
    }
}

#[inline]
fn dot(a: &[f64; BLOCK], b: &[f64; BLOCK]) -> f64 {
    let mut sum = [0.0; LANES];
    for (a, b) in a.chunks_exact(LANES).zip(b.chunks_exact(LANES)) {
        for l in 0..LANES {
            sum[l] += a[l] * b[l];
        }
    }
    sum.iter().sum()
}

/// Σ w·y²; all weights one when there are none.
pub(super) fn weighted_squares(y: &[f64], weight: &[f64]) -> f64 {
    let mut sum = [0.0; LANES];
    for (i, chunk) in y.chunks(LANES).enumerate() {
        let weight = weight.get(i * LANES..).unwrap_or(&[]);
        for (l, (sum, y)) in sum.iter_mut().zip(chunk).enumerate() {
            *sum += weight.get(l).copied().unwrap_or(1.0) * y * y;
        }
    }
    sum.iter().sum()
}
