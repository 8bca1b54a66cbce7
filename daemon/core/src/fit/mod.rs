//! Fitting curves to a fall of gravity: where it will end, when, and how sure that is.
//!
//! # Assumptions
//!
//! 1. Gravity falls along one of four families of curve ([`curve`], [`supply`]); which one is not known, so
//!    all are fitted and averaged (`posterior.rs`).
//! 2. A reading is the curve plus Student-t noise (ν = 4): mostly normal, now and then a spike
//!    from a bubble or a knocked float.
//! 3. Neighbouring readings share their errors. The lag-one correlation ρ of the residuals makes
//!    n readings tell as much as n(1 - ρ)/(1 + ρ), and slower correlation costs more (`noise.rs`);
//!    the likelihood is tempered by that share.
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
//! On invented vessels (60 for each stage and correlation) the 90 % range of the final gravity holds it 82 to 97 times in a hundred at all
//! stages of the fall while neighbours correlate up to 0.7; with 0.95 (a float that drifts for as long as the
//! fall bends) only 65 to 90 times: so few independent readings cannot tell their own correlation.
//!
//! Chosen by us, no source: ν = 4, the widths of the priors on pace, lag and asymmetry, the
//! threshold for a flat line, the number of draws.

mod attempt;
mod check;
pub mod curve;
mod draw;
pub(crate) mod elementary;
mod finish;
mod fitted;
pub mod noise;
mod pass;
mod posterior;
pub mod solve;
mod start;
pub mod supply;
#[cfg(test)]
mod tests;
mod triangle;
mod walk;

use attempt::{Attempt, Series, level_cost};
use curve::{Asymmetric, Curve, Family, Gompertz, Logistic};
pub use fitted::{Band, Draw, FamilyFit, Fitted, HORIZON_DAYS, Outlook};
pub use solve::Gaussian;
use solve::SolveError;
use start::Thinned;
use supply::Supply;

/// Degrees of freedom of the noise.
const NU: f64 = 4.0;
/// u of the logistic families: the log odds at pitching, or steepest day times rate.
const LN_ODDS: Gaussian = Gaussian { mean: 3.0, sd: 2.5 };
/// u of the Gompertz family, 1 + lag times rate.
const GOMPERTZ_U: Gaussian = Gaussian { mean: 1.5, sd: 1.5 };
const LN_ASYMMETRY: Gaussian = Gaussian { mean: 0.0, sd: 0.7 };
/// How much better than a level line, in log likelihood, a fall must explain the readings.
const FALL_BEATS_LEVEL: f64 = 3.0;
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

/// What is believed of pace and shape, family by family: the parameters from ln k on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shapes {
    pub logistic: [Gaussian; 2],
    pub gompertz: [Gaussian; 2],
    pub asymmetric: [Gaussian; 3],
    pub supply: [Gaussian; 4],
}

impl Shapes {
    /// With no batch to learn from.
    pub fn broad(ln_rate: Gaussian) -> Shapes {
        Shapes {
            logistic: [ln_rate, LN_ODDS],
            gompertz: [ln_rate, GOMPERTZ_U],
            asymmetric: [ln_rate, LN_ODDS, LN_ASYMMETRY],
            supply: [ln_rate, supply::LN_LAG, supply::LN_TIRING, supply::LN_SHORT],
        }
    }

    /// Row by row, as finished batches are kept.
    pub fn rows(&self) -> Vec<(Family, Vec<Gaussian>)> {
        vec![
            (Family::Logistic, self.logistic.to_vec()),
            (Family::Gompertz, self.gompertz.to_vec()),
            (Family::Asymmetric, self.asymmetric.to_vec()),
            (Family::Supply, self.supply.to_vec()),
        ]
    }

    /// These, with what `rows` say of the families they name.
    pub fn taught(mut self, rows: &[(Family, Vec<Gaussian>)]) -> Shapes {
        for (family, row) in rows {
            let mine: &mut [Gaussian] = match family {
                Family::Logistic => &mut self.logistic,
                Family::Gompertz => &mut self.gompertz,
                Family::Asymmetric => &mut self.asymmetric,
                Family::Supply => &mut self.supply,
            };
            mine.iter_mut()
                .zip(row)
                .for_each(|(mine, row)| *mine = *row);
        }
        self
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
    fit_with(points, prior, &Shapes::broad(prior.ln_rate))
}

/// As [`fit`], with what finished batches say of pace and shape.
///
/// # Errors
/// As [`fit`].
pub fn fit_with(points: &[Point], prior: &Prior, shapes: &Shapes) -> Result<Fitted, Refusal> {
    let points = check::sorted(points, prior)?;
    let series = Series::new(&points);
    let thinned = Thinned::new(&points);
    let starts = thinned.starts(prior);
    let [o, f] = [prior.original, prior.last].map(Some);
    let Shapes {
        logistic: l,
        gompertz: g,
        asymmetric: a,
        supply: s,
    } = shapes;

    let logistic = Attempt {
        model: Logistic,
        prior: [o, f, Some(l[0]), Some(l[1])],
        curve: Curve::logistic,
        family: Family::Logistic,
    };
    let gompertz = Attempt {
        model: Gompertz,
        prior: [o, f, Some(g[0]), Some(g[1])],
        curve: Curve::gompertz,
        family: Family::Gompertz,
    };
    let asymmetric = Attempt {
        model: Asymmetric,
        prior: [o, f, Some(a[0]), Some(a[1]), Some(a[2])],
        curve: Curve::asymmetric,
        family: Family::Asymmetric,
    };
    let supply = Attempt {
        model: Supply,
        prior: [o, f, Some(s[0]), Some(s[1]), Some(s[2]), Some(s[3])],
        curve: Curve::supply,
        family: Family::Supply,
    };
    let four = starts.map(|[last, ln_k, u]| [prior.original.mean, last, ln_k, u]);
    let gompertz_starts = starts.map(|[last, ln_k, u]| {
        // Same steepest day, four fifths of the rate constant: near the same curve.
        [prior.original.mean, last, ln_k - 0.22, 0.8 * u - 0.5]
    });
    let five = starts.map(|[last, ln_k, u]| [prior.original.mean, last, ln_k, u, 0.0]);

    let six = starts.map(|[last, ln_k, u]| {
        // The steepest rate of a logistic is a quarter of its k, at x = u.
        let lag = (0.25 * u - 0.5).clamp(0.1, 2.0);
        let [tiring, short] = [supply::LN_TIRING.mean, supply::LN_SHORT.mean];
        [
            prior.original.mean,
            last,
            ln_k - 1.2,
            lag.ln(),
            tiring,
            short,
        ]
    });

    let near = (
        logistic.rough(&thinned, &four),
        gompertz.rough(&thinned, &gompertz_starts),
        asymmetric.rough(&thinned, &five),
        supply.rough(&thinned, &six),
    );
    let noise = [
        near.0.as_ref().ok().map(|p| logistic.noise(&series, p)),
        near.1.as_ref().ok().map(|p| gompertz.noise(&series, p)),
        near.2.as_ref().ok().map(|p| asymmetric.noise(&series, p)),
        near.3.as_ref().ok().map(|p| supply.noise(&series, p)),
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
        near.3.and_then(|p| supply.full(&series, noise, p)),
    );
    let costs = [
        best.0.as_ref().map(|s| s.cost),
        best.1.as_ref().map(|s| s.cost),
        best.2.as_ref().map(|s| s.cost),
        best.3.as_ref().map(|s| s.cost),
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

    let mut families = Vec::with_capacity(4);
    let mut draws = Vec::with_capacity(640);
    if let Ok(found) = best.0 {
        logistic.collect(&series, noise, &found, lowest, &mut families, &mut draws);
    }
    if let Ok(found) = best.1 {
        gompertz.collect(&series, noise, &found, lowest, &mut families, &mut draws);
    }
    if let Ok(found) = best.2 {
        asymmetric.collect(&series, noise, &found, lowest, &mut families, &mut draws);
    }
    if let Ok(found) = best.3 {
        supply.collect(&series, noise, &found, lowest, &mut families, &mut draws);
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
