//! The cellar learns: invented cellars, each with one yeast, one honey and its own habits. Their
//! first batches are judged to the end and learned from, as the daemon does when a mead settles;
//! the next ones are judged with what was learned and without it.

use std::ops::ControlFlow;

use ebbmark_core::learn::{CurveRecord, Learned, learn};
use ebbmark_core::verdict::broad;
use ebbmark_demo_feeds::plant::Temperatures;

use crate::draw::Draw;
use crate::kinds::{Drawn, Kind};
use crate::maker::Habit;
use crate::run::{Seen, Wanted, follow};
use crate::score::{Forecast, Quantity, Stage, Within, forecasts};
use crate::truth::{Course, DONE, Until};
use crate::world::{Generator, Recipe};

/// Finished batches learned from, and batches judged after them.
const BEFORE: u64 = 6;
const AFTER: u64 = 3;
/// Clear of the lanes the kinds draw from.
const LANES: u64 = 1_000_000;
const TRIES: u32 = 40;
const YEAST: &str = "the cellar's yeast";
const HONEY: &str = "the cellar's honey";

/// The same forecast with history and without.
#[derive(Clone, Copy, Debug)]
pub struct Pair {
    pub generator: Generator,
    pub stage: Stage,
    pub quantity: Quantity,
    pub with: Within,
    pub without: Within,
}

/// What stays the same from batch to batch, give or take.
struct Cellar {
    kind: Kind,
    original: f64,
    /// Honey solids that no yeast takes, as a share of the gravity.
    body: f64,
    nitrogen: f64,
    pitch: f64,
    lag_hours: f64,
    tolerance: f64,
    label: f64,
    cold_stop: f64,
    base: f64,
    daily_swing: f64,
    glucose: f64,
    bend: f64,
    fading: f64,
}

impl Cellar {
    fn draw(generator: Generator, d: &mut Draw) -> Cellar {
        // Every other one makes sweet mead: more sugar than its yeast can take.
        let sweet = d.chance(0.5);
        let label = (2.0 * d.between(10.0, 15.0)).round() / 2.0;
        let body = d.between(0.05, 0.14);
        let fermentable = if sweet {
            label + d.between(2.0, 5.0)
        } else {
            label - d.between(2.0, 4.5)
        };
        let points = fermentable / 0.48 * 7.89 * 3.86e-4;
        Cellar {
            kind: if sweet { Kind::Tolerance } else { Kind::Dry },
            original: 1.0 + (points / (1.0 - body)).min(0.15),
            body,
            nitrogen: d.between(90.0, 240.0),
            pitch: d.scale(0.08, 0.5),
            lag_hours: d.between(6.0, 36.0),
            tolerance: label + d.normal(0.5),
            label,
            cold_stop: match generator {
                Generator::Balances => d.between(5.0, 8.5),
                Generator::TwoSugars => d.between(1.0, 5.0),
            },
            base: d.between(15.0, 23.0),
            daily_swing: d.between(0.1, 1.2),
            glucose: d.between(0.42, 0.49),
            bend: d.between(0.75, 1.1),
            fading: d.scale(0.1, 0.8),
        }
    }

    fn recipe(&self, d: &mut Draw) -> Recipe {
        let some = |d: &mut Draw, share: f64| d.normal(share).exp();
        let original = self.original + d.normal(0.004);
        let body = (original - 1.0) * self.body * some(d, 0.05);
        let base = self.base + d.normal(0.8);
        let season = d.normal(0.7);
        Recipe {
            sugar: (original - 1.0 - body) / 3.86e-4,
            nitrogen: self.nitrogen * some(d, 0.12),
            pitch: self.pitch * some(d, 0.15),
            body,
            lag_hours: self.lag_hours * some(d, 0.2),
            tolerance: self.tolerance + d.normal(0.2),
            cold_stop: self.cold_stop,
            temperatures: Temperatures {
                knots: vec![(0.0, base), (30.0 * 24.0, base + season)],
                daily_swing: self.daily_swing,
            },
            glucose: self.glucose,
            bend: self.bend,
            fading: self.fading * some(d, 0.1),
        }
    }

    /// A batch that comes to its end; those that do not are nobody's habit.
    fn batch(&self, generator: Generator, d: &mut Draw) -> Option<Drawn> {
        (1..=TRIES).find_map(|tries| {
            let recipe = self.recipe(d);
            let until = Until::End {
                after_done: 20.0,
                after_stop: 2.0,
            };
            let course = Course::run(generator, &recipe, &[], until, 100.0)?;
            let done = course.done_for_good(0, DONE)?;
            let fits = !course.point(course.hours()).stalled && (4 * 24..60 * 24).contains(&done);
            fits.then_some(Drawn {
                recipe,
                course,
                label: self.label,
                tries,
            })
        })
    }
}

/// Nothing when the cellar's habits come to no end.
pub fn cellar(generator: Generator, seed: u64, every: usize) -> Vec<Pair> {
    let lanes = |batch: u64| LANES + 10_000 * generator as u64 + 10 * batch;
    let cellar = Cellar::draw(generator, &mut Draw::new(seed, lanes(0)));
    let wanted = Wanted {
        kind: cellar.kind,
        generator,
        seed,
        every,
        maker: Habit::Hydrometer,
    };
    let mut records: Vec<CurveRecord> = Vec::new();
    let mut pairs = Vec::new();
    for batch in 1..=BEFORE + AFTER {
        let lanes = lanes(batch);
        let Some(drawn) = cellar.batch(generator, &mut Draw::new(seed, lanes)) else {
            return Vec::new();
        };
        let learned = learn(&records, YEAST, HONEY, &broad());
        if batch <= BEFORE {
            records.extend(finish(wanted, lanes, drawn, &learned));
            continue;
        }
        let with = judge(wanted, lanes, drawn.clone(), Some(&learned));
        let without = judge(wanted, lanes, drawn, None);
        pairs.extend(with.iter().zip(&without).filter_map(|(w, o)| {
            Some(Pair {
                generator,
                stage: w.stage,
                quantity: w.quantity,
                with: w.within?,
                without: o.within?,
            })
        }));
    }
    pairs
}

/// What is kept of a batch when it settles, as the daemon keeps it.
fn finish(wanted: Wanted, lanes: u64, drawn: Drawn, learned: &Learned) -> Option<CurveRecord> {
    let mut kept = None;
    let note = |seen: Seen| {
        if seen.verdict.phase.key() != "settled" {
            return ControlFlow::Continue(());
        }
        kept = seen.verdict.gravity.zip(seen.assessor.families());
        ControlFlow::Break(())
    };
    let run = follow(wanted, lanes, drawn, Some(learned), note);
    let (ended, families) = kept?;
    Some(CurveRecord {
        yeast: YEAST.into(),
        honey: HONEY.into(),
        original: run.original,
        ended: ended.get(),
        families,
    })
}

/// The forecasts of one batch, which is over for them once it has settled.
fn judge(wanted: Wanted, lanes: u64, drawn: Drawn, learned: Option<&Learned>) -> Vec<Forecast> {
    let settled = drawn.course.done_for_good(0, 0.001).unwrap_or(0);
    let mut hour = 0;
    let run = follow(wanted, lanes, drawn, learned, |_| {
        hour += wanted.every;
        if hour <= settled + wanted.every {
            ControlFlow::Continue(())
        } else {
            ControlFlow::Break(())
        }
    });
    forecasts(&run)
}
