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
//! The logarithms are taken of products, one for every sixteen readings.

use nalgebra::{SMatrix, SVector};

use super::solve::{Gaussian, Loss, Model};

const BLOCK: usize = 64;
const LANES: usize = 4;

/// The readings, by column. `weight` is empty when all weigh the same.
#[derive(Clone, Copy, Debug)]
pub struct Readings<'a> {
    pub x: &'a [f64],
    pub y: &'a [f64],
    pub weight: &'a [f64],
}

/// What one pass leaves behind. Matrices hold their lower triangles only.
#[derive(Clone, Debug)]
pub(super) struct Pass<const P: usize> {
    pub cost: f64,
    pub gradient: SVector<f64, P>,
    pub reweighted: SMatrix<f64, P, P>,
    pub newton: SMatrix<f64, P, P>,
}

struct Block<const P: usize> {
    x: [f64; BLOCK],
    y: [f64; BLOCK],
    w: [f64; BLOCK],
    r: [f64; BLOCK],
    /// Weight in the gradient and the reweighted matrix.
    g: [f64; BLOCK],
    /// Weight in the Newton matrix.
    h: [f64; BLOCK],
    j: [[f64; BLOCK]; P],
}

pub(super) fn pass<M: Model<P>, const P: usize>(
    model: &M,
    readings: &Readings,
    loss: Loss,
    share: f64,
    prior: &[Option<Gaussian>; P],
    p: &[f64; P],
) -> Pass<P> {
    let curve = model.at(p);
    let mut out = Pass {
        cost: 0.0,
        gradient: SVector::zeros(),
        reweighted: SMatrix::zeros(),
        newton: SMatrix::zeros(),
    };
    let mut b = Block {
        x: [0.0; BLOCK],
        y: [0.0; BLOCK],
        w: [1.0; BLOCK],
        r: [0.0; BLOCK],
        g: [0.0; BLOCK],
        h: [0.0; BLOCK],
        j: [[0.0; BLOCK]; P],
    };
    let (c, factor) = match loss {
        Loss::Squares => (0.0, share),
        Loss::StudentT { nu, scale } => {
            let c = 1.0 / (nu * scale * scale);
            (c, share * (nu + 1.0) * c)
        }
    };
    for (i, (xs, ys)) in readings
        .x
        .chunks(BLOCK)
        .zip(readings.y.chunks(BLOCK))
        .enumerate()
    {
        b.load(xs, ys, readings.weight.get(i * BLOCK..).unwrap_or(&[]));
        for l in 0..BLOCK {
            let (value, gradient) = curve(b.x[l]);
            b.r[l] = value - b.y[l];
            for (column, g) in b.j.iter_mut().zip(gradient) {
                column[l] = g;
            }
        }
        match loss {
            Loss::Squares => {
                for l in 0..BLOCK {
                    b.g[l] = b.w[l] * b.r[l];
                }
                out.cost += 0.5 * share * dot(&b.g, &b.r);
                b.g = b.w;
            }
            Loss::StudentT { nu, .. } => {
                out.cost += 0.5 * share * (nu + 1.0) * b.student(c);
            }
        }
        let robust = matches!(loss, Loss::StudentT { .. });
        let mut pull = [0.0; BLOCK];
        for row in 0..P {
            scale_into(&mut pull, &b.g, &b.j[row]);
            out.gradient[row] += dot(&pull, &b.r);
            for column in 0..=row {
                out.reweighted[(row, column)] += dot(&pull, &b.j[column]);
            }
            if robust {
                scale_into(&mut pull, &b.h, &b.j[row]);
                for column in 0..=row {
                    out.newton[(row, column)] += dot(&pull, &b.j[column]);
                }
            }
        }
    }
    out.gradient *= factor;
    out.reweighted *= factor;
    match loss {
        Loss::Squares => out.newton = out.reweighted,
        Loss::StudentT { .. } => out.newton *= factor,
    }
    for (i, (gaussian, value)) in prior.iter().zip(p).enumerate() {
        if let Some(Gaussian { mean, sd }) = gaussian {
            let z = (value - mean) / sd;
            out.cost += 0.5 * z * z;
            out.gradient[i] += z / sd;
            out.reweighted[(i, i)] += 1.0 / (sd * sd);
            out.newton[(i, i)] += 1.0 / (sd * sd);
        }
    }
    out
}

impl<const P: usize> Block<P> {
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

    /// Sets both weights and returns the sum of ln(1 + z).
    fn student(&mut self, c: f64) -> f64 {
        let mut product = [1.0; LANES];
        let mut one_plus_z = [1.0; BLOCK];
        for (l, sum) in one_plus_z.iter_mut().enumerate() {
            let z = c * self.w[l] * self.r[l] * self.r[l];
            *sum = 1.0 + z;
            let inverse = 1.0 / (1.0 + z);
            self.g[l] = self.w[l] * inverse;
            self.h[l] = self.g[l] * (1.0 - z) * inverse;
        }
        for chunk in one_plus_z.chunks_exact(LANES) {
            for (p, q) in product.iter_mut().zip(chunk) {
                *p *= q;
            }
        }
        let together: f64 = product.iter().map(|p| p.ln()).sum();
        if together.is_finite() {
            together
        } else {
            one_plus_z.iter().map(|q| q.ln()).sum()
        }
    }
}

fn scale_into(out: &mut [f64; BLOCK], a: &[f64; BLOCK], b: &[f64; BLOCK]) {
    for ((out, a), b) in out.iter_mut().zip(a).zip(b) {
        *out = a * b;
    }
}

fn dot(a: &[f64; BLOCK], b: &[f64; BLOCK]) -> f64 {
    let mut sum = [0.0; LANES];
    for (a, b) in a.chunks_exact(LANES).zip(b.chunks_exact(LANES)) {
        for l in 0..LANES {
            sum[l] += a[l] * b[l];
        }
    }
    (sum[0] + sum[1]) + (sum[2] + sum[3])
}
