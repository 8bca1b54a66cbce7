//! A published table of two inputs, read between its lines and never beyond its edges.

/// Values at every crossing of `rows` and `columns`, both rising.
pub struct Grid<const R: usize, const C: usize> {
    pub rows: [f64; R],
    pub columns: [f64; C],
    pub values: [[f64; C]; R],
}

impl<const R: usize, const C: usize> Grid<R, C> {
    /// In a straight line between the four crossings around it; `None` outside the table.
    pub fn at(&self, row: f64, column: f64) -> Option<f64> {
        let (i, down) = place(&self.rows, row)?;
        let (j, across) = place(&self.columns, column)?;
        let along = |r: usize| {
            let line = &self.values[r];
            line[j] + (line[j + 1] - line[j]) * across
        };
        Some(along(i) + (along(i + 1) - along(i)) * down)
    }
}

/// The line before `at`, and how far on to the next it lies.
fn place(lines: &[f64], at: f64) -> Option<(usize, f64)> {
    lines
        .windows(2)
        .position(|w| w[0] <= at && at <= w[1])
        .map(|i| (i, (at - lines[i]) / (lines[i + 1] - lines[i])))
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLANE: Grid<3, 2> = Grid {
        rows: [0.0, 1.0, 3.0],
        columns: [10.0, 20.0],
        values: [[0.0, 10.0], [1.0, 11.0], [3.0, 13.0]],
    };

    #[test]
    fn between_the_lines_and_not_beyond() {
        assert_eq!(PLANE.at(0.0, 10.0), Some(0.0));
        assert_eq!(PLANE.at(3.0, 20.0), Some(13.0));
        assert_eq!(PLANE.at(2.0, 15.0), Some(7.0));
        for (row, column) in [(-0.1, 15.0), (3.1, 15.0), (1.0, 9.9), (1.0, 20.1)] {
            assert_eq!(PLANE.at(row, column), None);
        }
        assert_eq!(PLANE.at(f64::NAN, 15.0), None);
    }
}
