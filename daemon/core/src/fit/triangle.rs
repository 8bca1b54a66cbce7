//! Least squares by orthogonal rotations, one reading at a time.
//!
//! Normal equations square the condition number: a problem that loses four digits loses eight.
//! Good enough to walk downhill with; not for the last steps nor for standard deviations. Here
//! the rows of √w·J are rotated one by one into a P × P upper triangle R with RᵀR = JᵀWJ, which
//! is never formed. Same memory, several times the work: done once at the end.

use nalgebra::{SMatrix, SVector};

#[derive(Clone)]
pub(super) struct Triangle<const P: usize> {
    r: SMatrix<f64, P, P>,
    /// The right-hand side, rotated along.
    b: SVector<f64, P>,
}

impl<const P: usize> Triangle<P> {
    pub fn new() -> Self {
        Triangle {
            r: SMatrix::zeros(),
            b: SVector::zeros(),
        }
    }

    /// Adds the equation `row · step = rhs`, both already multiplied by the root of the weight.
    pub fn add(&mut self, mut row: [f64; P], mut rhs: f64) {
        for i in 0..P {
            if row[i] == 0.0 {
                continue;
            }
            let length = self.r[(i, i)].hypot(row[i]);
            let (c, s) = (self.r[(i, i)] / length, row[i] / length);
            for (j, q) in row.iter_mut().enumerate().skip(i) {
                let upper = self.r[(i, j)];
                self.r[(i, j)] = c * upper + s * *q;
                *q = c * *q - s * upper;
            }
            let upper = self.b[i];
            self.b[i] = c * upper + s * rhs;
            rhs = c * rhs - s * upper;
        }
    }

    /// The least-squares step, held back by `damping` relative to each parameter's own weight.
    /// `None` when some direction is not determined.
    pub fn damped_step(&self, damping: f64) -> Option<SVector<f64, P>> {
        let mut held = self.clone();
        if damping > 0.0 {
            for i in 0..P {
                let mut row = [0.0; P];
                row[i] = damping.sqrt() * self.r.column(i).norm();
                held.add(row, 0.0);
            }
        }
        if held.is_singular() {
            return None;
        }
        held.r.solve_upper_triangular(&held.b)
    }

    /// (RᵀR)⁻¹. `None` when some direction is not determined.
    pub fn covariance(&self) -> Option<SMatrix<f64, P, P>> {
        if self.is_singular() {
            return None;
        }
        let inverse: SMatrix<f64, P, P> = self
            .r
            .solve_upper_triangular(&SMatrix::<f64, P, P>::identity())?;
        Some(inverse * inverse.transpose())
    }

    /// Judged column by column, so that the units of the parameters do not matter.
    fn is_singular(&self) -> bool {
        (0..P).any(|i| {
            let column = self.r.column(i).norm();
            !column.is_finite() || self.r[(i, i)].abs() <= 8.0 * f64::EPSILON * column
        })
    }
}
