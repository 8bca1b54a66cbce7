//! Is a mead that had stopped falling again?
//!
//! A fall that begins has a level before it, and that level is known much better than any line through
//! the last hours alone: days of readings tell it. So what is looked for is a bend: a straight line
//! through the float's past with its own drift and the effect of warmth, from which the readings come
//! away downwards some hours or days ago. For the time of the bend several are tried.
//!
//! The question is asked every hour for months, so the answer must stand out from anything the
//! float does by itself. How far its readings wander over a day is not read off the day in question
//! but off the float's own past since the mead was still: the autocovariance of its readings there
//! says what error the bend has. And the fall must go on: a float that was knocked, or that hand
//! readings put right, comes down at once and then lies still.
//!
//! How early it can be told: for errors of variance S a day and a level that is known, a fall that
//! began W days ago has an error of √(3·S/W³). A float that wanders by 0.0004 over four hours has an S
//! of 5·10⁻⁸; a fall of 0.001 a day is worth an alarm and stands out by three of these after a day and a
//! half.

use super::case::Stretch;
use super::slope::{PER_KELVIN, Sample, TOGETHER};
use crate::fit::noise::{mad_scale, median};

/// How long ago a renewed fall may have begun, days: a fast one shows soon, a slow one late.
const BEGAN: [f64; 8] = [0.75, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0, EARLIEST];
const EARLIEST: f64 = 4.0;
/// SG a day more than before that is worth an alarm. What is less is left to the slope of several days
/// (`phase`).
const WORTH: f64 = 0.000_3;
/// How many standard errors beyond that it must stand out by, and by how many it does still. Found on the
/// development runs of the decision bench, as are the two after it: sooner is more often false.
const SDS: f64 = 3.3;
const STILL_SDS: f64 = 2.5;
/// How much worse than one at once an even fall may explain the readings, and may still: within less than
/// a day or so the two look much the same, and to ask for more costs the hours that matter.
const EVEN: f64 = -1.0;
const STILL_EVEN: f64 = -2.0;
/// The past that is looked at, days, and how much of it there must be.
const PAST: f64 = 21.0;
const LEAST_PAST: f64 = 2.0;
/// What lies higher than this above the present level, SG, is the fall that was over.
const ABOVE: f64 = 0.004;
/// What it did before the bend, drift of the float and all, is not believed to be more than this
/// before the readings are looked at, SG a day.
const BEFORE: f64 = 0.000_12;
/// Where a jump upwards was taken out so shortly before the bend or since, days, the readings are lower
/// for that; whether it was one, and how high, is known only days later.
const AROUND: f64 = 2.0;
/// Errors further apart than this are not related, hours.
const LAGS: usize = 24;
/// Most of the error of a bend is no less than this share of what [`Wander::lasting`] makes of it; so
/// what is far from standing out need not be reckoned exactly.
const AT_LEAST: f64 = 0.3;
/// Scatters beyond which a reading is a spike.
const SPIKE: f64 = 3.0;
/// The smallest scatter believed, SG.
const LEAST_SCATTER: f64 = 0.000_05;

/// `suspected`: the look before has found it falling.
pub(super) fn falls_again(stretch: &Stretch, suspected: bool) -> bool {
    let samples = without_spikes(stretch.end(ABOVE, LEAST_PAST, PAST), stretch.step);
    let Some(line) = Line::of(&samples, stretch.step) else {
        return false;
    };
    let bends: Vec<Bend> = BEGAN.iter().filter_map(|days| line.bend(*days)).collect();
    let Some(wander) = bends.last().map(|earliest| line.wander(earliest)) else {
        return false;
    };
    let (sds, even) = if suspected {
        (STILL_SDS, STILL_EVEN)
    } else {
        (SDS, EVEN)
    };
    let lifted = |bend: &Bend| {
        let from = line.last - bend.days - AROUND;
        stretch.lifts.iter().any(|at| *at > from)
    };
    bends.iter().any(|bend| {
        let stands_out = |sd: f64| bend.fall - sds * sd > WORTH;
        stands_out(line.sd_at_least(bend, &wander))
            && stands_out(line.sd(bend, &wander))
            && line.evenness(bend, &wander) > even
            && !lifted(bend)
    })
}

/// What lies far off its neighbours is brought to where they would allow it.
fn without_spikes(samples: &[Sample], step: f64) -> Vec<Sample> {
    let n = samples.len();
    let off = |i: usize| {
        let near = &samples[i.saturating_sub(2)..n.min(i + 3)];
        let mut values = [0.0; 5];
        let values = &mut values[..near.len()];
        values
            .iter_mut()
            .zip(near)
            .for_each(|(v, s)| *v = s.gravity);
        samples[i].gravity - median(values)
    };
    let off: Vec<f64> = (0..n).map(off).collect();
    let scatter = mad_scale(&mut off.clone());
    let most = SPIKE * scatter.max(step / 3.0).max(LEAST_SCATTER);
    let kept = samples.iter().zip(&off).map(|(s, off)| Sample {
        gravity: s.gravity - off + off.clamp(-most, most),
        ..*s
    });
    kept.collect()
}

/// One, days, kelvin, days since the bend.
const TERMS: usize = 4;
type Row = nalgebra::Vector4<f64>;
/// Place of the bend in a row.
const BEND: usize = 3;

/// The readings with what they add up to while there is no bend.
struct Line<'a> {
    samples: &'a [Sample],
    /// Last one's days, mean warmth, gravity that is counted from.
    last: f64,
    celsius: f64,
    base: f64,
    /// With what is believed before the readings are looked at.
    matrix: nalgebra::Matrix4<f64>,
    right: Row,
}

struct Bend {
    days: f64,
    /// First reading after it.
    first: usize,
    /// SG a day more than before, downwards.
    fall: f64,
    terms: Row,
    /// How much a reading moves the bend, by its row.
    by: Row,
}

impl<'a> Line<'a> {
    fn of(samples: &'a [Sample], step: f64) -> Option<Line<'a>> {
        let last = samples.last()?;
        let changes = samples.windows(2).map(|w| w[1].gravity - w[0].gravity);
        let scatter = mad_scale(&mut changes.collect::<Vec<f64>>());
        let noise = TOGETHER * scatter.max(step / 3.0).max(LEAST_SCATTER).powi(2);
        let sum = samples.iter().map(|s| s.celsius).sum::<f64>();
        let mut line = Line {
            samples,
            last: last.days,
            celsius: sum / samples.len() as f64,
            base: last.gravity,
            matrix: nalgebra::Matrix4::from_diagonal(&Row::new(
                0.0,
                noise / BEFORE.powi(2),
                noise / PER_KELVIN.powi(2),
                0.0,
            )),
            right: Row::zeros(),
        };
        for s in samples {
            let row = line.row(s, 0.0);
            line.matrix.ger(1.0, &row, &row, 1.0);
            line.right.axpy(s.gravity - line.base, &row, 1.0);
        }
        Some(line)
    }

    fn row(&self, s: &Sample, bend: f64) -> Row {
        let days = s.days - self.last;
        Row::new(1.0, days, s.celsius - self.celsius, (days + bend).max(0.0))
    }

    /// Least squares for a bend so many days ago; what came before and warmth held near nought.
    /// `None` without enough of a past, or with too little since.
    fn bend(&self, days: f64) -> Option<Bend> {
        let begin = self.last - days;
        let first = self.samples.partition_point(|s| s.days < begin);
        let (past, since) = self.samples.split_at(first);
        let span = |of: &[Sample]| Some(of.last()?.days - of.first()?.days);
        if span(past)? < LEAST_PAST || span(since)? < 0.8 * days {
            return None;
        }
        let (mut matrix, mut right) = (self.matrix, self.right);
        for s in since {
            let row = self.row(s, days);
            for i in 0..TERMS {
                matrix[(i, BEND)] += row[i] * row[BEND];
            }
            right[BEND] += row[BEND] * (s.gravity - self.base);
        }
        for i in 0..BEND {
            matrix[(BEND, i)] = matrix[(i, BEND)];
        }
        let inverse = matrix.try_inverse()?;
        let terms = inverse * right;
        Some(Bend {
            days,
            first,
            fall: -terms[BEND],
            terms,
            by: inverse.column(BEND).into(),
        })
    }

    fn residual(&self, s: &Sample, bend: &Bend) -> f64 {
        s.gravity - self.base - self.row(s, bend.days).dot(&bend.terms)
    }

    /// What the float did before a bend.
    fn wander(&self, bend: &Bend) -> Wander {
        let past = &self.samples[..bend.first];
        let residuals: Vec<f64> = past.iter().map(|s| self.residual(s, bend)).collect();
        Wander::of(past, &residuals)
    }

    fn influences(&self, bend: &Bend) -> impl Iterator<Item = (Row, f64)> {
        let rows = self.samples.iter().map(|s| self.row(s, bend.days));
        rows.map(|row| (row, row.dot(&bend.by)))
    }

    fn sd_at_least(&self, bend: &Bend, wander: &Wander) -> f64 {
        let squares: f64 = self.influences(bend).map(|(_, by)| by * by).sum();
        (AT_LEAST * wander.lasting() * squares).sqrt()
    }

    /// Standard error of the bend: by how the float wanders, and by what stays unknown of warmth and
    /// of the pace before.
    fn sd(&self, bend: &Bend, wander: &Wander) -> f64 {
        let mut sums = Row::zeros();
        let influences = self.influences(bend).map(|(row, by)| {
            sums.axpy(by, &row, 1.0);
            by
        });
        let influences: Vec<f64> = influences.collect();
        let unknown = (BEFORE * sums[1]).hypot(PER_KELVIN * sums[2]);
        let wanders = wander.variance(self.samples, &influences).sqrt();
        wanders.hypot(unknown)
    }

    /// By how much an even fall since the bend explains the readings better than a float that came down
    /// at once, at any time since, in squares of what the float wanders.
    fn evenness(&self, bend: &Bend, wander: &Wander) -> f64 {
        let (mut whole, mut even, mut sum, mut at_once) = (0.0, 0.0, 0.0, 0.0_f64);
        for (n, s) in self.samples[bend.first..].iter().rev().enumerate() {
            let rest = self.residual(s, bend);
            let off = rest + self.row(s, bend.days)[BEND] * bend.terms[BEND];
            even += rest * rest;
            whole += off * off;
            sum += off;
            at_once = at_once.max(sum * sum / (n + 1) as f64);
        }
        (whole - at_once - even) / wander.lasting()
    }
}

/// Autocovariance of a float at rest, by lags of an hour.
struct Wander([f64; LAGS]);

impl Wander {
    fn of(past: &[Sample], residuals: &[f64]) -> Wander {
        let mut sums = [(0.0, 0usize); LAGS];
        for i in 0..past.len() {
            for j in i..past.len() {
                let lag = ((past[j].days - past[i].days) * 24.0).round() as usize;
                let Some(sum) = sums.get_mut(lag) else {
                    break;
                };
                sum.0 += residuals[i] * residuals[j];
                sum.1 += 1;
            }
        }
        let at = |lag: usize| {
            let (sum, n) = sums[lag];
            let taper = 1.0 - lag as f64 / LAGS as f64;
            if n == 0 { 0.0 } else { taper * sum / n as f64 }
        };
        let mut covariance = std::array::from_fn(at);
        covariance[0] = covariance[0].max(1e-10);
        Wander(covariance)
    }

    /// Variance of a mean of many readings, times their number.
    fn lasting(&self) -> f64 {
        let related = self.0.iter().skip(1).take_while(|c| **c > 0.0);
        self.0[0] + 2.0 * related.sum::<f64>()
    }

    /// Variance of a sum of readings, each with its weight.
    fn variance(&self, samples: &[Sample], weights: &[f64]) -> f64 {
        let (mut sum, mut apart) = (0.0, 0.0);
        for (i, a) in samples.iter().enumerate() {
            apart += weights[i] * weights[i];
            for (b, weight) in samples[i..].iter().zip(&weights[i..]) {
                let lag = ((b.days - a.days) * 24.0).round() as usize;
                let Some(covariance) = self.0.get(lag) else {
                    break;
                };
                let twice = if a.days == b.days { 1.0 } else { 2.0 };
                sum += twice * covariance * weights[i] * weight;
            }
        }
        // So short a past may look quieter than the float is.
        sum.max(self.0[0] * apart / 4.0)
    }
}
