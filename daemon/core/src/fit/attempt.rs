//! One family's way from the readings to its best curve and its draws.

use super::curve::{Curve, Family};
use super::solve::{
    Gaussian, Loss, Model, Problem, Readings, Solution, SolveError, solve, solve_near,
    weighted_residuals,
};
use super::start::Thinned;
use super::{Draw, FamilyFit, NU, Point, Prior, Refusal, noise, posterior};

/// The stated sd of the readings counts as this many readings when the scale is estimated.
const STATED_SD_COUNTS: f64 = 4.0;

/// The readings by column.
pub(super) struct Series {
    days: Vec<f64>,
    gravity: Vec<f64>,
    weight: Vec<f64>,
    pub typical_sd: f64,
}

impl Series {
    pub fn new(points: &[Point]) -> Series {
        let mut sds: Vec<f64> = points.iter().map(|p| p.sd).collect();
        Series {
            days: points.iter().map(|p| p.days).collect(),
            gravity: points.iter().map(|p| p.gravity).collect(),
            weight: points.iter().map(|p| p.sd.powi(-2)).collect(),
            typical_sd: noise::median(&mut sds),
        }
    }

    fn readings(&self) -> Readings<'_> {
        Readings {
            x: &self.days,
            y: &self.gravity,
            weight: &self.weight,
        }
    }
}

#[derive(Clone, Copy)]
pub(super) struct Noise {
    /// In units of the stated sd.
    pub scale: f64,
    pub autocorrelation: f64,
    /// Effective over actual number of readings.
    pub share: f64,
}

impl Noise {
    fn loss(self) -> Loss {
        Loss::StudentT {
            nu: NU,
            scale: self.scale,
        }
    }
}

/// One family with its priors.
pub(super) struct Attempt<M, const P: usize> {
    pub model: M,
    pub prior: [Option<Gaussian>; P],
    pub curve: fn(&[f64; P]) -> Curve,
    pub family: Family,
}

impl<M: Model<P>, const P: usize> Attempt<M, P> {
    fn problem<'a>(&'a self, readings: Readings<'a>, loss: Loss, share: f64) -> Problem<'a, M, P> {
        Problem {
            model: &self.model,
            readings,
            prior: self.prior,
            loss,
            share,
        }
    }

    /// The best of several starts on the thinned series.
    pub fn rough(&self, thinned: &Thinned, starts: &[[f64; P]]) -> Result<[f64; P], SolveError> {
        // Twice the stated noise: the shape comes first, the noise is estimated after.
        let loss = Loss::StudentT { nu: NU, scale: 2.0 };
        let problem = self.problem(thinned.readings(), loss, 1.0);
        let mut best: Option<(f64, [f64; P])> = None;
        let mut reason = SolveError::BadStart;
        for start in starts {
            match solve_near(&problem, *start, 1e-3) {
                Ok(s) if best.is_none_or(|b| s.cost < b.0) => best = Some((s.cost, s.params)),
                Ok(_) => {}
                Err(why) => reason = why,
            }
        }
        best.map(|(_, p)| p).ok_or(reason)
    }

    pub fn noise(&self, series: &Series, p: &[f64; P]) -> Noise {
        let mut residuals = Vec::with_capacity(series.days.len());
        weighted_residuals(&self.model, &series.readings(), p, &mut residuals);
        let mad = noise::mad_scale(&mut residuals.clone());
        let correlation = noise::correlation(&series.days, &residuals, mad, P);
        let n = residuals.len() as f64;
        // A curve of P parameters hugs few independent readings closer than their noise.
        let hugging = correlation.effective / (correlation.effective - P as f64).max(1.0);
        let square = (STATED_SD_COUNTS + n * hugging.min(4.0) * mad * mad) / (STATED_SD_COUNTS + n);
        Noise {
            scale: square.sqrt().max(0.25),
            autocorrelation: correlation.lag_one,
            share: correlation.effective / n,
        }
    }

    pub fn full(
        &self,
        series: &Series,
        noise: Noise,
        start: [f64; P],
    ) -> Result<Solution<P>, SolveError> {
        solve_near(
            &self.problem(series.readings(), noise.loss(), noise.share),
            start,
            1e-5,
        )
    }

    pub fn collect(
        &self,
        series: &Series,
        noise: Noise,
        found: &Solution<P>,
        lowest: f64,
        families: &mut Vec<FamilyFit>,
        draws: &mut Vec<Draw>,
    ) {
        let problem = self.problem(series.readings(), noise.loss(), noise.share);
        let mut residuals = Vec::with_capacity(series.days.len());
        weighted_residuals(
            &self.model,
            &series.readings(),
            &found.params,
            &mut residuals,
        );
        let seed = self.family as u64 + 1;
        let mine = posterior::draws(&problem, found, lowest, seed, self.curve);
        families.push(FamilyFit {
            family: self.family,
            curve: (self.curve)(&found.params),
            params: found.params.to_vec(),
            covariance: posterior::rows(&found.covariance),
            weight: mine.iter().map(|d| d.weight).sum(),
            residual_sd: noise::mad_scale(&mut residuals) * series.typical_sd,
        });
        draws.extend(mine);
    }
}

/// The cost of explaining everything, the original gravity included, by one level.
pub(super) fn level_cost(series: &Series, noise: Noise, prior: &Prior) -> Result<f64, Refusal> {
    struct Level;
    impl Model<1> for Level {
        fn at(&self, p: &[f64; 1]) -> impl Fn(f64) -> (f64, [f64; 1]) {
            let level = p[0];
            move |_| (level, [1.0])
        }
    }
    let problem = Problem {
        model: &Level,
        readings: series.readings(),
        prior: [Some(prior.original)],
        loss: noise.loss(),
        share: noise.share,
    };
    let middle = noise::median(&mut series.gravity.clone());
    let starts = [prior.original.mean, middle];
    let costs = starts
        .iter()
        .filter_map(|s| solve(&problem, [*s]).ok())
        .map(|s| s.cost);
    costs
        .min_by(f64::total_cmp)
        .ok_or(Refusal::Diverged(SolveError::Singular))
}
