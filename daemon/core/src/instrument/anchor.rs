//! How far the float reads off, from hand readings.
//!
//! float - hand = offset + drift·(t - last pair) - shifts still to come + noise, linear with normal priors.
//! Hand readings count with Student weights, so one wrong one moves little.

use nalgebra::{DMatrix, DVector};

use super::pairs::Pair;
use super::steps::Step;
use super::{examine, model};
use crate::hours::Hour;
use crate::time::Moment;

/// Offset and drift of a float against hand readings, with what is not known about them.
#[derive(Clone, Debug, PartialEq)]
pub struct Anchor {
    /// The newest pair; offset and drift are those of this time and after every shift so far.
    pub at: Moment,
    /// The float reads this much too high, SG.
    pub offset: f64,
    pub offset_sd: f64,
    /// SG a day, positive when it comes to read higher.
    pub drift: f64,
    pub drift_sd: f64,
    /// Of offset and drift.
    pub covariance: [[f64; 2]; 2],
    /// In time order.
    pub pairs: Vec<Pair>,
    /// How much each pair is believed, 0 to 1.
    pub believed: Vec<f64>,
    /// Shifts as hand readings leave them: those found in the series and those only hand readings showed.
    pub shifts: Vec<Step>,
    /// Residual of the newest pair, in sds.
    pub newest_residual: f64,
    full: DMatrix<f64>,
    params: DVector<f64>,
}

/// What to add to a reading of the float.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correction {
    pub value: f64,
    pub sd: f64,
}

/// Prior of the offset: a float as it comes, SG. Chosen here.
pub(super) const OFFSET_SD: f64 = 0.004;
/// Prior of the drift, SG a day. Chosen here; twice this is called slow drift in practice.
pub(super) const DRIFT_SD: f64 = 1e-4;
const ROUNDS: usize = 8;

/// Offset and drift over `from` to `now`; see [`examine`], which gives the same and more.
pub fn anchor(
    hours: &[Hour],
    hand: &[(Moment, f64)],
    deeds_at: &[Moment],
    from: Moment,
    now: Moment,
) -> Option<Anchor> {
    examine(hours, hand, deeds_at, from, now).anchor
}

impl Anchor {
    /// What to add to the float's reading of an instant, before or after the newest pair.
    pub fn correction(&self, at: Moment) -> Correction {
        let row = row(self.at, at, &self.shifts);
        let value = -row.dot(&self.params);
        let sd = (row.transpose() * &self.full * &row)
            .as_slice()
            .first()
            .map_or(f64::INFINITY, |v| v.max(0.0).sqrt());
        Correction { value, sd }
    }

    /// Share of the pairs the model makes little of.
    pub fn doubted(&self) -> usize {
        self.believed.iter().filter(|b| **b < 0.5).count()
    }
}

fn row(reference: Moment, at: Moment, shifts: &[Step]) -> DVector<f64> {
    let mut row = DVector::zeros(2 + shifts.len());
    row[0] = 1.0;
    row[1] = at.since(reference).as_days();
    for (k, shift) in shifts.iter().enumerate() {
        // A shift still to come is not yet in the reading.
        if at < shift.at {
            row[2 + k] = -1.0;
        }
    }
    row
}

/// The joint posterior of offset, drift and the sizes of shifts; `None` without pairs. `believed` is where
/// the weights start: from equal ones a gross error among few pairs could hide behind the drift.
pub(super) fn fit(pairs: &[Pair], shifts: &[Step], mut believed: Vec<f64>) -> Option<Anchor> {
    let newest = pairs.last()?;
    let size = 2 + shifts.len();
    let mut mean = DVector::zeros(size);
    let mut prior = DVector::from_element(size, OFFSET_SD.powi(-2));
    prior[1] = DRIFT_SD.powi(-2);
    for (k, shift) in shifts.iter().enumerate() {
        mean[2 + k] = shift.size;
        prior[2 + k] = shift.sd.powi(-2);
    }
    let rows: Vec<DVector<f64>> = pairs.iter().map(|p| row(newest.at, p.at, shifts)).collect();
    let mut params = mean.clone();
    let mut full = DMatrix::zeros(size, size);
    for _ in 0..ROUNDS {
        let mut precision = DMatrix::from_diagonal(&prior);
        let mut right = prior.component_mul(&mean);
        for ((pair, row), weight) in pairs.iter().zip(&rows).zip(&believed) {
            let w = weight / (pair.sd * pair.sd);
            precision.ger(w, row, row, 1.0);
            right.axpy(w * pair.difference(), row, 1.0);
        }
        let cholesky = precision.cholesky()?;
        params = cholesky.solve(&right);
        full = cholesky.inverse();
        for ((pair, row), weight) in pairs.iter().zip(&rows).zip(&mut believed) {
            let z = (pair.difference() - row.dot(&params)) / pair.sd;
            *weight = model::student_weight(z);
        }
    }
    let newest_residual = (newest.difference() - rows.last()?.dot(&params)) / newest.sd;
    let shifts = shifts
        .iter()
        .enumerate()
        .map(|(k, s)| Step {
            at: s.at,
            size: params[2 + k],
            sd: full[(2 + k, 2 + k)].sqrt(),
        })
        .collect();
    Some(Anchor {
        at: newest.at,
        offset: params[0],
        offset_sd: full[(0, 0)].sqrt(),
        drift: params[1],
        drift_sd: full[(1, 1)].sqrt(),
        covariance: [[full[(0, 0)], full[(0, 1)]], [full[(1, 0)], full[(1, 1)]]],
        pairs: pairs.to_vec(),
        believed,
        shifts,
        newest_residual,
        full,
        params,
    })
}
