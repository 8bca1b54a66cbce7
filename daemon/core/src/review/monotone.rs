//! What only goes one way, from readings that go up and down.

/// The rising values closest to `values` in the sense of least squares: neighbours that fall are
/// replaced by their mean until none is left (pool adjacent violators; Ayer, Brunk, Ewing, Reid &
/// Silverman, Ann. Math. Stat. 26 (1955) 641, from memory).
pub(super) fn rising(values: &[f64]) -> Vec<f64> {
    let mut blocks: Vec<(f64, usize)> = Vec::with_capacity(values.len());
    for value in values {
        let mut block = (*value, 1);
        while let Some((mean, n)) = blocks.pop_if(|(mean, _)| *mean >= block.0) {
            let both = n + block.1;
            block = (
                (mean * n as f64 + block.0 * block.1 as f64) / both as f64,
                both,
            );
        }
        blocks.push(block);
    }
    blocks
        .into_iter()
        .flat_map(|(mean, n)| std::iter::repeat_n(mean, n))
        .collect()
}

/// The least x at which a line through points (x and y both rising) comes to `y`; `None` above it.
pub(super) fn crossing(xs: &[f64], ys: &[f64], y: f64) -> Option<f64> {
    let after = ys.partition_point(|v| *v < y);
    let (x1, y1) = (*xs.get(after)?, *ys.get(after)?);
    let Some(before) = after.checked_sub(1) else {
        return Some(x1);
    };
    let (x0, y0) = (xs[before], ys[before]);
    Some(x0 + (x1 - x0) * (y - y0) / (y1 - y0))
}

/// The line's y at an x; beyond its ends that of the end. 0 of no line.
pub(super) fn along(xs: &[f64], ys: &[f64], x: f64) -> f64 {
    let after = xs.partition_point(|v| *v < x);
    match (after.checked_sub(1), xs.get(after)) {
        (None, _) => ys.first().copied().unwrap_or(0.0),
        (_, None) => ys.last().copied().unwrap_or(0.0),
        (Some(before), Some(x1)) => {
            let (x0, y0, y1) = (xs[before], ys[before], ys[after]);
            y0 + (y1 - y0) * (x - x0) / (x1 - x0)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_rises_stays_and_what_falls_is_pooled() {
        assert_eq!(rising(&[1.0, 2.0, 3.0]), [1.0, 2.0, 3.0]);
        assert_eq!(rising(&[3.0, 1.0, 2.0]), [2.0, 2.0, 2.0]);
        assert_eq!(
            rising(&[1.0, 4.0, 2.0, 6.0, 5.0]),
            [1.0, 3.0, 3.0, 5.5, 5.5]
        );
        assert!(rising(&[]).is_empty());
    }

    #[test]
    fn there_and_back() {
        let (xs, ys) = ([0.0, 1.0, 2.0, 4.0], [0.0, 0.0, 10.0, 20.0]);
        assert_eq!(crossing(&xs, &ys, 5.0), Some(1.5));
        assert_eq!(crossing(&xs, &ys, 20.0), Some(4.0));
        assert_eq!(crossing(&xs, &ys, 20.1), None);
        assert_eq!(crossing(&xs, &ys, -1.0), Some(0.0));
        assert_eq!(along(&xs, &ys, 3.0), 15.0);
        assert_eq!(along(&xs, &ys, 9.0), 20.0);
        assert_eq!(along(&xs, &ys, -9.0), 0.0);
    }
}
