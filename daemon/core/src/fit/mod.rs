//! Fitting curves to a fall of gravity: where it will end, when, and how sure that is.
//!
//! # Assumptions
//!
//! 1. Gravity falls along one of three families of curve ([`curve`]); which one is not known, so
//!    all are fitted and averaged ([`posterior`]).
//! 2. A reading is the curve plus Student-t noise (ν = 4): mostly normal, now and then a spike
//!    from a bubble or a knocked float.
//! 3. Neighbouring readings share their errors. The lag-one correlation ρ of the residuals makes
//!    n readings tell as much as n(1 - ρ)/(1 + ρ); the likelihood is tempered by that share.
//!    Misfit of the curve shows up as correlation too and widens the ranges in the same way.
//! 4. The original gravity is known well, the final gravity is expected roughly, the pace
//!    hardly. These are Gaussian priors ([`Prior`]); before the curve bends they are what keeps
//!    the answers wide but sane.
//!
//! # What it cannot do
//!
//! A curve that fits well says nothing about *why* the fall ends where it ends: a batch that
//! sticks is fitted as nicely as one that finishes. Whether it is done needs knowledge from
//! outside the curve. Feeding, dilution or a change of temperature break assumption 1; give this
//! module the readings since the last such deed only.
//!
//! Chosen by us, no source: ν = 4, the widths of the priors on pace, lag and asymmetry, the
//! threshold for a flat line, the number of draws.

pub mod curve;
mod draw;
mod elementary;
mod finish;
mod fitted;
pub mod noise;
mod pass;
mod posterior;
pub mod solve;
mod start;
#[cfg(test)]
mod tests;
mod triangle;
mod walk;

use curve::{Asymmetric, Curve, Family, Gompertz, Logistic};
pub use fitted::{Band, Draw, FamilyFit, Fitted, HORIZON_DAYS, OpenRange};
pub use solve::Gaussian;
use solve::{Loss, Model, Problem, Readings, SolveError, solve, weighted_residuals};
use start::Thinned;

/// Degrees of freedom of the noise.
const NU: f64 = 4.0;
/// u of the logistic families: the log odds at pitching, or steepest day times rate.
const LN_ODDS: Gaussian = Gaussian { mean: 3.0, sd: 2.5 };
/// u of the Gompertz family, 1 + lag times rate.
const GOMPERTZ_U: Gaussian = Gaussian { mean: 1.5, sd: 1.5 };
const LN_ASYMMETRY: Gaussian = Gaussian { mean: 0.0, sd: 0.7 };
/// Readings at different times below which no curve is drawn.
const FEWEST: usize = 4;
/// How much better than a level line, in log likelihood, a fall must explain the readings.
const FALL_BEATS_LEVEL: f64 = 3.0;
/// The stated sd of the readings counts as this many readings when the scale is estimated.
const STATED_SD_COUNTS: f64 = 4.0;
/// Residuals this large (SG) mean that the readings are not a fermentation falling.
const ABSURD_SD: f64 = 0.02;

/// One reading, or one hour's middle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Since pitching; before it the curve is level.
    pub days: f64,
    /// SG.
    pub gravity: f64,
    /// One standard deviation of its noise as far as known, SG. The fit corrects a common factor.
    pub sd: f64,
}

/// What is believed before the readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prior {
    /// Original gravity.
    pub original: Gaussian,
    /// Final gravity.
    pub last: Gaussian,
    /// ln of the rate constant per day.
    pub ln_rate: Gaussian,
}

impl Prior {
    /// From a measured original gravity; the end is hardly known.
    ///
    /// Our choice, no source: the end lies 0.105 lower (about 14 % vol, what most wine yeasts
    /// stand), but not below 0.996, give or take 0.012; the rate constant is 0.3 per day within
    /// a factor of 2.7, so that a fall of nine tenths takes from three days to three months.
    pub fn from_original(gravity: f64) -> Prior {
        Prior {
            original: Gaussian {
                mean: gravity,
                sd: 0.002,
            },
            last: Gaussian {
                mean: (gravity - 0.105).max(0.996),
                sd: 0.012,
            },
            ln_rate: Gaussian {
                mean: -1.2,
                sd: 1.0,
            },
        }
    }

    /// The same with a final gravity expected by the maker or from the recipe.
    pub fn expecting(self, final_gravity: f64, sd: f64) -> Prior {
        Prior {
            last: Gaussian {
                mean: final_gravity,
                sd,
            },
            ..self
        }
    }
}

/// Why there is no curve. The text is for the maker.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Refusal {
    #[error("only {have} readings at different times; a curve needs {need}")]
    TooFew { have: usize, need: usize },
    #[error("gravity has not fallen yet: a level line explains the readings as well")]
    NoFall,
    #[error("no curve could be drawn through the readings: {0}")]
    Diverged(SolveError),
    #[error("{0}")]
    Nonsense(String),
}

/// Fits all families to the readings (in any order) and averages over them.
///
/// # Errors
/// A [`Refusal`] when no honest curve can be drawn.
pub fn fit(points: &[Point], prior: &Prior) -> Result<Fitted, Refusal> {
    let points = sorted(points, prior)?;
    let series = Series::new(&points);
    let thinned = Thinned::new(&points);
    let starts = thinned.starts(prior);
    let [o, f, k] = [prior.original, prior.last, prior.ln_rate].map(Some);

    let logistic = Attempt {
        model: Logistic,
        prior: [o, f, k, Some(LN_ODDS)],
        curve: Curve::logistic,
        family: Family::Logistic,
    };
    let gompertz = Attempt {
        model: Gompertz,
        prior: [o, f, k, Some(GOMPERTZ_U)],
        curve: Curve::gompertz,
        family: Family::Gompertz,
    };
    let asymmetric = Attempt {
        model: Asymmetric,
        prior: [o, f, k, Some(LN_ODDS), Some(LN_ASYMMETRY)],
        curve: Curve::asymmetric,
        family: Family::Asymmetric,
    };
    let four = starts.map(|[last, ln_k, u]| [prior.original.mean, last, ln_k, u]);
    let gompertz_starts = starts.map(|[last, ln_k, u]| {
        // Same steepest day, four fifths of the rate constant: near the same curve.
        [prior.original.mean, last, ln_k - 0.22, 0.8 * u - 0.5]
    });
    let five = starts.map(|[last, ln_k, u]| [prior.original.mean, last, ln_k, u, 0.0]);

    let near = (
        logistic.rough(&thinned, &four),
        gompertz.rough(&thinned, &gompertz_starts),
        asymmetric.rough(&thinned, &five),
    );
    let noise = [
        near.0.as_ref().ok().map(|p| logistic.noise(&series, p)),
        near.1.as_ref().ok().map(|p| gompertz.noise(&series, p)),
        near.2.as_ref().ok().map(|p| asymmetric.noise(&series, p)),
    ];
    // One noise for all, the smallest: families are compared on the same footing, and what a
    // worse family cannot explain must not pass for noise.
    let Some(noise) = noise
        .into_iter()
        .flatten()
        .min_by(|a, b| a.scale.total_cmp(&b.scale))
    else {
        return Err(Refusal::Diverged(
            near.0.err().unwrap_or(SolveError::NotConverged(0)),
        ));
    };

    let best = (
        near.0.and_then(|p| logistic.full(&series, noise, p)),
        near.1.and_then(|p| gompertz.full(&series, noise, p)),
        near.2.and_then(|p| asymmetric.full(&series, noise, p)),
    );
    let costs = [
        best.0.as_ref().map(|s| s.cost),
        best.1.as_ref().map(|s| s.cost),
        best.2.as_ref().map(|s| s.cost),
    ];
    let Some(lowest) = costs.iter().flatten().copied().min_by(f64::total_cmp) else {
        return Err(Refusal::Diverged(
            best.0.err().unwrap_or(SolveError::NotConverged(0)),
        ));
    };
    if noise.scale * series.typical_sd > ABSURD_SD {
        return Err(Refusal::Nonsense(format!(
            "the readings scatter by {:.3} about any falling curve; something other than a fermentation moves them",
            noise.scale * series.typical_sd
        )));
    }
    if level_cost(&series, noise, prior)? - lowest < FALL_BEATS_LEVEL {
        return Err(Refusal::NoFall);
    }

    let mut families = Vec::with_capacity(3);
    let mut draws = Vec::with_capacity(480);
    if let Ok(found) = best.0 {
        logistic.collect(&series, noise, &found, lowest, &mut families, &mut draws);
    }
    if let Ok(found) = best.1 {
        gompertz.collect(&series, noise, &found, lowest, &mut families, &mut draws);
    }
    if let Ok(found) = best.2 {
        asymmetric.collect(&series, noise, &found, lowest, &mut families, &mut draws);
    }
    let total: f64 = draws.iter().map(|d: &Draw| d.weight).sum();
    if !(total > 0.0 && total.is_finite()) {
        return Err(Refusal::Diverged(SolveError::Singular));
    }
    // A draw nobody believes costs as much as any other at every question asked later.
    draws.retain(|d| d.weight > 1e-6 * total);
    let kept: f64 = draws.iter().map(|d| d.weight).sum();
    draws.iter_mut().for_each(|d| d.weight /= kept);
    families
        .iter_mut()
        .for_each(|f: &mut FamilyFit| f.weight /= total);
    Ok(Fitted {
        families,
        draws,
        autocorrelation: noise.autocorrelation,
        effective_readings: noise.share * points.len() as f64,
    })
}

/// Checked and in time order, so that the order given never shows in the answer.
fn sorted(points: &[Point], prior: &Prior) -> Result<Vec<Point>, Refusal> {
    let nonsense = |text: String| Err(Refusal::Nonsense(text));
    for (i, p) in points.iter().enumerate() {
        if !p.days.is_finite() || p.days.abs() > 1e5 {
            return nonsense(format!(
                "reading {}: its time, {} days, is not a time",
                i + 1,
                p.days
            ));
        }
        if !(0.9..=1.3).contains(&p.gravity) {
            return nonsense(format!(
                "reading {}: gravity {} is not a gravity",
                i + 1,
                p.gravity
            ));
        }
        if !(1e-6..=0.1).contains(&p.sd) {
            return nonsense(format!("reading {}: noise {} is not a noise", i + 1, p.sd));
        }
    }
    for (name, g) in [
        ("original gravity", prior.original),
        ("expected final gravity", prior.last),
    ] {
        if !(0.9..=1.3).contains(&g.mean) || !(1e-5..=1.0).contains(&g.sd) {
            return nonsense(format!("{name} {} ± {} is not usable", g.mean, g.sd));
        }
    }
    if !(prior.ln_rate.mean.abs() < 20.0 && prior.ln_rate.sd > 1e-3 && prior.ln_rate.sd < 10.0) {
        return nonsense("the expected pace is not usable".to_owned());
    }
    if prior.last.mean >= prior.original.mean {
        return nonsense(format!(
            "the expected final gravity {:.4} is not below the original gravity {:.4}",
            prior.last.mean, prior.original.mean
        ));
    }
    let mut points: Vec<Point> = points
        .iter()
        .map(|p| Point {
            days: p.days.max(0.0),
            ..*p
        })
        .collect();
    points.sort_unstable_by(|a, b| {
        let key = |p: &Point| [p.days, p.gravity, p.sd];
        let (a, b) = (key(a), key(b));
        a[0].total_cmp(&b[0])
            .then(a[1].total_cmp(&b[1]))
            .then(a[2].total_cmp(&b[2]))
    });
    let times = 1 + points.windows(2).filter(|w| w[1].days > w[0].days).count();
    if points.is_empty() || times < FEWEST {
        return Err(Refusal::TooFew {
            have: times.min(points.len()),
            need: FEWEST,
        });
    }
    Ok(points)
}

/// The readings by column.
struct Series {
    days: Vec<f64>,
    gravity: Vec<f64>,
    weight: Vec<f64>,
    typical_sd: f64,
}

impl Series {
    fn new(points: &[Point]) -> Series {
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
struct Noise {
    /// In units of the stated sd.
    scale: f64,
    autocorrelation: f64,
    /// Effective over actual number of readings.
    share: f64,
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
struct Attempt<M, const P: usize> {
    model: M,
    prior: [Option<Gaussian>; P],
    curve: fn(&[f64; P]) -> Curve,
    family: Family,
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
    fn rough(&self, thinned: &Thinned, starts: &[[f64; P]]) -> Result<[f64; P], SolveError> {
        // Twice the stated noise: the shape comes first, the noise is estimated after.
        let loss = Loss::StudentT { nu: NU, scale: 2.0 };
        let problem = self.problem(thinned.readings(), loss, 1.0);
        let mut best: Option<(f64, [f64; P])> = None;
        let mut reason = SolveError::BadStart;
        for start in starts {
            match solve(&problem, *start) {
                Ok(s) if best.is_none_or(|b| s.cost < b.0) => best = Some((s.cost, s.params)),
                Ok(_) => {}
                Err(why) => reason = why,
            }
        }
        best.map(|(_, p)| p).ok_or(reason)
    }

    fn noise(&self, series: &Series, p: &[f64; P]) -> Noise {
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

    fn full(
        &self,
        series: &Series,
        noise: Noise,
        start: [f64; P],
    ) -> Result<solve::Solution<P>, SolveError> {
        solve(
            &self.problem(series.readings(), noise.loss(), noise.share),
            start,
        )
    }

    fn collect(
        &self,
        series: &Series,
        noise: Noise,
        found: &solve::Solution<P>,
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
fn level_cost(series: &Series, noise: Noise, prior: &Prior) -> Result<f64, Refusal> {
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
