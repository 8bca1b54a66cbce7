//! What finished batches teach about the next one: empirical Bayes over stored curve parameters.
//!
//! A quantity x of a batch (a curve parameter, the strength it reached) is taken as
//!
//! ```text
//! x = cellar mean + the yeast's part + the honey's part with that yeast + the batch's own part
//! ```
//!
//! each part normal and independent. Without history the four variances add up to that of the
//! broad prior, so knowing nothing *is* the broad prior. Given the variances the answer is the
//! exact posterior, had by going down the tree: batches with other yeasts tell of the cellar,
//! those with other honeys of the yeast, the rest of the very combination; each level starts from
//! the one above and moves away from it as far as its number of batches allows.
//!
//! The batches' own variance is learned, pooled over all combinations. Its prior (inverse gamma)
//! counts as four batches more, so one or two batches never give a narrow answer.
//!
//! Chosen here, no source: the shares of the variance, the weight of its prior, the narrowest
//! answer, where an outlier is pulled in, the attenuation at which a mead counts as dry.

use std::collections::BTreeMap;

use crate::density::strength_percent_vol;
use crate::fit::Gaussian;
use crate::fit::curve::Family;
use crate::fit::noise::median;
use crate::units::Gravity;

/// Shares of the broad prior's variance; they add up to one.
const CELLAR_SHARE: f64 = 0.45;
const YEAST_SHARE: f64 = 0.25;
const HONEY_SHARE: f64 = 0.1;
const BATCH_SHARE: f64 = 0.2;
/// As many batches as the prior of the batches' own variance counts for.
const VARIANCE_WEIGHT: f64 = 4.0;
/// The answer is never narrower than this part of the broad prior's spread: the next batch may
/// be the one with the old honey or the cold week.
const NARROWEST: f64 = 0.2;
/// From so many batches on the odd one out can be told.
const ENOUGH: usize = 5;
/// Robust standard deviations from the median beyond which a batch counts no further.
const FAR_OUT: f64 = 3.0;
/// Standard deviation of a normal distribution over its median absolute deviation.
const MAD_TO_SD: f64 = 1.4826;
/// Above this attenuation the sugar ran out before the yeast did.
const DRY: f64 = 0.9;
/// First curve parameter that is learned; original and final gravity before it are a batch's own.
const FIRST: usize = 2;

/// What is kept of a finished batch.
#[derive(Clone, Debug, PartialEq)]
pub struct CurveRecord {
    pub yeast: String,
    pub honey: String,
    /// Original gravity, SG.
    pub original: f64,
    /// Gravity it settled at, SG.
    pub ended: f64,
    /// The best curve of each family: original, final, ln k, u and what the family has besides.
    pub families: Vec<(Family, Vec<f64>)>,
}

/// What is believed of a batch before its readings.
#[derive(Clone, Debug, PartialEq)]
pub struct Broad {
    /// Of each family the parameters from the third on: ln k, u and what it has besides.
    pub families: Vec<(Family, Vec<Gaussian>)>,
    /// What the yeast bears, % vol.
    pub strength: Gaussian,
    /// Apparent attenuation, (original - end)/(original - 1), where the sugar runs out first.
    pub attenuation: Gaussian,
}

/// The same after the cellar's history.
#[derive(Clone, Debug, PartialEq)]
pub struct Learned {
    pub belief: Broad,
    pub batches: Batches,
}

/// How many finished batches it rests on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Batches {
    pub cellar: usize,
    /// Of these with the same yeast.
    pub yeast: usize,
    /// Of these with the same honey too.
    pub honey: usize,
}

/// What the history says of a batch with this yeast and honey. Names are compared without regard
/// to case and blanks; an empty name is like no other.
pub fn learn(records: &[CurveRecord], yeast: &str, honey: &str, broad: &Broad) -> Learned {
    let mut places = Places::default();
    let here = places.of(yeast, honey);
    let history: Vec<(Place, &CurveRecord)> = records
        .iter()
        .map(|r| (places.of(&r.yeast, &r.honey), r))
        .collect();
    let about = |broad: Gaussian, of: &dyn Fn(&CurveRecord) -> Option<f64>| {
        let seen: Vec<Seen> = history
            .iter()
            .filter_map(|&(place, record)| {
                let value = of(record).filter(|v| v.is_finite())?;
                Some(Seen { place, value })
            })
            .collect();
        posterior(seen, here, broad)
    };
    let families = broad
        .families
        .iter()
        .map(|(family, priors)| {
            let learned = priors.iter().enumerate().map(|(i, prior)| {
                about(*prior, &|r| {
                    let (_, params) = r.families.iter().find(|(f, _)| f == family)?;
                    params.get(FIRST + i).copied()
                })
            });
            (*family, learned.collect())
        })
        .collect();
    let within = |test: &dyn Fn(Place) -> bool| history.iter().filter(|(p, _)| test(*p)).count();
    Learned {
        belief: Broad {
            families,
            strength: about(broad.strength, &|r| borne(r, broad.strength.mean)),
            attenuation: about(broad.attenuation, &|r| attenuation(r).filter(|a| *a >= DRY)),
        },
        batches: Batches {
            cellar: history.len(),
            yeast: within(&|p| p.yeast == here.yeast),
            honey: within(&|p| p == here),
        },
    }
}

/// Apparent attenuation; `None` of a must with hardly any sugar, where it means nothing.
fn attenuation(record: &CurveRecord) -> Option<f64> {
    let points = record.original - 1.0;
    (points > 0.01).then(|| (record.original - record.ended) / points)
}

/// The strength at which the yeast stopped, % vol. A mead that went dry only tells that the yeast
/// bears at least what it reached, which is news only above what is believed anyway.
fn borne(record: &CurveRecord, believed: f64) -> Option<f64> {
    let dry = attenuation(record)? >= DRY;
    let reached = strength_percent_vol(
        Gravity::computed(record.original),
        Gravity::computed(record.ended),
    );
    (!dry || reached > believed).then_some(reached)
}

/// A combination of yeast and honey, by number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Place {
    yeast: usize,
    honey: usize,
}

#[derive(Default)]
struct Places {
    known: BTreeMap<String, usize>,
    next: usize,
}

impl Places {
    fn of(&mut self, yeast: &str, honey: &str) -> Place {
        Place {
            yeast: self.number(yeast),
            honey: self.number(honey),
        }
    }

    fn number(&mut self, name: &str) -> usize {
        let name = name
            .split_whitespace()
            .collect::<Vec<_>>()
            .join(" ")
            .to_lowercase();
        self.next += 1;
        if name.is_empty() {
            return self.next;
        }
        *self.known.entry(name).or_insert(self.next)
    }
}

#[derive(Clone, Copy)]
struct Seen {
    place: Place,
    value: f64,
}

/// A mean as far as it is known.
#[derive(Clone, Copy)]
struct Mean {
    mean: f64,
    variance: f64,
}

impl Mean {
    /// Normal prior times normal likelihood.
    fn and(self, other: Mean) -> Mean {
        let variance = 1.0 / (1.0 / self.variance + 1.0 / other.variance);
        Mean {
            mean: variance * (self.mean / self.variance + other.mean / other.variance),
            variance,
        }
    }

    fn wider(self, by: f64) -> Mean {
        Mean {
            variance: self.variance + by,
            ..self
        }
    }
}

/// What a batch at `here` is expected to show.
fn posterior(mut seen: Vec<Seen>, here: Place, broad: Gaussian) -> Gaussian {
    if seen.is_empty() {
        return broad;
    }
    let whole = broad.sd * broad.sd;
    let narrowest = NARROWEST * broad.sd;
    pull_in(&mut seen, narrowest);

    let mut groups: BTreeMap<Place, Vec<f64>> = BTreeMap::new();
    for s in &seen {
        groups.entry(s.place).or_default().push(s.value);
    }
    let own = own_variance(&groups, BATCH_SHARE * whole);
    // Each combination's batches as one statement about that combination's mean.
    let told = |values: &[f64]| Mean {
        mean: mean(values),
        variance: own / values.len() as f64,
    };
    let (yeast_part, honey_part) = (YEAST_SHARE * whole, HONEY_SHARE * whole);

    let mut others: BTreeMap<usize, Mean> = BTreeMap::new();
    let mut of_yeast: Vec<Mean> = Vec::new();
    for (place, values) in &groups {
        let about_yeast = told(values).wider(honey_part);
        if place.yeast != here.yeast {
            others
                .entry(place.yeast)
                .and_modify(|m| *m = m.and(about_yeast))
                .or_insert(about_yeast);
        } else if *place != here {
            of_yeast.push(about_yeast);
        }
    }
    let mut level = Mean {
        mean: broad.mean,
        variance: CELLAR_SHARE * whole,
    };
    for other in others.into_values() {
        level = level.and(other.wider(yeast_part));
    }
    level = level.wider(yeast_part);
    for other in of_yeast {
        level = level.and(other);
    }
    level = level.wider(honey_part);
    if let Some(values) = groups.get(&here) {
        level = level.and(told(values));
    }
    Gaussian {
        mean: level.mean,
        sd: (level.variance + own).sqrt().max(narrowest),
    }
}

/// Variance between batches of one combination: the mean of its inverse-gamma posterior.
fn own_variance(groups: &BTreeMap<Place, Vec<f64>>, prior: f64) -> f64 {
    let mut squares = VARIANCE_WEIGHT * prior;
    let mut freedom = VARIANCE_WEIGHT;
    for values in groups.values() {
        let middle = mean(values);
        squares += values.iter().map(|v| (v - middle).powi(2)).sum::<f64>();
        freedom += values.len() as f64 - 1.0;
    }
    squares / freedom
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Pulls odd batches in to [`FAR_OUT`] robust deviations from the median of their own kind: the
/// same yeast and honey, else the same yeast, else the cellar, whichever first has [`ENOUGH`].
fn pull_in(seen: &mut [Seen], least_sd: f64) {
    let mut limits: BTreeMap<Place, Option<(f64, f64)>> = BTreeMap::new();
    for s in seen.iter() {
        limits
            .entry(s.place)
            .or_insert_with(|| limits_of(seen, s.place, least_sd));
    }
    for s in seen {
        if let Some(Some((low, high))) = limits.get(&s.place) {
            s.value = s.value.clamp(*low, *high);
        }
    }
}

fn limits_of(seen: &[Seen], place: Place, least_sd: f64) -> Option<(f64, f64)> {
    let kin: [&dyn Fn(Place) -> bool; 3] =
        [&|p| p == place, &|p| p.yeast == place.yeast, &|_| true];
    let mut values = kin
        .iter()
        .map(|kin| {
            let of_kin = seen.iter().filter(|s| kin(s.place));
            of_kin.map(|s| s.value).collect::<Vec<f64>>()
        })
        .find(|values| values.len() >= ENOUGH)?;
    let middle = median(&mut values);
    for v in &mut values {
        *v = (*v - middle).abs();
    }
    let reach = FAR_OUT * (MAD_TO_SD * median(&mut values)).max(least_sd);
    Some((middle - reach, middle + reach))
}

#[cfg(test)]
mod tests {
    use nalgebra::{DMatrix, DVector};
    use proptest::prelude::*;

    use super::*;

    const BROAD: Gaussian = Gaussian {
        mean: -1.2,
        sd: 1.0,
    };

    fn broad() -> Broad {
        Broad {
            families: vec![
                (
                    Family::Logistic,
                    vec![BROAD, Gaussian { mean: 3.0, sd: 2.5 }],
                ),
                (Family::Gompertz, vec![BROAD]),
            ],
            strength: Gaussian {
                mean: 14.0,
                sd: 1.5,
            },
            attenuation: Gaussian {
                mean: 1.0,
                sd: 0.04,
            },
        }
    }

    fn record(yeast: &str, honey: &str, ln_k: f64) -> CurveRecord {
        CurveRecord {
            yeast: yeast.into(),
            honey: honey.into(),
            original: 1.1,
            ended: 0.999,
            families: vec![(Family::Logistic, vec![1.1, 0.999, ln_k, 3.0])],
        }
    }

    /// ln k of the logistic.
    fn learned(records: &[CurveRecord], yeast: &str, honey: &str) -> Gaussian {
        learn(records, yeast, honey, &broad()).belief.families[0].1[0]
    }

    #[test]
    fn nothing_known_is_the_broad_prior() {
        assert_eq!(learn(&[], "wine", "lime", &broad()).belief, broad());
        let unnamed = [record("", "", 0.4)];
        let there = learned(&unnamed, "", "");
        let elsewhere = learned(&unnamed, "wine", "lime");
        assert!(
            (there.mean - elsewhere.mean).abs() < 1e-12,
            "unnamed is like no other"
        );
        let gompertz = &learn(&unnamed, "", "", &broad()).belief.families[1];
        assert_eq!(gompertz.1, vec![BROAD], "no batch told of it");
    }

    /// The textbook's conditional of a joint normal distribution, mean a + C B⁻¹ (x - b) and
    /// variance A - C B⁻¹ Cᵀ (any text on multivariate analysis), with the covariances the model
    /// implies: another way to the same posterior.
    fn by_conditioning(history: &[(&str, &str, f64)], yeast: &str, honey: &str) -> Gaussian {
        let whole = BROAD.sd * BROAD.sd;
        let mut kinds: Vec<(&str, &str)> = history.iter().map(|h| (h.0, h.1)).collect();
        kinds.sort_unstable();
        kinds.dedup();
        let (mut squares, mut freedom) = (4.0 * 0.2 * whole, 4.0);
        for kind in kinds {
            let of: Vec<f64> = history
                .iter()
                .filter(|h| (h.0, h.1) == kind)
                .map(|h| h.2)
                .collect();
            let middle = of.iter().sum::<f64>() / of.len() as f64;
            squares += of.iter().map(|x| (x - middle) * (x - middle)).sum::<f64>();
            freedom += of.len() as f64 - 1.0;
        }
        let own = squares / freedom;
        let shared = |a: (&str, &str), b: (&str, &str)| {
            whole * (0.45 + if a.0 == b.0 { 0.25 } else { 0.0 } + if a == b { 0.1 } else { 0.0 })
        };
        let n = history.len();
        let kind = |i: usize| (history[i].0, history[i].1);
        let b = DMatrix::from_fn(n, n, |i, j| {
            shared(kind(i), kind(j)) + if i == j { own } else { 0.0 }
        });
        let c = DVector::from_fn(n, |i, _| shared(kind(i), (yeast, honey)));
        let x = DVector::from_fn(n, |i, _| history[i].2 - BROAD.mean);
        let solved = b.lu().solve(&c).unwrap();
        Gaussian {
            mean: BROAD.mean + solved.dot(&x),
            sd: (0.8 * whole + own - solved.dot(&c)).sqrt(),
        }
    }

    proptest! {
        #[test]
        fn the_posterior_is_that_of_the_joint_normal(
            drawn in prop::collection::vec((0_usize..3, 0_usize..2, -1.5_f64..-0.9), 1..14),
            yeast in 0_usize..3,
            honey in 0_usize..2,
        ) {
            let (yeasts, honeys) = (["wine", "ale", "bread"], ["lime", "heather"]);
            let history: Vec<_> =
                drawn.iter().map(|&(y, h, x)| (yeasts[y], honeys[h], x)).collect();
            let records: Vec<_> = history.iter().map(|h| record(h.0, h.1, h.2)).collect();
            let ours = learned(&records, yeasts[yeast], honeys[honey]);
            let textbook = by_conditioning(&history, yeasts[yeast], honeys[honey]);
            prop_assert!((ours.mean - textbook.mean).abs() < 1e-9, "{ours:?} {textbook:?}");
            prop_assert!((ours.sd - textbook.sd.max(0.2)).abs() < 1e-9, "{ours:?} {textbook:?}");
        }
    }

    /// Bayes' rule by adding up over a fine grid of means: mean -1.2 and
    /// variance 0.8 before, three batches.
    #[test]
    fn one_combination_against_a_grid() {
        let seen = [-0.7, -0.3, -0.5];
        let own: f64 = (4.0 * 0.2 + 0.08) / 6.0;
        let (mut sum, mut first, mut second) = (0.0, 0.0, 0.0);
        for i in -8000..8000 {
            let m = f64::from(i) * 1e-3;
            let prior = (m - BROAD.mean).powi(2) / 0.8;
            let likelihood: f64 = seen.iter().map(|x| (x - m).powi(2) / own).sum();
            let w = (-0.5 * (prior + likelihood)).exp();
            sum += w;
            first += w * m;
            second += w * m * m;
        }
        let mean = first / sum;
        let sd = (second / sum - mean * mean + own).sqrt();
        let records = seen.map(|x| record("wine", "lime", x));
        let ours = learned(&records, "wine", "lime");
        assert!((ours.mean - mean).abs() < 1e-9, "{ours:?} against {mean}");
        assert!((ours.sd - sd).abs() < 1e-9, "{ours:?} against {sd}");
    }

    #[test]
    fn more_batches_and_nearer_ones_narrow_it_but_not_at_once() {
        let mut before = BROAD.sd;
        for n in 1..40 {
            let records = vec![record("wine", "lime", -0.5); n];
            let [same, yeast, other] = [("wine", "lime"), ("wine", "fir"), ("ale", "fir")]
                .map(|(y, h)| learned(&records, y, h));
            assert!(same.sd < before || same.sd == 0.2, "{n}: {same:?}");
            assert!(same.sd < yeast.sd && yeast.sd < other.sd && other.sd < BROAD.sd);
            assert!(-0.5 >= same.mean && same.mean > yeast.mean && yeast.mean > other.mean);
            if n <= 2 {
                assert!(same.sd > 0.45, "{n} batches are not much: {same:?}");
            }
            before = same.sd;
        }
        assert!(before < 0.35, "{before}");
    }

    #[test]
    fn one_odd_batch_does_not_lead() {
        let mut records: Vec<_> = (0..8)
            .map(|i| record("wine", "lime", -0.5 + 0.1 * f64::from(i % 3)))
            .collect();
        let without = learned(&records, "wine", "lime");
        records.push(record("wine", "lime", 25.0));
        let with = learned(&records, "wine", "lime");
        assert!(
            (with.mean - without.mean).abs() < 0.2,
            "{without:?} {with:?}"
        );
        assert!(with.sd < 0.6, "{with:?}");
        for nonsense in [f64::NAN, f64::INFINITY] {
            records.pop();
            records.push(record("wine", "lime", nonsense));
            assert_eq!(learned(&records, "wine", "lime"), without);
        }
    }

    #[test]
    fn names_are_compared_as_people_mean_them() {
        let records = [
            record(" White  WINE ", "Łąka", -0.5),
            record("white wine", "fir", -0.5),
            record("ale", "łąka", -0.5),
        ];
        let batches = learn(&records, "white wine", "łąka", &broad()).batches;
        let known = Batches {
            cellar: 3,
            yeast: 2,
            honey: 1,
        };
        assert_eq!(batches, known);
    }

    #[test]
    fn a_shorter_record_tells_of_what_it_has() {
        let mut short = record("wine", "lime", -0.5);
        short.families[0].1.pop();
        let logistic = &learn(&[short], "wine", "lime", &broad()).belief.families[0].1;
        assert!(logistic[0].sd < BROAD.sd);
        assert_eq!(logistic[1], Gaussian { mean: 3.0, sd: 2.5 });
    }

    #[test]
    fn a_dry_mead_says_little_of_what_its_yeast_bears() {
        let ended = |original, ended| CurveRecord {
            original,
            ended,
            ..record("wine", "lime", -0.5)
        };
        let about = |records: &[CurveRecord]| learn(records, "wine", "lime", &broad()).belief;
        // About 10.5 % vol, and the yeast could have gone on.
        let dry = about(&vec![ended(1.08, 0.998); 6]);
        assert_eq!(dry.strength, broad().strength);
        assert!(dry.attenuation.mean > 1.01 && dry.attenuation.sd < 0.02);
        // About 12 % vol with sugar left.
        let weak = about(&vec![ended(1.12, 1.03); 6]);
        assert!(weak.strength.mean < 12.8, "{weak:?}");
        assert_eq!(weak.attenuation, broad().attenuation);
        // Dry at about 16.5 % vol: it bears that at least.
        let strong = about(&vec![ended(1.125, 1.0); 6]);
        assert!(strong.strength.mean > 15.5, "{strong:?}");
        // Hardly a must.
        let water = about(&[ended(1.0, 1.0)]);
        assert_eq!(water.strength, broad().strength);
        assert_eq!(water.attenuation, broad().attenuation);
    }
}
