//! Gravity from tilt, from paired readings of angle and hydrometer.
//!
//! Ordinary least squares; the degree, one to three, by leaving each pair out in turn and asking how well the
//! others foretell it. The curve must rise or fall throughout the range of its angles, since a float
//! cannot show two gravities at one tilt.

use nalgebra::{DMatrix, DVector};

use crate::fit::noise::median;
use crate::time::{Moment, Span};
use crate::units::{Degrees, Gravity};

/// Tilts this close to a hand reading, before and after, belong to it.
const AROUND: Span = Span::hours(1);

/// When the tilts that belong to a hand reading were taken, the end not included.
pub fn around(hand: Moment) -> (Moment, Moment) {
    (hand - AROUND, hand + AROUND)
}

/// The tilt of a hand reading from those [`around`] it. `None` without any.
pub fn angle(tilts: &[Degrees]) -> Option<Degrees> {
    let mut degrees: Vec<f64> = tilts.iter().map(|t| t.get()).collect();
    (!degrees.is_empty()).then(|| Degrees::computed(median(&mut degrees)))
}

/// A curve and how far to trust it.
#[derive(Clone, Debug, PartialEq)]
pub struct TiltFit {
    /// `SG = c0 + c1·a + …`, as [`crate::feed::FeedMap::tilt_polynomial`] wants it.
    pub coefficients: Vec<f64>,
    /// Of the residuals, with the curve's freedom taken off; SG.
    pub residual_sd: f64,
    /// What each pair is off by when the others foretell it; root mean square, SG.
    pub foretold_sd: f64,
    /// Hand reading less curve, in the order of the pairs.
    pub residuals: Vec<f64>,
    /// Least and greatest angle of the pairs; beyond them the curve is a guess.
    pub range: (Degrees, Degrees),
}

#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum TiltError {
    #[error("{have} paired readings are too few for a curve of degree {degree}; it takes {need}")]
    TooFew {
        have: usize,
        need: usize,
        degree: usize,
    },
    #[error(
        "the angles lie between {low} and {high} degrees, too close together; readings {need} degrees apart are needed"
    )]
    TooClose { low: f64, high: f64, need: f64 },
    #[error(
        "the pairs do not follow a curve that only rises or only falls between {low} and {high} degrees; one of them may be wrong"
    )]
    NotMonotone { low: f64, high: f64 },
    #[error("pair {index} is not a pair of finite numbers")]
    NotFinite { index: usize },
    #[error("a curve of degree {0} is not offered; 1 to {MOST_DEGREES} are")]
    Degree(usize),
}

pub const MOST_DEGREES: usize = 3;
/// Pairs beyond the number of coefficients.
const SPARE: usize = 1;
/// Closer together, the hydrometer's own half division tilts the line. Chosen here: a float's whole range is
/// some 45 degrees for 0.1 SG, so this is about 0.01 SG.
const LEAST_DEGREES: f64 = 5.0;
/// A higher degree must foretell the pairs left out this much better.
const BETTER: f64 = 0.9;
/// A slope (SG over half the range) no greater than rounding leaves is none.
const LEVEL: f64 = 1e-6;
/// A curve that turns back and yet foretells so much better than any that does not: the pairs are at odds.
const FAR_BETTER: f64 = 0.4;

/// The curve of the degree that foretells best.
///
/// # Errors
/// Too few pairs, angles too close together, or pairs that follow no curve that only rises or only falls.
pub fn fit(pairs: &[(Degrees, Gravity)]) -> Result<TiltFit, TiltError> {
    let mut best = fit_degree(pairs, 1)?;
    let mut turning: Option<(f64, TiltError)> = None;
    for degree in 2..=MOST_DEGREES {
        // Too few pairs or angles for this degree leave the lower one.
        let Ok((curve, monotone)) = least_squares(pairs, degree) else {
            break;
        };
        if !monotone {
            let refusal = not_monotone(&curve);
            if turning.as_ref().is_none_or(|t| curve.foretold_sd < t.0) {
                turning = Some((curve.foretold_sd, refusal));
            }
        } else if curve.foretold_sd < BETTER * best.foretold_sd {
            best = curve;
        }
    }
    match turning {
        Some((sd, refusal)) if sd < FAR_BETTER * best.foretold_sd => Err(refusal),
        _ => Ok(best),
    }
}

/// The curve of one degree.
///
/// # Errors
/// As [`fit`], and for a degree that is not offered.
pub fn fit_degree(pairs: &[(Degrees, Gravity)], degree: usize) -> Result<TiltFit, TiltError> {
    let (curve, monotone) = least_squares(pairs, degree)?;
    if monotone {
        Ok(curve)
    } else {
        Err(not_monotone(&curve))
    }
}

fn not_monotone(curve: &TiltFit) -> TiltError {
    TiltError::NotMonotone {
        low: curve.range.0.get(),
        high: curve.range.1.get(),
    }
}

fn least_squares(
    pairs: &[(Degrees, Gravity)],
    degree: usize,
) -> Result<(TiltFit, bool), TiltError> {
    if degree == 0 || degree > MOST_DEGREES {
        return Err(TiltError::Degree(degree));
    }
    let columns = degree + 1;
    let (have, need) = (pairs.len(), columns + SPARE);
    if have < need {
        return Err(TiltError::TooFew { have, need, degree });
    }
    if let Some(index) = pairs
        .iter()
        .position(|(a, g)| !(a.get().is_finite() && g.get().is_finite()))
    {
        return Err(TiltError::NotFinite { index });
    }
    let angles = || pairs.iter().map(|(a, _)| a.get());
    let low = angles().fold(f64::INFINITY, f64::min);
    let high = angles().fold(f64::NEG_INFINITY, f64::max);
    let too_close = TiltError::TooClose {
        low,
        high,
        need: LEAST_DEGREES,
    };
    if high - low < LEAST_DEGREES {
        return Err(too_close);
    }
    // Angles brought to -1 to 1, where powers are as different as they get.
    let (middle, half) = (0.5 * (low + high), 0.5 * (high - low));
    let design = DMatrix::from_fn(have, columns, |i, j| {
        let u = (pairs[i].0.get() - middle) / half;
        u.powi(j as i32)
    });
    let gravity = DVector::from_iterator(have, pairs.iter().map(|(_, g)| g.get()));
    let qr = design.clone().qr();
    let (q, r) = (qr.q(), qr.r());
    // Fewer different angles than coefficients leave nothing on the diagonal.
    if r.diagonal().iter().any(|d| d.abs() < 1e-6) {
        return Err(too_close);
    }
    let Some(scaled) = r.solve_upper_triangular(&q.tr_mul(&gravity)) else {
        return Err(too_close);
    };
    let residuals = &gravity - &design * &scaled;
    let left_out: f64 = residuals
        .iter()
        .zip(q.row_iter())
        // A pair the curve must go through cannot be foretold at all.
        .map(|(r, q)| (r / (1.0 - q.norm_squared()).max(1e-6)).powi(2))
        .sum();
    let curve = TiltFit {
        coefficients: unscaled(scaled.as_slice(), middle, half),
        residual_sd: (residuals.norm_squared() / (have - columns) as f64).sqrt(),
        foretold_sd: (left_out / have as f64).sqrt(),
        residuals: residuals.as_slice().to_vec(),
        range: (Degrees::computed(low), Degrees::computed(high)),
    };
    let monotone = is_monotone(scaled.as_slice());
    Ok((curve, monotone))
}

/// Σ bⱼ·((a - middle)/half)^j in powers of a.
fn unscaled(scaled: &[f64], middle: f64, half: f64) -> Vec<f64> {
    // Horner's rule on polynomials: times (a - middle)/half, plus the next coefficient.
    let mut out: Vec<f64> = vec![0.0; scaled.len()];
    for b in scaled.iter().rev() {
        let mut lower = 0.0;
        for c in &mut out {
            let here = *c;
            *c = (lower - middle * here) / half;
            lower = here;
        }
        out[0] += b;
    }
    out
}

/// Whether b0 + b1·u + b2·u² + b3·u³ has no turn within -1 to 1 and is no level line.
fn is_monotone(b: &[f64]) -> bool {
    let b = |i: usize| b.get(i).copied().unwrap_or(0.0);
    let slope = |u: f64| b(1) + u * (2.0 * b(2) + 3.0 * u * b(3));
    // The slope is a parabola: its ends and, when it lies within, its own turn decide.
    let turn = -b(2) / (3.0 * b(3));
    let mut ends = vec![slope(-1.0), slope(1.0)];
    if turn.abs() < 1.0 {
        ends.push(slope(turn));
    }
    ends.iter().all(|s| *s > LEVEL) || ends.iter().all(|s| *s < -LEVEL)
}
